"""Forecast: how many more pieces until the order is filled, and whether the lot suffices.

Beta-binomial on the finite lot: with g of n measured pieces in the grade and a Beta(a, b)
prior, the number of pieces in the grade among the m unmeasured ones is beta-binomial with
a + g and b + n − g. Jeffreys' prior, a = b = 1/2, is stated with every forecast. A forecast
is never proof.

The number T of pieces until the r-th good one follows the waiting time of the same urn,
the beta-negative-binomial law: P(T = k) = C(k − 1, r − 1) B(a + r, b + k − r) / B(a, b)
(Johnson, Kemp, Kotz, Univariate Discrete Distributions, 3rd ed. 2005, 6.2.3; from memory).
Both laws are summed from the ratios of neighbouring terms, one pass over the lot, by numpy,
which is imported at the first forecast.
"""

from dataclasses import dataclass
from math import lgamma
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

PRIOR = (0.5, 0.5)
"""Jeffreys' prior for a share."""

PRIOR_TEXT = "beta-binomial, Jeffreys' prior (1/2, 1/2)"

RANGE = (0.05, 0.95)
"""The stated range holds 90 % of the forecast's own probability."""

WARN_FROM = 10
"""Pieces a warning rests on at least: before, the prior speaks louder than the lot."""

WARN_AT = 0.8
"""The lead is warned when the chance of running out is above this, …"""

CLEAR_AT = 0.5
"""… and the warning goes when it is below this: one good piece must not switch it off."""

LEAST_LOG = -690.0
"""exp of it is 1e-300: nothing that small is ever seen in a sum of chances."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is to be expected of the pieces nobody has measured.

    Attributes:
        missing: Pieces of the grade still missing from the order.
        unmeasured: Pieces left in the lot.
        expected_good: Expected pieces of the grade among them.
        good_range: 5 % and 95 % points of that number.
        expected_pieces: Expected pieces still to be measured until the order is filled or
            the lot is used up.
        expected_found: Expected pieces of the grade found by then, at most ``missing``.
        pieces_range: 5 %, 50 % and 95 % points of how many more pieces fill the order;
            None where the lot runs out first.
        runs_out: Chance that the lot runs out before the order is filled.
        measured: Pieces the forecast rests on.
    """

    missing: int
    unmeasured: int
    expected_good: float
    good_range: tuple[int, int]
    expected_pieces: float
    expected_found: float
    pieces_range: tuple[int | None, int | None, int | None]
    runs_out: float
    measured: int

    def is_short(self, was_short: bool = False) -> bool:
        """Return whether the lead should hear that the lot will not suffice.

        Args:
            was_short: What was said after the piece before.
        """
        if self.missing > self.unmeasured:
            return True
        if self.missing == 0 or self.measured < WARN_FROM:
            return False
        return self.runs_out > (CLEAR_AT if was_short else WARN_AT)


@dataclass(frozen=True, slots=True)
class ClampingForecast:
    """How many more clampings the order asks for.

    Attributes:
        expected: Expected clampings until the order is filled or the lot is used up.
        range: 5 %, 50 % and 95 % points until it is filled; None where the lot runs out.
    """

    expected: float
    range: tuple[float | None, float | None, float | None]


def forecast(measured: int, good: int, unmeasured: int, missing: int) -> Forecast:
    """Return the forecast after ``measured`` pieces of which ``good`` are of the grade.

    Args:
        measured: Pieces with a verdict, 0 or more.
        good: Those of the ordered grade, 0 ≤ good ≤ measured.
        unmeasured: Pieces left, 0 or more.
        missing: Pieces still to be found, 0 or more.

    Raises:
        ValueError: If the numbers don't fit each other.
    """
    if not 0 <= good <= measured or unmeasured < 0 or missing < 0:
        raise ValueError(
            f"{good} of {measured} good, {unmeasured} left, {missing} missing: accepted is "
            "0 ≤ good ≤ measured and none below 0"
        )
    a, b = PRIOR[0] + good, PRIOR[1] + measured - good
    chances = good_chances(unmeasured, a, b)
    runs_out = _runs_out(chances, missing, unmeasured)
    filled_by = _filled_by(missing, unmeasured, a, b, 1 - runs_out)
    low, median, high = (_first_reaching(filled_by, p) for p in (RANGE[0], 0.5, RANGE[1]))
    return Forecast(
        missing=missing,
        unmeasured=unmeasured,
        expected_good=unmeasured * a / (a + b),
        good_range=_good_range(chances),
        expected_pieces=float(unmeasured - filled_by[:-1].sum()),
        expected_found=_expected_found(chances, missing),
        pieces_range=(low, median, high),
        runs_out=runs_out,
        measured=measured,
    )


def clampings_until_filled(
    pieces: Forecast, per_good: float, per_other: float
) -> ClampingForecast:
    """Return the clampings that go with a forecast of pieces.

    Until the order is filled exactly the missing pieces are good ones; all others end
    early. So a count of pieces is a count of clampings.

    Args:
        pieces: The forecast.
        per_good: Mean clampings of a piece of the grade, so far or by the rule file.
        per_other: Mean clampings of any other piece.
    """
    others = pieces.expected_pieces - pieces.expected_found
    low, median, high = (
        None if k is None else pieces.missing * per_good + (k - pieces.missing) * per_other
        for k in pieces.pieces_range
    )
    return ClampingForecast(
        pieces.expected_found * per_good + others * per_other, (low, median, high)
    )


def good_chances(pieces: int, a: float, b: float) -> "NDArray[float64]":
    """Return P(G = 0 … pieces), beta-binomial: P(g + 1) / P(g) taken from term to term."""
    import numpy as np

    g = np.arange(pieces, dtype=np.float64)
    logs = _summed((pieces - g) * (a + g) / ((g + 1) * (b + pieces - g - 1)))
    logs -= logs.max()
    chances = _exp(logs)
    chances /= chances.sum()
    return chances


def _summed(ratios: "NDArray[float64]") -> "NDArray[float64]":
    """Return the logarithms of the terms, from the first one, which is taken as 1."""
    import numpy as np

    logs = np.zeros(len(ratios) + 1)
    np.cumsum(np.log(ratios), out=logs[1:])
    return logs


def _exp(logs: "NDArray[float64]") -> "NDArray[float64]":
    """Return exp(logs), in place; terms that could never count are held above 1e-300.

    Below that a processor computes numbers of fewer digits many times slower.
    """
    import numpy as np

    np.maximum(logs, LEAST_LOG, out=logs)
    np.exp(logs, out=logs)
    return logs


def _runs_out(chances: "NDArray[float64]", missing: int, unmeasured: int) -> float:
    if missing == 0:
        return 0.0
    if missing > unmeasured:
        return 1.0
    return min(1.0, float(chances[:missing].sum()))


def _filled_by(
    missing: int, unmeasured: int, a: float, b: float, suffices: float
) -> "NDArray[float64]":
    """Return P(T ≤ k) for k = 0 … unmeasured.

    The first term comes from the gamma function; the sum's last digits are put right by
    what the other law says of the whole lot, where that is not lost in rounding itself.
    """
    import numpy as np

    if missing == 0:
        return np.ones(unmeasured + 1)
    filled = np.zeros(unmeasured + 1)
    if missing > unmeasured:
        return filled
    k = np.arange(missing, unmeasured, dtype=np.float64)
    logs = _summed(k * (b + k - missing) / ((k - missing + 1) * (a + b + k)))
    logs += lgamma(a + missing) - lgamma(a) + lgamma(a + b) - lgamma(a + b + missing)
    np.cumsum(_exp(logs), out=filled[missing:])
    if suffices > 1e-6:
        filled *= suffices / filled[-1]
    return np.minimum(filled, 1.0)


def _good_range(chances: "NDArray[float64]") -> tuple[int, int]:
    at_most = chances.cumsum()
    low, high = (_first_reaching(at_most, share) for share in RANGE)
    return low or 0, len(chances) - 1 if high is None else high


def _expected_found(chances: "NDArray[float64]", missing: int) -> float:
    """Return E[min(missing, G)]."""
    import numpy as np

    return float(np.minimum(np.arange(len(chances)), missing) @ chances)


def _first_reaching(rising: "NDArray[float64]", share: float) -> int | None:
    """Return the smallest index at which a rising sum is at least the share.

    Sums of equal chances may miss a share in the last digit: that counts as reached.
    """
    index = int(rising.searchsorted(share - 1e-9))
    return index if index < len(rising) else None
