"""Forecast: how many more pieces until the order is filled, and whether the lot suffices.

Beta-binomial on the finite lot: with g of n measured pieces in the grade and a Beta(a, b)
prior, the number of pieces in the grade among the m unmeasured ones is beta-binomial with
a + g and b + n − g. Jeffreys' prior, a = b = 1/2, is stated with every forecast. A forecast
is never proof.

The number of pieces until the r-th good one is the smallest k with "r or more good among k";
P(k pieces suffice) = P(BetaBinomial(k, a + g, b + n − g) ≥ r).
"""

from collections.abc import Callable
from dataclasses import dataclass

PRIOR = (0.5, 0.5)
"""Jeffreys' prior for a share."""

RANGE = (0.05, 0.95)
"""The stated range holds 90 % of the forecast's own probability."""

EARLY_WARNING = 0.5
"""The lot is said to run out when that is likelier than not."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """What is to be expected of the pieces nobody has measured.

    Attributes:
        missing: Pieces of the grade still missing from the order.
        unmeasured: Pieces left in the lot.
        expected_good: Expected pieces of the grade among them.
        good_range: 5 % and 95 % points of that number.
        pieces_range: 5 %, 50 % and 95 % points of how many more pieces fill the order;
            None where the lot runs out first.
        runs_out: Chance that the lot runs out before the order is filled.
        measured: Pieces the forecast rests on.
    """

    missing: int
    unmeasured: int
    expected_good: float
    good_range: tuple[int, int]
    pieces_range: tuple[int | None, int | None, int | None]
    runs_out: float
    measured: int

    @property
    def warns(self) -> bool:
        """Return whether the lead should hear that the lot will not suffice."""
        return self.missing > 0 and self.runs_out > EARLY_WARNING


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
        raise ValueError(f"{good} of {measured}, {unmeasured} left, {missing} missing")
    from scipy.stats import betabinom

    a, b = PRIOR[0] + good, PRIOR[1] + measured - good
    if missing == 0:
        runs_out = 0.0
    elif missing > unmeasured:
        runs_out = 1.0
    else:
        runs_out = float(betabinom.cdf(missing - 1, unmeasured, a, b))

    def suffice(pieces: int) -> float:
        return float(betabinom.sf(missing - 1, pieces, a, b))

    low, median, high = (
        _fewest(suffice, share, missing, unmeasured) for share in (RANGE[0], 0.5, RANGE[1])
    )
    return Forecast(
        missing=missing,
        unmeasured=unmeasured,
        expected_good=unmeasured * a / (a + b),
        good_range=_good_range(unmeasured, a, b),
        pieces_range=(low, median, high),
        runs_out=runs_out,
        measured=measured,
    )


def _good_range(unmeasured: int, a: float, b: float) -> tuple[int, int]:
    from scipy.stats import betabinom

    def at_most(good: int) -> float:
        return float(betabinom.cdf(good, unmeasured, a, b))

    low, high = (_fewest(at_most, share, 0, unmeasured) for share in RANGE)
    return low or 0, unmeasured if high is None else high


def _fewest(chance: Callable[[int], float], share: float, least: int, most: int) -> int | None:
    """Return the smallest k in least…most with chance(k) ≥ share; None if there is none."""
    if least > most or chance(most) < share:
        return None
    low, high = least, most
    while low < high:
        middle = (low + high) // 2
        if chance(middle) >= share:
            high = middle
        else:
            low = middle + 1
    return low
