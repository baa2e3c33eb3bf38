"""Clampings that read alike, values that never fall, clampings too soon for a hand."""

from collections import Counter
from dataclasses import replace
from math import hypot, pi, sqrt
from random import Random

import pytest

from rules.capture_model import CaptureRules, Noticed, Seen
from rules.clamping import PositionRunOut
from rules.diagnosis import evaluate_diagnosed
from rules.likeness import are_alike, false_call_rate
from rules.reading import Reading
from tests.rules.bench_tape import INDEX, S, captured, clampings, loosenings, tape
from tests.rules.turned_sweeps import RULES, Pin, Reader, steady

SINGLE = replace(INDEX, mode="single-value")


def noticed(events: list[Seen], rules: CaptureRules) -> list[tuple[str, bool]]:
    _, outcomes = captured(events, rules)
    return [(o.what, o.is_on) for o in outcomes if isinstance(o, Noticed)]


def values(*um: float) -> list[Seen]:
    return [
        Seen("IND-1", Reading(round(v * 1000)), (10 + 20 * k) * S) for k, v in enumerate(um)
    ]


def test_seven_values_that_never_fall_raise_an_alarm_and_count_all_the_same() -> None:
    events = values(1, 2, 2, 3, 5, 5.5)
    assert noticed(events, SINGLE) == []
    events = values(1, 2, 2, 3, 5, 5.5, 5.5, 6)
    assert noticed(events, SINGLE) == [("values-never-fall", True)]
    assert [c.invalid for c in clampings(events, SINGLE)] == [None] * 8


def test_the_alarm_is_over_when_a_value_falls() -> None:
    events = values(1, 2, 3, 4, 5, 6, 7, 3)
    assert noticed(events, SINGLE) == [
        ("values-never-fall", True),
        ("values-never-fall", False),
    ]


def test_honest_values_seldom_raise_it() -> None:
    rng = Random(1)
    # One start in 7! rises seven times (combinatorics): runs of it are rarer than that.
    events = values(*(rng.uniform(1, 9) for _ in range(5_000)))
    assert len(noticed(events, SINGLE)) <= 2 * 5


def never_fall(shares: list[float], count: int) -> float:
    """Return how often so many independent values never fall, of values of these shares.

    The complete homogeneous symmetric polynomial of the shares (combinatorics); 1/count!
    where no two are equal.
    """
    ways = list(shares)
    for _ in range(count - 1):
        ways = [sum(ways[: i + 1]) * share for i, share in enumerate(shares)]
    return sum(ways)


def test_values_that_are_never_equal_rise_once_in_a_factorial() -> None:
    assert never_fall([1 / 4_000] * 4_000, 4) == pytest.approx(1 / 24, rel=0.01)


@pytest.mark.long
def test_honest_finished_values_raise_it_as_often_as_combinatorics_says() -> None:
    """TIR of two normal offsets of 1 µm an axis (Rayleigh); coarse steps make ties."""
    rng, count = Random(7), 60_000
    print("\nstep µm   alarms   expected   (of 60 000 honest values)")
    for step_um in (0.1, 0.5, 1.0):
        drawn = [
            round(2 * hypot(rng.gauss(0, 1), rng.gauss(0, 1)) / step_um) for _ in range(count)
        ]
        alarms = sum(
            is_on for _, is_on in noticed(values(*(v * step_um for v in drawn)), SINGLE)
        )
        of_value = Counter(drawn)
        shares = [of_value[value] / count for value in sorted(of_value)]
        # An alarm begins where seven never fell and the one before was above their first.
        expected = count * (never_fall(shares, 7) - never_fall(shares, 8))
        print(f"{step_um:7.1f}   {alarms:6}   {expected:8.1f}")
        assert abs(alarms - expected) < 4 * sqrt(expected)


def test_the_same_tightening_read_twice_is_noticed_and_counts() -> None:
    written = tape().reclamp(4.0, 0.3).turn(3.4).rest(2).lift(8).rest(1.5).turn(3.4)
    found = clampings(written.events, INDEX)
    assert [c.invalid for c in found] == [None, None]
    _, outcomes = captured(written.events, INDEX)
    assert [o.what for o in outcomes if isinstance(o, Noticed)] == ["clampings-alike"]


def test_a_collet_rotated_between_is_not_noticed() -> None:
    written = tape().reclamp(4.0, 0.3).turn(3.4).rest(2).reclamp(4.0, 0.63).turn(3.4)
    _, outcomes = captured(written.events, INDEX)
    assert [o for o in outcomes if isinstance(o, Noticed)] == []


def test_a_clamping_sooner_than_a_hand_can_make_it_waits_for_a_loosening() -> None:
    written = tape().honest(4.0).lift(1.0).rest(0.7).turn(6)
    assert len(clampings(written.events, INDEX)) == 1
    written.lift(9).rest(1).turn(3.4)
    assert len(clampings(written.events, INDEX)) == 2
    assert loosenings(written.events, INDEX).count("stylus-lift") >= 2


@pytest.mark.parametrize(("e_um", "rate"), [(0.0, 0.0155), (0.9, 0.0)])
def test_the_rate_of_false_calls_by_eccentricity(e_um: float, rate: float) -> None:
    """Rayleigh for a perfect collet: 1 − exp(−(0.1 / 0.566)² / 2); it hits the best ones."""
    assert false_call_rate(e_um, 0.4, 0.1) == pytest.approx(rate, abs=0.0005)


@pytest.mark.long
def test_false_calls_are_as_often_as_the_formula_says() -> None:
    rng, rules = Random(11), RULES["index"]
    print(
        "\ne µm   called alike   formula  (scatter 0.4 µm an axis, step 0.1 µm, 120° between)"
    )
    for e_um in (0.0, 0.15, 0.3, 0.6, 0.9):
        calls = sum(_pair(rng, e_um) for _ in range(1_500))
        expected = false_call_rate(e_um, 0.4, rules.step_nm / 1000)
        print(f"{e_um:4.2f}   {calls / 1_500:10.2%}   {expected:8.2%}")
        assert calls / 1_500 == pytest.approx(expected, abs=0.012)


def _pair(rng: Random, e_um: float) -> bool:
    seen = []
    for turned in (0.0, 1 / 3):
        x, y = rng.gauss(0, 400), rng.gauss(0, 400)
        vector = complex(x, y) + 1000 * e_um * complex(1, 0) * complex(-0.5, 0.866) ** (
            3 * turned
        )
        pin = Pin(((abs(vector), _turns(vector)),))
        sweep = Reader(rng).sweep(pin, steady(), RULES["index"])
        run_out = evaluate_diagnosed(sweep, RULES["index"])
        seen.append([PositionRunOut("IND-1", "far", sweep, run_out)])
    return are_alike(seen[0], seen[1], RULES["index"].step_nm)


def _turns(vector: complex) -> float:
    from cmath import phase

    return phase(vector) / (2 * pi)
