"""What a sample without replacement proves of a finite lot: exact hypergeometric.

A lot of N pieces holds D nonconforming ones; n of them are looked at and x are found
nonconforming: P(X = x) = C(D, x) C(N − D, n − x) / C(N, n). The bound is that of inverting
the test: the largest D that would still show x or fewer with more than the risk stated
(Buonaccorsi 1987 discusses the exact limits for N, D; here always one-sided, upper).

scipy computes; it is imported late, since a service that has no lot needs none of it.
"""

from dataclasses import dataclass
from functools import lru_cache


class PlanError(ValueError):
    """Numbers that make no plan; the message says which and what is accepted."""


def chance_of_at_most(found: int, lot: int, nonconforming: int, sample: int) -> float:
    """Return P(X ≤ found) for a sample drawn without replacement; 0 ≤ result ≤ 1."""
    from scipy.stats import hypergeom

    return float(hypergeom.cdf(found, lot, nonconforming, sample))


def most_nonconforming(lot: int, sample: int, found: int, risk: float) -> int:
    """Return the most nonconforming pieces the whole lot can hold, by what was found.

    Args:
        lot: Pieces in the lot, N ≥ 1.
        sample: Pieces looked at, in random order, 0 ≤ n ≤ N.
        found: Nonconforming ones among them, 0 ≤ x ≤ n.
        risk: One minus the confidence, 0 < risk < 1.

    Returns:
        max{D : P(X ≤ x | N, D, n) > risk}. It is at least x and at most N − (n − x).

    Raises:
        PlanError: If the numbers don't fit each other.
    """
    if not 0 <= found <= sample <= lot or lot < 1:
        raise PlanError(f"found {found} of {sample} of {lot}: accepted is 0 ≤ x ≤ n ≤ N")
    if not 0 < risk < 1:
        raise PlanError(f"risk {risk}: accepted is above 0 and below 1")
    low, high = found, lot - (sample - found)
    while low < high:  # P falls as D grows: halve until one is left
        middle = (low + high + 1) // 2
        if chance_of_at_most(found, lot, middle, sample) > risk:
            low = middle
        else:
            high = middle - 1
    return low


@dataclass(frozen=True, slots=True)
class SamplePlan:
    """A single sampling plan by attributes for an isolated lot.

    Attributes:
        lot: Pieces it judges.
        size: Pieces to draw at random.
        acceptance_number: Most nonconforming ones among them that still accept.
        limiting_quality: Share it is to find out.
        consumers_risk: Chance of accepting at the limiting quality, as asked for.
        risk_met: That chance as it really is.
    """

    lot: int
    size: int
    acceptance_number: int
    limiting_quality: float
    consumers_risk: float
    risk_met: float


@lru_cache(maxsize=64)
def sample_plan(
    lot: int, limiting_quality: float, consumers_risk: float, acceptance_number: int = 0
) -> SamplePlan:
    """Return the smallest sample that accepts the limiting quality with at most that risk.

    The limiting quality is taken as D = N × LQ pieces, rounded to the nearest whole piece
    and at least acceptance number + 1: rounding down asks for more pieces, never fewer.

    Raises:
        PlanError: If no sample of this lot can do it.
    """
    if lot < 1 or not 0 < limiting_quality < 1 or not 0 < consumers_risk < 1:
        raise PlanError("accepted is a lot of 1 or more, quality and risk between 0 and 1")
    nonconforming = max(acceptance_number + 1, round(lot * limiting_quality))
    if nonconforming > lot:
        raise PlanError(
            f"a lot of {lot} can't hold {nonconforming} nonconforming pieces: "
            f"acceptance number {acceptance_number} can never be exceeded"
        )
    low, high = 1, lot
    while low < high:  # P falls as n grows
        middle = (low + high) // 2
        if chance_of_at_most(acceptance_number, lot, nonconforming, middle) <= consumers_risk:
            high = middle
        else:
            low = middle + 1
    met = chance_of_at_most(acceptance_number, lot, nonconforming, low)
    return SamplePlan(lot, low, acceptance_number, limiting_quality, consumers_risk, met)
