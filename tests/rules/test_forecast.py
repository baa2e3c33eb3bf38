"""The forecast of an order, against R, scipy and urns drawn by hand."""

from itertools import product
from random import Random
from statistics import median
from time import process_time
from timeit import repeat

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import betabinom

from rules.forecast import CLEAR_AT, WARN_AT, clampings_until_filled, forecast


def test_an_order_of_the_check_values() -> None:
    # 26 of 40 measured, 160 left, Jeffreys: mean 103.41463, 5–95 % 81–124,
    # P(at least 90) = 0.8504398: scipy; R 4.2.2, extraDistr pbbinom: 0.850439701736
    seen = forecast(measured=40, good=26, unmeasured=160, missing=90)
    assert seen.expected_good == pytest.approx(103.41463, abs=5e-6)
    assert seen.good_range == (81, 124)
    assert 1 - seen.runs_out == pytest.approx(0.850439701736, abs=1e-11)


def test_pieces_until_filled_are_those_of_r() -> None:
    # R 4.2.2: k <- 90:160; p <- exp(lchoose(k-1,89) + lbeta(116.5,14.5+k-90)
    #   - lbeta(26.5,14.5)); first k with cumsum(p) >= .05, .5; sum(min(k,160) p) over all
    seen = forecast(measured=40, good=26, unmeasured=160, missing=90)
    assert seen.pieces_range == (115, 138, None)
    assert seen.expected_pieces == pytest.approx(138.881761208, abs=1e-8)


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_both_laws_of_the_urn_agree_with_scipy(data: st.DataObject) -> None:
    measured = data.draw(st.integers(0, 200))
    good = data.draw(st.integers(0, measured))
    unmeasured = data.draw(st.integers(1, 300))
    missing = data.draw(st.integers(1, unmeasured))
    seen = forecast(measured, good, unmeasured, missing)
    a, b = good + 0.5, measured - good + 0.5
    urn = betabinom(unmeasured, a, b)
    assert seen.runs_out == pytest.approx(urn.cdf(missing - 1), abs=1e-9)
    for share, pieces in zip((0.05, 0.5, 0.95), seen.pieces_range, strict=True):
        if pieces is None:
            assert urn.sf(missing - 1) < share + 1e-8
        else:
            assert betabinom.sf(missing - 1, pieces, a, b) >= share - 1e-8
            assert betabinom.sf(missing - 1, pieces - 1, a, b) < share + 1e-8
    for share, number in zip((0.05, 0.95), seen.good_range, strict=True):
        assert urn.cdf(number) >= share - 1e-8
        assert urn.cdf(number - 1) < share + 1e-8


def test_a_small_urn_is_that_of_every_order_written_out() -> None:
    """3 of 4 were good, 6 are left, 3 missing: all 64 futures, each with its own chance."""
    a, b = 3.5, 1.5
    pieces = found = runs_out = 0.0
    for future in product((0, 1), repeat=6):
        chance, x, y = 1.0, a, b
        for is_good in future:  # Pólya's urn: every draw adds one of its kind
            chance *= (x if is_good else y) / (x + y)
            x, y = x + is_good, y + 1 - is_good
        used = next((k for k in range(1, 7) if sum(future[:k]) == 3), 6)
        pieces += chance * used
        found += chance * min(3, sum(future))
        runs_out += chance * (sum(future) < 3)
    seen = forecast(measured=4, good=3, unmeasured=6, missing=3)
    assert seen.expected_pieces == pytest.approx(pieces, abs=1e-12)
    assert seen.expected_found == pytest.approx(found, abs=1e-12)
    assert seen.runs_out == pytest.approx(runs_out, abs=1e-12)


def test_clampings_follow_from_the_pieces() -> None:
    seen = forecast(measured=40, good=26, unmeasured=160, missing=40)
    assert None not in seen.pieces_range
    clampings = clampings_until_filled(seen, per_good=3.0, per_other=1.5)
    for pieces, expected in zip(seen.pieces_range, clampings.range, strict=True):
        assert pieces is not None
        assert expected == pytest.approx(40 * 3 + (pieces - 40) * 1.5)
    # far from running out, the order's own pieces are all found
    assert seen.expected_found == pytest.approx(40, abs=1e-3)
    assert clampings.expected == pytest.approx(
        120 + (seen.expected_pieces - 40) * 1.5, abs=0.01
    )


def test_a_filled_order_needs_nothing_and_a_short_lot_is_certain() -> None:
    filled = forecast(measured=10, good=5, unmeasured=20, missing=0)
    assert filled.pieces_range == (0, 0, 0)
    assert (filled.expected_pieces, filled.runs_out, filled.is_short()) == (0.0, 0.0, False)
    short = forecast(measured=2, good=2, unmeasured=5, missing=6)
    assert short.pieces_range == (None, None, None)
    assert (short.runs_out, short.is_short()) == (1.0, True)
    over = forecast(measured=2, good=1, unmeasured=0, missing=1)
    assert (over.runs_out, over.expected_pieces, over.good_range) == (1.0, 0.0, (0, 0))


def test_a_warning_waits_for_ten_pieces_and_one_good_piece_does_not_clear_it() -> None:
    assert forecast(9, 0, 51, 30).runs_out > 0.99
    assert not forecast(9, 0, 51, 30).is_short()
    assert forecast(10, 0, 50, 30).is_short()
    between = forecast(20, 9, 40, 21)
    assert CLEAR_AT < between.runs_out < WARN_AT
    assert not between.is_short(was_short=False)
    assert between.is_short(was_short=True)


def test_an_order_filled_by_chance_of_a_half_is_the_median() -> None:
    # one of each seen: the urn is symmetric, so 51 good of 101 have a chance of one half
    assert forecast(2, 1, 101, 51).pieces_range[1] == 101


@pytest.mark.parametrize("numbers", [(3, 4, 5, 1), (3, -1, 5, 1), (3, 1, -1, 1), (3, 1, 5, -1)])
def test_numbers_that_do_not_fit_are_refused(numbers: tuple[int, int, int, int]) -> None:
    with pytest.raises(ValueError, match="accepted is 0 ≤ good ≤ measured"):
        forecast(*numbers)


def test_a_hundred_thousand_pieces_are_forecast_in_time() -> None:
    """The issue's limit: 20 ms after each piece, scipy not needed."""
    rng = Random(1)

    def one() -> None:
        good = rng.randrange(1_000, 4_000)
        forecast(5_000, good, 95_000, 30_000)

    assert median(repeat(one, timer=process_time, number=1, repeat=9)) < 0.020


def test_large_lots_keep_their_digits() -> None:
    seen = forecast(5_000, 2_500, 95_000, 47_400)
    expected = betabinom.cdf(47_399, 95_000, 2_500.5, 2_500.5)
    assert seen.runs_out == pytest.approx(expected, rel=1e-7)
    draws = np.random.default_rng(3).beta(2_500.5, 2_500.5, 20_000)
    simulated = np.random.default_rng(4).binomial(95_000, draws)
    assert seen.good_range[0] == pytest.approx(np.quantile(simulated, 0.05), abs=40)
