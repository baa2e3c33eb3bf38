"""What a sample proves of a finite lot, against whole numbers, R, scipy, the trade's table."""

import subprocess
import sys
from fractions import Fraction
from math import comb
from random import Random
from statistics import median
from time import process_time
from timeit import repeat

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import hypergeom

from rules.finite_lot import (
    PlanError,
    chance_of_at_most,
    compare_chance,
    most_nonconforming,
    sample_plan,
)


def counted(found: int, lot: int, bad: int, sample: int) -> Fraction:
    """Return P(X ≤ found) by counting draws: no library, no logarithm."""
    ways = sum(comb(bad, j) * comb(lot - bad, sample - j) for j in range(found + 1))
    return Fraction(ways, comb(lot, sample))


@pytest.mark.parametrize(
    ("found", "lot", "bad", "sample", "expected"),
    [
        # R 4.2.2, phyper(found, bad, lot - bad, sample)
        (1, 100, 19, 20, 0.0624399727149),
        (1, 100, 20, 20, 0.0498480336332),
        (10, 100_000, 335, 5_000, 0.0506021718053),
        (10, 100_000, 336, 5_000, 0.0494010738932),
        (1_000, 100_000, 2_089, 50_000, 0.0258270560939),
        (40, 1_000, 500, 90, 0.159997316562),
        (2, 500, 30, 200, 3.09191787418e-05),
        (0, 288, 29, 20, 0.110776761558),
    ],
)
def test_chances_are_those_of_r(
    found: int, lot: int, bad: int, sample: int, expected: float
) -> None:
    assert chance_of_at_most(found, lot, bad, sample) == pytest.approx(expected, rel=2e-9)


@pytest.mark.parametrize(
    ("lot", "sample", "found", "bad", "expected"),
    [
        # Published check values for type-A curves, counted exactly
        (50, 10, 0, 1, 0.8),
        (50, 10, 0, 5, 0.3105627821),
        (50, 10, 1, 5, 0.7418999792),
        (100, 13, 1, 10, 0.6163188175),
    ],
)
def test_type_a_acceptance_chances(
    lot: int, sample: int, found: int, bad: int, expected: float
) -> None:
    assert chance_of_at_most(found, lot, bad, sample) == pytest.approx(expected, abs=1e-10)


@settings(max_examples=300)
@given(st.data())
def test_chances_are_those_of_counting(data: st.DataObject) -> None:
    lot = data.draw(st.integers(1, 300))
    bad, sample = data.draw(st.integers(0, lot)), data.draw(st.integers(0, lot))
    found = data.draw(st.integers(-1, sample))
    exact = float(counted(found, lot, bad, sample))
    assert chance_of_at_most(found, lot, bad, sample) == pytest.approx(exact, abs=1e-11)


def test_chances_are_those_of_scipy_in_a_large_lot() -> None:
    rng = Random(5)
    for _ in range(200):
        bad, sample = rng.randrange(1, 30_000), rng.randrange(1, 99_999)
        found = max(0, round(bad * sample / 100_000 + rng.gauss(0, 40)))
        expected = hypergeom.cdf(found, 100_000, bad, sample)
        assert chance_of_at_most(found, 100_000, bad, sample) == pytest.approx(
            expected, abs=2e-9
        )


@pytest.mark.parametrize(
    ("lot", "sample", "found", "risk", "bound"),
    [
        # Exact whole numbers, by counting, scipy and R
        (100, 20, 0, 0.05, 12),
        (100, 20, 1, 0.05, 19),
        (1_000, 93, 0, 0.01, 46),
        (100_000, 5_000, 10, 0.05, 335),
        (100_000, 50_000, 1_000, 0.025, 2_089),
        (60, 60, 3, 0.05, 3),  # everything was looked at
        (60, 0, 0, 0.05, 60),  # nothing was
    ],
)
def test_the_bound_is_the_largest_number_not_yet_unlikely(
    lot: int, sample: int, found: int, risk: float, bound: int
) -> None:
    assert most_nonconforming(lot, sample, found, risk) == bound


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_the_bound_inverts_the_test_in_whole_numbers(data: st.DataObject) -> None:
    lot = data.draw(st.integers(1, 120))
    sample = data.draw(st.integers(0, lot))
    found = data.draw(st.integers(0, sample))
    risk = data.draw(st.sampled_from([0.01, 0.025, 0.05, 0.1, 0.5]))
    asked = Fraction(repr(risk))
    expected = max(
        bad
        for bad in range(found, lot - (sample - found) + 1)
        if counted(found, lot, bad, sample) >= asked
    )
    assert most_nonconforming(lot, sample, found, risk) == expected


def test_a_tie_with_the_risk_is_decided_in_whole_numbers() -> None:
    # one piece drawn from 20 that hold 19: P(X = 0) is 1/20 exactly, no less than 5 %
    assert compare_chance(0, 20, 19, 1, 0.05) == 0
    assert most_nonconforming(20, 1, 0, 0.05) == 19
    # nine of ten drawn, one nonconforming: missed with 1/10 exactly, which is allowed
    assert sample_plan(10, 0.1, 0.1).size == 9


TRADE_TABLE = {
    # Consumer's risk 10 %, D = round(N × LQ), acceptance number 0: N → size at 5, 10, 20 %
    # (computed for the trade notes this service was built from; no published table)
    30: (21, 16, 9),
    40: (27, 17, 10),
    60: (32, 19, 10),
    84: (37, 21, 10),
    120: (38, 20, 10),
    160: (40, 21, 10),
}


@pytest.mark.parametrize("lot", TRADE_TABLE)
def test_sample_sizes_are_those_of_the_trade_table(lot: int) -> None:
    sizes = tuple(sample_plan(lot, quality, 0.10).size for quality in (0.05, 0.10, 0.20))
    assert sizes == TRADE_TABLE[lot]


def test_one_nonconforming_piece_allowed_asks_for_more() -> None:
    sizes = [sample_plan(60, quality, 0.10, 1).size for quality in (0.05, 0.10, 0.20)]
    assert sizes == [48, 30, 17]
    assert [sample_plan(120, quality, 0.10, 1).size for quality in (0.10, 0.20)] == [34, 18]


@settings(max_examples=200, deadline=None)
@given(st.integers(1, 400), st.sampled_from([0.01, 0.03, 0.05, 0.1, 0.25]))
def test_a_plan_is_the_smallest_that_keeps_the_risk(lot: int, quality: float) -> None:
    plan = sample_plan(lot, quality, 0.10)
    assert counted(0, lot, plan.nonconforming, plan.size) <= Fraction(1, 10)
    if plan.size > 1:
        assert counted(0, lot, plan.nonconforming, plan.size - 1) > Fraction(1, 10)
    # nothing at or above the limiting quality is accepted more often
    least_at_quality = next(d for d in range(1, lot + 1) if d >= Fraction(repr(quality)) * lot)
    assert counted(0, lot, least_at_quality, plan.size) <= Fraction(1, 10)


def test_what_a_plan_without_acceptance_feels_like() -> None:
    # the trade notes: N = 84, n = 20: accepted with 2.5, 5, 10 % beyond: 58, 33, 10 %
    accepted = [chance_of_at_most(0, 84, round(84 * share), 20) for share in (0.025, 0.05, 0.1)]
    assert [round(100 * chance) for chance in accepted] == [58, 33, 10]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((10, 11, 0, 0.05), "0 ≤ x ≤ n ≤ N"),
        ((10, 5, 6, 0.05), "0 ≤ x ≤ n ≤ N"),
        ((10, 5, 0, 0.0), "above 0 and below 1"),
        ((10, 5, 0, 1.0), "above 0 and below 1"),
    ],
)
def test_numbers_that_make_no_bound_are_refused(
    arguments: tuple[int, int, int, float], message: str
) -> None:
    with pytest.raises(PlanError, match=message):
        most_nonconforming(*arguments)


def test_numbers_that_make_no_plan_are_refused() -> None:
    with pytest.raises(PlanError, match="no sample would refuse"):
        sample_plan(30, 0.05, 0.10, 2)
    with pytest.raises(PlanError, match="accepted is 0 or more"):
        sample_plan(30, 0.05, 0.10, -1)
    with pytest.raises(PlanError, match="between 0 and 1"):
        sample_plan(30, 1.0, 0.10)
    with pytest.raises(PlanError, match="N up to"):
        chance_of_at_most(0, 10_000_000, 5, 10)


def test_the_bound_of_a_hundred_thousand_pieces_takes_no_time() -> None:
    def bound() -> None:
        most_nonconforming(100_000, 50_000, 1_000, 0.025)

    assert median(repeat(bound, timer=process_time, number=1, repeat=9)) < 0.020


def test_the_service_starts_without_scipy_and_a_bound_needs_none() -> None:
    program = (
        "import sys, daemon.service, rules.finite_lot as lot;"
        "lot.most_nonconforming(500, 200, 2, 0.025);"
        "sys.exit(str([m for m in sys.modules if m.split('.')[0] == 'scipy'] or ''))"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert ran.stderr.strip() == ""
