"""Two spreads fitted to clampings that stop early: exact integrals, published values."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.special import i0e
from scipy.stats import anderson, expon, rayleigh, rice

from rules.capability import first_clampings
from rules.distribution import DistributionError, counted_share, fit
from rules.distribution_plot import plot
from rules.likelihood import log_likelihood, observed
from rules.scatter_model import Spread

LOT_A = Spread(own_um=0.9, scatter_um=0.4, holder_um=0.2)


def clamped(
    pieces: int, spread: Spread, seed: int, stop_above_um: float | None = 3.2
) -> list[list[float]]:
    """Return run-outs of pieces clamped up to three times, each until one is beyond."""
    rng = np.random.default_rng(seed)
    lot = []
    for _ in range(pieces):
        own = spread.own_um * complex(*rng.normal(size=2))
        seen: list[float] = []
        for number in range(3):
            turned = own * np.exp(1j * math.radians(spread.step_deg * number))
            scatter = spread.scatter_um * complex(*rng.normal(size=2))
            seen.append(float(2 * abs(spread.holder_um + turned + scatter)))
            if stop_above_um is not None and seen[-1] > stop_above_um:
                break
        lot.append(seen)
    return lot


def summed_over_the_plane(tirs: tuple[float, ...], spread: Spread) -> float:
    """Return the logarithm of a piece's likelihood by a fine square grid over e."""
    axis = np.linspace(-8 * spread.own_um, 8 * spread.own_um, 1_601)
    own = axis[:, None] + 1j * axis[None, :]
    density = np.exp(-0.5 * (abs(own) / spread.own_um) ** 2) / spread.own_um**2 / (2 * math.pi)
    for number, tir in enumerate(tirs):
        turned = own * np.exp(1j * math.radians(spread.step_deg * number))
        centre, square = abs(spread.holder_um + turned), spread.scatter_um**2
        density *= tir / 2 / square * np.exp(-((tir / 2 - centre) ** 2) / 2 / square)
        density *= i0e(tir / 2 * centre / square)
    return math.log(density.sum() * (axis[1] - axis[0]) ** 2)


@pytest.mark.parametrize(
    "spread",
    [
        Spread(0.9, 0.4),
        Spread(0.9, 0.4, 0.2, 0.0),
        Spread(0.9, 0.4, 0.2),
        Spread(0.5, 0.5, 1.0),
        Spread(0.1, 0.8, 0.3),
    ],
)
@pytest.mark.parametrize("tirs", [(3.0,), (2.0, 2.6), (1.0, 4.0, 2.2), (0.02, 0.5, 0.1)])
def test_a_pieces_likelihood_is_the_integral_over_the_plane(
    spread: Spread, tirs: tuple[float, ...]
) -> None:
    seen = observed([tirs], spread.holder_um, spread.step_deg)
    assert log_likelihood(spread.own_um, spread.scatter_um, seen) == pytest.approx(
        summed_over_the_plane(tirs, spread), abs=1e-6
    )


def test_one_clamping_has_the_likelihood_of_rices_law() -> None:
    seen = observed([[3.0], [1.0]], 0.2)
    sigma = math.hypot(0.9, 0.4)
    expected = sum(rice.logpdf(r, 0.2 / sigma, scale=sigma) for r in (1.5, 0.5))
    assert log_likelihood(0.9, 0.4, seen) == pytest.approx(float(expected), abs=1e-9)


def test_a_large_lot_in_parts_has_the_likelihood_of_its_pieces() -> None:
    lot = clamped(300, LOT_A, 1)
    whole = log_likelihood(0.9, 0.4, observed(lot, 0.2))
    parts = sum(log_likelihood(0.9, 0.4, observed([piece], 0.2)) for piece in lot)
    assert whole == pytest.approx(parts, rel=1e-9)


def test_stopping_early_leaves_the_fit_unbiased_where_plain_figures_are_not() -> None:
    """1 500 pieces, once with all three clampings and once stopped at the first beyond."""
    kept = Spread(0.9, 0.4, 0.2, step_deg=0.0)
    full = clamped(1_500, kept, 2, stop_above_um=None)
    stopped = [
        piece[: next((k for k, tir in enumerate(piece, 1) if tir > 3.2), 3)] for piece in full
    ]
    of_all, of_some = (fit(lot, 0.2, 0.0, most=1_500) for lot in (full, stopped))
    for fitted in (of_all, of_some):
        assert fitted.best.own_um == pytest.approx(0.9, abs=0.05)
        assert fitted.best.scatter_um == pytest.approx(0.4, abs=0.02)
    # the same lot by a plain mean over all clampings made reads far too good …
    mean_of_all = np.mean([tir for piece in full for tir in piece])
    mean_of_some = np.mean([tir for piece in stopped for tir in piece])
    assert mean_of_some < 0.94 * mean_of_all
    # … and so does the share beyond among them, which the fit gets right
    beyond = np.mean([tir > 4.0 for piece in stopped for tir in piece])
    truth = LOT_A.share_beyond(4.0)
    assert beyond < 0.75 * truth
    assert of_some.share_beyond(4.0).value == pytest.approx(truth, rel=0.15)


def test_intervals_hold_the_truth_and_widen_for_few_pieces() -> None:
    widths = []
    for pieces in (8, 30, 120):
        fitted = fit(clamped(pieces, LOT_A, 5), 0.2)
        share = fitted.share_beyond(4.0)
        assert share.low <= share.value <= share.high
        assert share.low < LOT_A.share_beyond(4.0) < share.high
        widths.append(share.high - share.low)
    assert widths == sorted(widths, reverse=True)
    assert widths[0] > 0.25  # eight pieces: no brave number


def test_the_profile_interval_is_that_of_walking_the_ridge() -> None:
    """Another way to the same interval: fix the spread of the collets, fit the other one."""
    lot = clamped(60, Spread(0.9, 0.4), 9)
    fitted = fit(lot)
    seen = observed(lot)

    def ridge(own: float) -> float:
        return max(log_likelihood(own, s, seen) for s in np.geomspace(0.2, 0.9, 160))

    top = log_likelihood(fitted.best.own_um, fitted.best.scatter_um, seen)
    interval = fitted.estimate(lambda spread: spread.own_um)
    for end in (interval.low, interval.high):
        # F of 1 and about 100 degrees: 3.94 is its 95 % point, half of it in logarithms
        assert top - ridge(end) == pytest.approx(3.94 / 2, rel=0.12)


def test_a_holder_nobody_measured_widens_the_interval_of_the_scatter() -> None:
    lot = clamped(12, LOT_A, 12)
    known, unknown = fit(lot, 0.2), fit(lot, None)
    assert (known.holder_given, unknown.holder_given) == (True, False)
    assert unknown.best.holder_um >= 0

    def width(fitted_lot: float | None) -> float:
        fitted = known if fitted_lot is not None else unknown
        interval = fitted.estimate(lambda spread: spread.scatter_um)
        return interval.high - interval.low

    assert width(None) > width(0.2)


def test_pieces_clamped_once_tell_no_two_spreads_apart() -> None:
    with pytest.raises(DistributionError, match="1 pieces with two clampings or more"):
        fit([[2.0], [3.0], [1.0, 1.2], []])
    with pytest.raises(ValueError, match="accepted is 0 µm or more"):
        fit([[2.0, -1.0], [1.0, 1.0]])


def test_a_long_lot_is_fitted_by_pieces_taken_evenly() -> None:
    lot = clamped(90, LOT_A, 6)
    assert fit(lot, most=30).best == fit(lot[::3]).best


def test_a_run_out_shown_as_zero_is_no_disaster() -> None:
    assert math.isfinite(log_likelihood(0.9, 0.4, observed([[0.0, 0.0], [2.0]], 0.2)))


def test_capability_of_rayleighs_law() -> None:
    # ISO 22514-2/-4 percentile method; Rayleigh with 2 µm, U = 10 µm (computed): PpkU =
    # 1.555241, P(> U) = 3.7267e-6; a normal law's Cpu would say 1.906
    law = first_clampings([2 * math.sqrt(2)] * 50)  # mean square radius 2 is a spread of 1
    assert law.spread_um.value == pytest.approx(1.0)
    assert law.ppk_upper(10.0).value == pytest.approx(1.555241, abs=2e-6)
    assert law.share_beyond(10.0).value == pytest.approx(3.7267e-6, rel=1e-4)
    assert law.percentile_um(0.5).value == pytest.approx(2 * 1.177410, abs=3e-6)
    assert not law.is_described  # fifty equal values are no sample of it


def test_the_interval_of_the_spread_is_exact() -> None:
    """Rayleigh: ∑ r²/σ² is χ² with 2n degrees of freedom; tables: n = 10, 9.591 and 34.170."""
    law = first_clampings([2 * math.sqrt(2)] * 10)
    assert law.spread_um.low == pytest.approx(math.sqrt(20 / 34.170), rel=1e-4)
    assert law.spread_um.high == pytest.approx(math.sqrt(20 / 9.591), rel=1e-4)
    index = law.ppk_upper(8.0)
    assert index.low < index.value < index.high


def test_the_interval_with_a_holder_covers_as_stated() -> None:
    rng = np.random.default_rng(8)
    hit = 0
    for _ in range(400):
        x, y = rng.normal(0, 0.9, (2, 12))
        law = first_clampings(list(2 * np.hypot(0.7 + x, y)), 0.7, 0.90)
        hit += law.spread_um.low <= 0.9 <= law.spread_um.high
    assert hit / 400 == pytest.approx(0.90, abs=3 * math.sqrt(0.9 * 0.1 / 400))


def test_the_fit_is_judged_by_the_statistic_of_anderson_and_darling() -> None:
    # r² of Rayleigh's law is exponential, fitted by its mean either way: scipy knows that
    # case and says 1.32 is its 5 % point (Stephens 1974, 1.321)
    radii = rayleigh.rvs(size=40, random_state=3)
    table = anderson(radii**2, "expon", method="interpolate")
    law = first_clampings(list(2 * radii))
    below = np.sort(expon.cdf(radii**2 / np.mean(radii**2)))
    odd = 2 * np.arange(1, 41) - 1
    statistic = -40 - np.sum(odd * (np.log(below) + np.log(1 - below[::-1]))) / 40
    assert statistic == pytest.approx(table.statistic, rel=1e-9)
    assert (law.fit_chance > 0.05) == (statistic < 1.321 / (1 + 0.6 / 40))


def test_outliers_are_seen_not_fitted_away() -> None:
    rng = np.random.default_rng(4)
    first = [piece[0] for piece in clamped(300, LOT_A, 4)]
    assert first_clampings(first, 0.2).is_described
    for number in rng.choice(300, 12, replace=False):
        first[number] *= 3.5
    assert not first_clampings(first, 0.2).is_described


def test_first_clampings_that_make_no_law_are_refused() -> None:
    with pytest.raises(DistributionError, match="two or more"):
        first_clampings([2.0])
    with pytest.raises(DistributionError, match="check the master's value"):
        first_clampings([1.0, 1.1, 0.9], holder_um=2.0)


def test_bare_counts_have_the_interval_of_clopper_and_pearson() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.1: 4 of 20, 90 %: (0.071354, 0.401029), its last digit
    # off; R 4.2.2 binom.test(4, 20, conf.level = .9): 0.07135388 0.4010281;
    # binom.test(3, 212, conf.level = .9): 0.00386785038479 0.03616561423283
    nist = counted_share(4, 20, 0.90)
    assert (nist.low, nist.high) == pytest.approx((0.07135388, 0.4010281), abs=1e-7)
    few = counted_share(3, 212, 0.90)
    assert (few.low, few.high) == pytest.approx((0.00386785038479, 0.03616561423283), abs=1e-12)
    assert counted_share(0, 10).low == 0.0
    assert counted_share(10, 10).high == 1.0
    with pytest.raises(DistributionError, match="0 ≤ x ≤ n"):
        counted_share(3, 2)


def test_a_plot_counts_every_piece_once_and_a_limit_belongs_below() -> None:
    lines = plot([0.0, 0.4, 0.5, 0.5, 1.0, 4.0], None, limits_um=[4.0])
    bars = [line for line in lines if "│" in line]
    assert sum(int(line.rsplit(" ", 1)[1]) for line in bars) == 6
    assert bars[-1].startswith("   3.8 …   4.0 µm") or bars[-1].endswith(" 1")
    assert lines[-1].startswith(" limit      4.0 µm")


def test_a_plot_shows_what_the_law_expects() -> None:
    first = [piece[0] for piece in clamped(200, LOT_A, 21)]
    law = first_clampings(first, 0.2)
    lines = plot(first, law, limits_um=[4.0, 12.0])
    expected = [float(line.split("law ")[1].rstrip(")")) for line in lines if "law" in line]
    assert sum(expected) == pytest.approx(200, abs=1.0)
    counts = [int(line.split("  (law")[0].rsplit(" ", 1)[1]) for line in lines if "law" in line]
    assert sum(counts) == 200
    lows = [float(line.split("…")[0]) for line in lines if "…" in line]
    assert all(b > a for a, b in pairwise(lows))
