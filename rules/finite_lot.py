"""What a sample without replacement proves of a finite lot: exact hypergeometric.

A lot of N pieces holds D nonconforming ones; n of them are looked at and x are found
nonconforming: P(X = x) = C(D, x) C(N − D, n − x) / C(N, n). The bound is that of inverting
the test: the largest D that would still show x or fewer with at least the risk stated
(Buonaccorsi, The American Statistician 41, 1987, discusses the exact limits for N, D; from
memory; here always one-sided, upper).

Only the standard library: importing scipy.stats takes seconds, longer than an operator
should wait for the piece that filled the order. Terms are summed from logarithms of the
gamma function, good to nine digits at 100 000 pieces; where that could not tell a chance
from the risk, whole numbers decide.
"""

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import comb, exp, lgamma

MOST_PIECES = 1_000_000
"""Largest lot accepted: beyond it the logarithms lose the digits relied upon."""

_NEGLIGIBLE = 1e-17
"""A term this small against the sum ends it: the ones after it fall faster still."""

_TIE = 1e-6
"""Relative distance from the risk within which whole numbers decide."""


class PlanError(ValueError):
    """Numbers that make no plan; the message says which and what is accepted."""


def chance_of_at_most(found: int, lot: int, nonconforming: int, sample: int) -> float:
    """Return P(X ≤ found) for a sample drawn without replacement; 0 ≤ result ≤ 1.

    Raises:
        PlanError: If the lot can't hold that many nonconforming or sampled pieces.
    """
    if not (0 <= nonconforming <= lot and 0 <= sample <= lot <= MOST_PIECES):
        raise PlanError(
            f"{sample} drawn from {lot} with {nonconforming} nonconforming: accepted is "
            f"0 ≤ n ≤ N and 0 ≤ D ≤ N, N up to {MOST_PIECES}"
        )
    most = min(nonconforming, sample)
    least = max(0, sample + nonconforming - lot)
    if found >= most:
        return 1.0
    if found < least:
        return 0.0
    others = lot - nonconforming - sample  # N − D − n, may be negative
    if found <= (nonconforming + 1) * (sample + 1) // (lot + 2):  # up to the mode
        return min(1.0, _sum_down(found, lot, nonconforming, sample, others))
    return max(0.0, 1.0 - _sum_up(found + 1, lot, nonconforming, sample, others))


def _sum_down(x: int, lot: int, bad: int, sample: int, others: int) -> float:
    term = total = exp(_log_chance(x, lot, bad, sample))
    while x > 0 and term > total * _NEGLIGIBLE:
        term *= x * (others + x) / ((bad - x + 1) * (sample - x + 1))
        total += term
        x -= 1
    return total


def _sum_up(x: int, lot: int, bad: int, sample: int, others: int) -> float:
    term = total = exp(_log_chance(x, lot, bad, sample))
    while x < min(bad, sample) and term > total * _NEGLIGIBLE:
        term *= (bad - x) * (sample - x) / ((x + 1) * (others + x + 1))
        total += term
        x += 1
    return total


def _log_chance(x: int, lot: int, bad: int, sample: int) -> float:
    """Return the logarithm of P(X = x)."""
    return _log_comb(bad, x) + _log_comb(lot - bad, sample - x) - _log_comb(lot, sample)


def _log_comb(n: int, k: int) -> float:
    return lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)


def compare_chance(found: int, lot: int, nonconforming: int, sample: int, risk: float) -> int:
    """Return whether P(X ≤ found) is below (−1), equal to (0) or above (1) the risk.

    The risk is taken as the decimal it is written as. Near a tie the chance is counted in
    whole numbers, so that no rounding of the last digit decides about a lot.
    """
    chance: float | Fraction = chance_of_at_most(found, lot, nonconforming, sample)
    asked: float | Fraction = risk
    if abs(chance - risk) <= risk * _TIE:
        chance = _exact_chance(found, lot, nonconforming, sample)
        asked = Fraction(repr(risk))
    return (chance > asked) - (chance < asked)


def _exact_chance(found: int, lot: int, bad: int, sample: int) -> Fraction:
    x = max(0, sample + bad - lot)
    term = comb(bad, x) * comb(lot - bad, sample - x)
    ways = 0
    while x <= min(found, bad, sample):
        ways += term
        term = term * (bad - x) * (sample - x) // ((x + 1) * (lot - bad - sample + x + 1))
        x += 1
    return Fraction(ways, comb(lot, sample))


def most_nonconforming(lot: int, sample: int, found: int, risk: float) -> int:
    """Return the most nonconforming pieces the whole lot can hold, by what was found.

    Args:
        lot: Pieces in the lot, N ≥ 1.
        sample: Pieces looked at, in random order, 0 ≤ n ≤ N.
        found: Nonconforming ones among them, 0 ≤ x ≤ n.
        risk: One minus the confidence, 0 < risk < 1.

    Returns:
        max{D : P(X ≤ x | N, D, n) ≥ risk}. It is at least x and at most N − (n − x).

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
        if compare_chance(found, lot, middle, sample, risk) >= 0:
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
        nonconforming: Pieces taken as the limiting quality, D.
    """

    lot: int
    size: int
    acceptance_number: int
    limiting_quality: float
    consumers_risk: float
    risk_met: float
    nonconforming: int


@lru_cache(maxsize=64)
def sample_plan(
    lot: int, limiting_quality: float, consumers_risk: float, acceptance_number: int = 0
) -> SamplePlan:
    """Return the smallest sample that accepts the limiting quality with at most that risk.

    The limiting quality is taken as D = N × LQ pieces, rounded to the nearest whole piece
    and at least one. Rounded up, D is the fewest pieces that make up the share; rounded
    down, the plan is stricter than asked: neither way is a share of LQ or more accepted at
    a higher risk.

    Raises:
        PlanError: If no sample of this lot can do it.
    """
    if lot < 1 or not 0 < limiting_quality < 1 or not 0 < consumers_risk < 1:
        raise PlanError("accepted is a lot of 1 or more, quality and risk between 0 and 1")
    if acceptance_number < 0:
        raise PlanError(f"acceptance number {acceptance_number}: accepted is 0 or more")
    nonconforming = max(1, round(lot * limiting_quality))
    if acceptance_number >= nonconforming:
        raise PlanError(
            f"acceptance number {acceptance_number}: {limiting_quality:.4g} of a lot of {lot} "
            f"is {nonconforming}, which no sample would refuse; accepted is at most "
            f"{nonconforming - 1}"
        )
    low, high = 1, lot
    while low < high:  # P falls as n grows
        middle = (low + high) // 2
        if compare_chance(acceptance_number, lot, nonconforming, middle, consumers_risk) > 0:
            low = middle + 1
        else:
            high = middle
    met = chance_of_at_most(acceptance_number, lot, nonconforming, low)
    return SamplePlan(
        lot, low, acceptance_number, limiting_quality, consumers_risk, met, nonconforming
    )
