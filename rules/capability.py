"""Capability by percentiles, from first clampings alone (ISO 22514-2 sense).

Later clampings are selected: only pieces that were within go on to them. Run-out has one
limit, so there is one index, PpkU = (U − X₅₀) / (X₉₉.₈₆₅ − X₅₀), with the percentiles of the
law that fits and not of a normal one, which would promise far too much.

The law is Rice's about the holder's vector m (`rules.scatter_model`), so only one spread is
unknown, and its interval is exact: ∑ (TIR/2)² / σ² is non-central χ² with 2n degrees of
freedom and non-centrality n m²/σ². Whether the law fits is asked by the statistic of Anderson
and Darling (JASA 49, 1954), its chance found by drawing from the fitted law itself, with a
fixed seed; where it does not fit, the index is not to be quoted.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

from rules.distribution import LEVEL, DistributionError, Estimate
from rules.likelihood import LEAST_RADIUS_UM
from rules.scatter_model import rice_cdf, rice_percentile

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

DRAWS = (99, 999)
"""Fewest and most samples drawn to judge the fit: its chance is known to a hundredth or so."""

_VALUES = 2_000_000
"""Values drawn at once, and in all where that still gives the fewest samples."""

FITS_ABOVE = 0.05
"""A law is said not to fit when so few samples of it lie as far off."""

_SEED = 20_611


@dataclass(frozen=True, slots=True)
class FirstClampings:
    """The law of a lot's first clampings.

    Attributes:
        pieces: Pieces it rests on.
        holder_um: Length of the holder's vector, as given.
        spread_um: Standard deviation per axis, collets and clamping together, with interval.
        fit_chance: How often a sample of the fitted law lies as far off as this one, 0 … 1.
    """

    pieces: int
    holder_um: float
    spread_um: Estimate
    fit_chance: float

    @property
    def is_described(self) -> bool:
        """Return whether the law describes these pieces."""
        return self.fit_chance > FITS_ABOVE

    def share_beyond(self, limit_um: float) -> Estimate:
        """Return the share of first clampings above the limit, by the law."""
        value, low, high = (
            1.0 - rice_cdf(limit_um / 2, self.holder_um, s) for s in self._spreads()
        )
        return Estimate(value, low, high)

    def percentile_um(self, share: float) -> Estimate:
        """Return the TIR that this share does not exceed, 0 < share < 1."""
        value, low, high = (
            2 * rice_percentile(share, self.holder_um, s) for s in self._spreads()
        )
        return Estimate(value, low, high)

    def ppk_upper(self, limit_um: float) -> Estimate:
        """Return PpkU against an upper limit; below 0 where the median is above it."""
        value, low, high = (self._ppk(limit_um, s) for s in self._spreads())
        return Estimate(value, high, low)  # a larger spread is a smaller index

    def _ppk(self, limit_um: float, spread_um: float) -> float:
        median, top = (
            2 * rice_percentile(share, self.holder_um, spread_um) for share in (0.5, 0.99865)
        )
        return (limit_um - median) / (top - median)

    def _spreads(self) -> tuple[float, float, float]:
        return self.spread_um.value, self.spread_um.low, self.spread_um.high


def first_clampings(
    tirs_um: Sequence[float], holder_um: float = 0.0, level: float = LEVEL
) -> FirstClampings:
    """Return the law of first clampings with its interval and whether it fits.

    Args:
        tirs_um: Run-out of each piece's first valid clamping, micrometres, of all pieces.
        holder_um: Length of the holder's vector: half the master's run-out.
        level: Confidence of the intervals.

    Raises:
        DistributionError: If there are fewer than two pieces, or the holder's vector alone
            is longer than what they show.
    """
    import numpy as np

    if len(tirs_um) < 2 or min(tirs_um) < 0 or holder_um < 0:
        raise DistributionError(
            f"{len(tirs_um)} first clampings, holder {holder_um} µm: accepted are two or "
            "more, none below 0"
        )
    radii = np.maximum(np.asarray(tirs_um, dtype=np.float64) / 2, LEAST_RADIUS_UM)
    square = float(radii @ radii)
    value = _spread_um(square / len(radii), holder_um)
    tail = (1 - level) / 2
    interval = Estimate(
        value,
        _solve(square, len(radii), holder_um, 1 - tail, value),
        _solve(square, len(radii), holder_um, tail, value),
    )
    return FirstClampings(len(radii), holder_um, interval, _fit_chance(radii, holder_um, value))


def _spread_um(mean_square: float, holder_um: float) -> float:
    """Return the spread whose mean square radius is this one: m² + 2σ²."""
    left = (mean_square - holder_um**2) / 2
    if left <= 0:
        raise DistributionError(
            f"holder {holder_um:g} µm: the pieces' mean run-out is below the holder's own "
            f"{2 * holder_um:g} µm; check the master's value"
        )
    return sqrt(left)


def _solve(square: float, n: int, holder_um: float, chance: float, begin_um: float) -> float:
    """Return the spread at which a sum of squares this small has the chance."""
    from scipy.special import chndtr

    low, high = begin_um / 1e3, begin_um * 1e3
    while high / low > 1 + 1e-10:
        middle = sqrt(low * high)
        at_most = chndtr(square / middle**2, 2 * n, n * (holder_um / middle) ** 2)
        low, high = (middle, high) if at_most > chance else (low, middle)
    return low


def _fit_chance(radii: "NDArray[float64]", holder_um: float, spread_um: float) -> float:
    """Return how often samples of the fitted law, fitted anew, lie at least as far off."""
    import numpy as np

    own = float(_anderson_darling(radii[None, :], holder_um, np.array([spread_um]))[0])
    draws = min(max(_VALUES // len(radii), DRAWS[0]), DRAWS[1])
    at_once = max(1, _VALUES // len(radii))
    rng = np.random.default_rng(_SEED)
    farther = 0
    for begin in range(0, draws, at_once):
        count = min(at_once, draws - begin)
        offsets = rng.normal(0.0, spread_um, (2, count, len(radii)))
        drawn = np.hypot(holder_um + offsets[0], offsets[1])
        squares = (drawn**2).mean(axis=1)
        floor = 0.01 * spread_um**2  # a sample may by chance show less than the holder
        spreads = np.sqrt(np.maximum((squares - holder_um**2) / 2, floor))
        farther += int((_anderson_darling(drawn, holder_um, spreads) >= own).sum())
    return (1 + farther) / (draws + 1)


def _anderson_darling(
    samples: "NDArray[float64]", holder_um: float, spreads_um: "NDArray[float64]"
) -> "NDArray[float64]":
    """Return A² of each row against Rice's law with that row's spread."""
    import numpy as np
    from scipy.special import chndtr

    scaled = np.sort(samples, axis=1) / spreads_um[:, None]
    if holder_um == 0:
        below = -np.expm1(-0.5 * scaled**2)
    else:
        below = chndtr(scaled**2, 2, (holder_um / spreads_um[:, None]) ** 2)
    below = np.clip(below, 1e-15, 1 - 1e-15)
    n = samples.shape[1]
    odd = 2 * np.arange(1, n + 1) - 1
    terms: NDArray[float64] = odd * (np.log(below) + np.log1p(-below[:, ::-1]))
    statistics: NDArray[float64] = -n - terms.sum(axis=1) / n
    return statistics
