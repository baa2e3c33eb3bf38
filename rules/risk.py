"""How often a decision is wrong: consumer's and producer's risk, JCGM 106:2012.

A reading is the measurand plus an error; of several readings of one piece part of the error
is shared (indicator, master, holder) and part is new each time. Specific risks speak of one
measured value (JCGM 106 clauses 7 and 9.3), global ones of all that will be judged (9.5):
for a measurand η with density g₀ and readings accepted in A,

    R_C = ∫ over η outside T of P(accepted | η) g₀(η) dη
    R_P = ∫ over η inside T of (1 − P(accepted | η)) g₀(η) dη

(clause numbers from memory). The measurand here is the piece's run-out, one value a piece;
how clampings scatter about it physically, and what one more would show, is in
`rules.scatter_model`.

Micrometres as floats; nothing here decides about a piece. scipy is imported where it computes.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, sqrt
from statistics import NormalDist
from typing import TYPE_CHECKING

from rules.lot_prior import Prior

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

_NORMAL = NormalDist()

_SHARED_NODES = (101, 4001)
"""Fewest and most trapezium nodes over ±8 standard uncertainties of the shared error."""


@dataclass(frozen=True, slots=True)
class Interval:
    """Permissible values, ends included; a run-out has only the upper one."""

    upper_um: float
    lower_um: float = -inf

    def __post_init__(self) -> None:
        if not self.lower_um < self.upper_um:
            raise ValueError(f"interval {self.lower_um} … {self.upper_um} µm: ends reversed")


@dataclass(frozen=True, slots=True)
class ReadingError:
    """Standard uncertainty of a reading, by what its repeats have in common.

    Attributes:
        shared_um: The same in every reading of a piece, 0 or more.
        own_um: New in each, 0 or more.
    """

    shared_um: float
    own_um: float

    def __post_init__(self) -> None:
        if self.shared_um < 0 or self.own_um < 0 or self.standard_um <= 0:
            raise ValueError(
                f"standard uncertainty shared {self.shared_um}, own {self.own_um} µm: "
                "accepted is none below 0 and one above it"
            )

    @property
    def standard_um(self) -> float:
        """Return the combined standard uncertainty of one reading."""
        return sqrt(self.shared_um**2 + self.own_um**2)

    def of_mean_um(self, readings: int) -> float:
        """Return the standard uncertainty of the mean of so many readings."""
        return sqrt(self.shared_um**2 + self.own_um**2 / readings)


def from_expanded(
    expanded_um: float, coverage_factor: float = 2.0, shared_share: float = 0.5
) -> ReadingError:
    """Return the error behind an expanded uncertainty U = k u.

    Args:
        expanded_um: U of one reading, above 0.
        coverage_factor: k, above 0.
        shared_share: Share of the variance that repeats have in common, 0 … 1.
    """
    if expanded_um <= 0 or coverage_factor <= 0 or not 0 <= shared_share <= 1:
        raise ValueError(
            f"U = {expanded_um} µm, k = {coverage_factor}, shared {shared_share}: accepted "
            "is above 0, above 0, 0 … 1"
        )
    variance = (expanded_um / coverage_factor) ** 2
    return ReadingError(sqrt(shared_share * variance), sqrt((1 - shared_share) * variance))


def conformance_probability(
    value_um: float, standard_um: float, permissible: Interval
) -> float:
    """Return p_c of one estimate with a normal standard uncertainty (JCGM 106, 7.3 and 7.4)."""
    upper = _NORMAL.cdf((permissible.upper_um - value_um) / standard_um)
    if permissible.lower_um == -inf:
        return upper
    return upper - _NORMAL.cdf((permissible.lower_um - value_um) / standard_um)


def specific_consumers_risk(
    readings_um: Sequence[float], error: ReadingError, permissible: Interval
) -> float:
    """Return the chance that a piece with these readings lies outside, from them alone.

    The mean of the readings is the estimate; its uncertainty keeps the shared part whole
    however many readings there are.

    Raises:
        ValueError: If there is no reading.
    """
    if not readings_um:
        raise ValueError("no reading: accepted is one or more")
    mean_um = sum(readings_um) / len(readings_um)
    uncertainty_um = error.of_mean_um(len(readings_um))
    return 1.0 - conformance_probability(mean_um, uncertainty_um, permissible)


def guard_band_um(conformance: float, standard_um: float) -> float:
    """Return the one-sided guard band at which p_c reaches ``conformance``, 0.5 < p_c < 1.

    0.95 gives the 1.65 u of ISO 14253-1:2017 (from memory), 0.9772 the U = 2 u of ILAC-G8.
    """
    if not 0.5 < conformance < 1 or standard_um <= 0:
        raise ValueError(
            f"conformance {conformance}, u = {standard_um} µm: accepted is above 0.5 and "
            "below 1, and u above 0"
        )
    return _NORMAL.inv_cdf(conformance) * standard_um


@dataclass(frozen=True, slots=True)
class GlobalRisks:
    """What a decision rule does to a lot. All are chances, 0 … 1.

    Attributes:
        clampings: Readings that all had to be accepted.
        accepted: Share of pieces accepted.
        consumers: R_C: accepted and truly outside.
        producers: R_P: refused and truly inside.
        outside_in_bin: Of the accepted, the share truly outside.
        refused_of_good: Of those truly inside, the share refused.
        one_more_beyond: Of the accepted, the share whose next reading, with the same shared
            error, would not be permissible.
    """

    clampings: int
    accepted: float
    consumers: float
    producers: float
    outside_in_bin: float
    refused_of_good: float
    one_more_beyond: float


def global_risks(
    prior: Prior,
    error: ReadingError,
    permissible: Interval,
    acceptance: Interval,
    clampings: int = 1,
) -> GlobalRisks:
    """Return the risks of accepting pieces whose readings are all within ``acceptance``.

    Args:
        prior: The lot.
        error: Of the readings.
        permissible: Tolerance interval, for the true value.
        acceptance: Acceptance interval, for every reading.
        clampings: Readings a piece needs, 1 or more.
    """
    import numpy as np

    values, weights = _nodes(prior, error, permissible, acceptance)
    accept, again = _accepted(values, error, permissible, acceptance, clampings)
    inside = (values <= permissible.upper_um) & (values >= permissible.lower_um)
    accepted = float(weights @ accept)
    consumers = float(weights[~inside] @ accept[~inside])
    good = float(weights[inside].sum())
    producers = float(weights[inside] @ (1 - accept[inside]))
    kept = max(accepted, np.finfo(float).tiny)
    return GlobalRisks(
        clampings, accepted, consumers, producers, consumers / kept,
        producers / max(good, np.finfo(float).tiny), 1 - float(weights @ again) / kept,
    )  # fmt: skip


def _accepted(
    values: "NDArray[float64]",
    error: ReadingError,
    permissible: Interval,
    acceptance: Interval,
    clampings: int,
) -> tuple["NDArray[float64]", "NDArray[float64]"]:
    """Return, for each true value, P(accepted) and P(accepted and the next permissible)."""
    if error.own_um == 0:  # every reading of a piece is the same: the next one too
        both = Interval(
            min(acceptance.upper_um, permissible.upper_um),
            max(acceptance.lower_um, permissible.lower_um),
        )
        shared_um = error.shared_um
        return _within(values, shared_um, acceptance), _within(values, shared_um, both)
    shared, share = _shared_nodes(error)
    centres = values[:, None] + shared[None, :]
    each = _within(centres, error.own_um, acceptance) ** clampings
    return each @ share, (each * _within(centres, error.own_um, permissible)) @ share


def _within(
    centres: "NDArray[float64]", deviation_um: float, interval: Interval
) -> "NDArray[float64]":
    """Return the chance that a reading about each centre is in the interval."""
    from scipy.special import ndtr

    chances: NDArray[float64] = ndtr((interval.upper_um - centres) / deviation_um)
    if interval.lower_um > -inf:
        chances -= ndtr((interval.lower_um - centres) / deviation_um)
    return chances


def _shared_nodes(error: ReadingError) -> tuple["NDArray[float64]", "NDArray[float64]"]:
    import numpy as np

    if error.shared_um == 0:
        return np.zeros(1), np.ones(1)
    needed = 32 * error.shared_um / error.own_um  # two to a standard uncertainty of the own
    scaled = np.linspace(-8, 8, int(min(max(needed, _SHARED_NODES[0]), _SHARED_NODES[1])))
    weights = np.exp(-0.5 * scaled**2)
    return error.shared_um * scaled, weights / weights.sum()


def _nodes(
    prior: Prior, error: ReadingError, permissible: Interval, acceptance: Interval
) -> tuple["NDArray[float64]", "NDArray[float64]"]:
    """Return values and weights: Gauss-Legendre panels, fine about every limit."""
    import numpy as np

    limits = [
        x
        for x in (permissible.upper_um, permissible.lower_um, acceptance.upper_um,
                  acceptance.lower_um)
        if x > -inf
    ]  # fmt: skip
    about = [x + k * error.standard_um for x in limits for k in range(-8, 9)]
    edges = np.array([*np.linspace(prior.low_um, prior.high_um, 41), *limits, *about])
    edges = np.unique(np.clip(edges, prior.low_um, prior.high_um))
    x, w = np.polynomial.legendre.leggauss(12)
    half = np.diff(edges) / 2
    values = (edges[:-1, None] + half[:, None] * (x + 1)).ravel()
    weights = (half[:, None] * w).ravel() * prior.density(values)
    return values, weights / weights.sum()
