"""Why clampings of one collet differ: TIR = 2|m + e + s|, vectors across the axis.

``e`` is the collet's own eccentricity, normal per axis over the lot; ``s`` is what each
tightening adds anew, normal per axis; ``m`` is the holder's, constant. So run-out is never
normal: given the collet, half a TIR follows the Rice law (S. O. Rice, Bell System Technical
Journal 24, 1945); over the lot, Rice again with both spreads together, and Rayleigh's law
where the holder is perfect. Between two clampings the collet is turned in the holder by
``step_deg``, which turns ``e`` against ``m``.

Lengths are micrometres as floats: nothing here decides about a piece. numpy and scipy are
imported where they compute.
"""

from dataclasses import dataclass
from functools import cache
from math import exp, hypot, sqrt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy import complex128, float64
    from numpy.typing import NDArray

_RADII = 160
"""Nodes over the length of the collet's own vector."""

_DIRECTIONS = 24
"""Nodes over its direction against the holder's: the trapezium rule, periodic."""

_FARTHEST = 9.0
"""In standard deviations per axis: a longer vector has a chance of 3e-18."""


class SpreadError(ValueError):
    """A spread that can't be computed with; the message says which number and why."""


@dataclass(frozen=True, slots=True)
class Spread:
    """How a lot's clampings spread. Micrometres, standard deviations per axis.

    Attributes:
        own_um: Of the collets' own vectors, above 0.
        scatter_um: Of what a tightening adds, above 0.
        holder_um: Length of the holder's vector (half its run-out), 0 or more.
        step_deg: Turn of the collet in the holder between two clampings.
    """

    own_um: float
    scatter_um: float
    holder_um: float = 0.0
    step_deg: float = 120.0

    def __post_init__(self) -> None:
        if not (self.own_um > 0 and self.scatter_um > 0 and self.holder_um >= 0):
            raise SpreadError(
                f"own {self.own_um}, scatter {self.scatter_um}, holder {self.holder_um} µm: "
                "accepted is above 0, above 0, 0 or more"
            )

    @property
    def together_um(self) -> float:
        """Return the standard deviation per axis of one clamping over the lot."""
        return hypot(self.own_um, self.scatter_um)

    def share_beyond(self, limit_um: float) -> float:
        """Return the share of pieces whose one clamping is above the limit."""
        return 1.0 - rice_cdf(limit_um / 2, self.holder_um, self.together_um)

    def own_share_beyond(self, limit_um: float) -> float:
        """Return the share of collets whose own run-out 2|e| is above the limit."""
        return exp(-0.5 * (limit_um / 2 / self.own_um) ** 2) if limit_um > 0 else 1.0

    def percentile_um(self, share: float) -> float:
        """Return the TIR that this share of single clampings does not exceed, 0 < share < 1."""
        return 2 * rice_percentile(share, self.holder_um, self.together_um)


def rice_cdf(radius_um: float, centre_um: float, sigma_um: float) -> float:
    """Return P(|centre + s| ≤ radius) for a normal vector s: the non-central χ² of two."""
    from scipy.special import chndtr

    if radius_um <= 0:
        return 0.0
    return float(chndtr((radius_um / sigma_um) ** 2, 2, (centre_um / sigma_um) ** 2))


def rice_percentile(share: float, centre_um: float, sigma_um: float) -> float:
    """Return the radius that |centre + s| does not exceed with this chance, 0 < share < 1."""
    from scipy.special import chndtrix

    return sigma_um * sqrt(float(chndtrix(share, 2, (centre_um / sigma_um) ** 2)))


def chance_all_within(spread: Spread, limit_um: float, clampings: int) -> float:
    """Return the share of pieces whose first so many clampings are all at most the limit."""
    vectors, weights = _own_vectors(spread)
    return float(weights @ _all_within(spread, vectors, limit_um, 0, clampings))


def one_more_beyond(
    spread: Spread, acceptance_um: float, limit_um: float, clampings: int
) -> float:
    """Return the chance that one more clamping of an accepted piece is above the limit.

    Args:
        spread: How the lot's clampings spread.
        acceptance_um: What all its clampings had to be within.
        limit_um: What the next one is compared with: the tolerance limit, as the customer
            would.
        clampings: How many were made, 1 or more.
    """
    vectors, weights = _own_vectors(spread)
    accepted = weights * _all_within(spread, vectors, acceptance_um, 0, clampings)
    still = _all_within(spread, vectors, limit_um, clampings, 1)
    return float(1.0 - (accepted @ still) / accepted.sum())


@cache
def legendre_nodes(count: int) -> tuple["NDArray[float64]", "NDArray[float64]"]:
    """Return Gauss-Legendre nodes and weights on −1 … 1; finding them takes milliseconds."""
    import numpy as np

    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def _own_vectors(spread: Spread) -> tuple["NDArray[complex128]", "NDArray[float64]"]:
    """Return nodes and weights over the collets' own vectors; the weights sum to 1."""
    import numpy as np

    x, w = legendre_nodes(_RADII)
    radius = 0.5 * _FARTHEST * (x + 1)
    weight = w * radius * np.exp(-0.5 * radius**2)
    count = _DIRECTIONS if spread.holder_um > 0 else 1
    turns = np.exp(2j * np.pi * np.arange(count) / count)
    vectors = (spread.own_um * radius[:, None] * turns[None, :]).ravel()
    weights = np.repeat(weight / weight.sum() / count, count)
    return vectors, weights


def _all_within(
    spread: Spread, vectors: "NDArray[complex128]", limit_um: float, after: int, clampings: int
) -> "NDArray[float64]":
    """Return, for each own vector, the chance that clampings after+1 … are all within."""
    import numpy as np
    from scipy.special import chndtr

    within: NDArray[float64] = np.ones(len(vectors))
    if limit_um <= 0:
        return np.zeros(len(vectors))
    square = (limit_um / 2 / spread.scatter_um) ** 2
    for number in range(after, after + clampings):
        turned = vectors * np.exp(1j * np.radians(spread.step_deg * number))
        centre = np.abs(spread.holder_um + turned) / spread.scatter_um
        within *= chndtr(square, 2, centre**2)
    return within
