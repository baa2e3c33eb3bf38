"""Planning: what three clampings, a guard band and stopping early do to a lot.

All from the two-component model of `rules.scatter_model`. When only the share that passes
one clamping is known, the share that passes three lies between p³ (all scatter is the
clamping's) and p (all is the collets' own); where it lies depends on how the spread divides,
so the division is an argument and stands with every figure.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

from rules.scatter_model import (
    Spread,
    SpreadError,
    chance_all_within,
    one_more_beyond,
    rice_cdf,
)


@dataclass(frozen=True, slots=True)
class GradePlan:
    """A grade as planning sees it, best first.

    Attributes:
        id: Its name.
        acceptance_um: What every clamping has to be within.
        clampings: How many it needs.
    """

    id: str
    acceptance_um: float
    clampings: int


@dataclass(frozen=True, slots=True)
class GuardCost:
    """What one guard band does to the top grade.

    Attributes:
        guard_um: The guard band.
        share: Share of pieces the grade takes.
        pieces: Expected pieces to measure for the order, the lot long enough.
        more: Of them, more than without a guard band.
        one_more_beyond: Chance that one more clamping of a sold piece is above the
            tolerance limit.
    """

    guard_um: float
    share: float
    pieces: float
    more: float
    one_more_beyond: float


@dataclass(frozen=True, slots=True)
class EarlyStop:
    """What stopping early saves.

    Attributes:
        always: Clampings a piece when every piece gets all of them.
        expected: Expected clampings a piece when the settling one ends the cycle.
        per_top_piece: Expected clampings for each piece of the top grade found.
        shares: Share of pieces that end after 1, 2, … clampings.
    """

    always: int
    expected: float
    per_top_piece: float
    shares: tuple[float, ...]

    @property
    def saved(self) -> float:
        """Return the share of clampings saved, 0 … 1."""
        return 1 - self.expected / self.always


def spread_for(
    passes_one: float,
    limit_um: float,
    scatter_share: float,
    holder_um: float = 0.0,
    step_deg: float = 120.0,
) -> Spread:
    """Return the spread at which this share passes one clamping.

    Args:
        passes_one: Share of pieces whose one clamping is within the limit, 0 < p < 1.
        limit_um: That limit.
        scatter_share: Share of the variance that is new at each clamping, 0 < share < 1.
        holder_um: Length of the holder's vector.
        step_deg: Turn of the collet between clampings.

    Raises:
        SpreadError: If no spread does it: a holder off by more than half the limit.
    """
    if not 0 < passes_one < 1 or not 0 < scatter_share < 1 or limit_um <= 0:
        raise SpreadError(
            f"share {passes_one}, limit {limit_um} µm, scatter share {scatter_share}: "
            "accepted is between 0 and 1, above 0, between 0 and 1"
        )
    if 2 * holder_um >= limit_um:
        raise SpreadError(
            f"holder {holder_um} µm takes the whole limit {limit_um} µm: accepted is below "
            "half of it"
        )
    low, high = limit_um * 1e-3, limit_um * 1e3
    while high / low > 1 + 1e-12:
        middle = (low * high) ** 0.5
        if rice_cdf(limit_um / 2, holder_um, middle) > passes_one:
            low = middle
        else:
            high = middle
    own, scatter = (1 - scatter_share) ** 0.5, scatter_share**0.5
    return Spread(low * own, low * scatter, holder_um, step_deg)


def passing(spread: Spread, limit_um: float, clampings: int) -> tuple[float, ...]:
    """Return the shares that pass 1, 2, … clampings, all within the limit."""
    return tuple(chance_all_within(spread, limit_um, n) for n in range(1, clampings + 1))


def guard_costs(
    spread: Spread,
    tolerance_um: float,
    guards_um: Sequence[float],
    clampings: int,
    ordered: int,
) -> tuple[GuardCost, ...]:
    """Return what each guard band costs in pieces and what it buys.

    Raises:
        SpreadError: If a guard band leaves nothing of the limit.
    """
    bare = ordered / chance_all_within(spread, tolerance_um, clampings)
    costs = []
    for guard_um in guards_um:
        if not 0 <= guard_um < tolerance_um:
            raise SpreadError(f"guard band {guard_um} µm: accepted is 0 … below the limit")
        acceptance_um = tolerance_um - guard_um
        share = chance_all_within(spread, acceptance_um, clampings)
        beyond = one_more_beyond(spread, acceptance_um, tolerance_um, clampings)
        pieces = ordered / share
        costs.append(GuardCost(guard_um, share, pieces, pieces - bare, beyond))
    return tuple(costs)


def early_stop(spread: Spread, grades: Sequence[GradePlan]) -> EarlyStop:
    """Return what ending a cycle at the clamping that settles it saves.

    After k clampings a piece goes on while the best grade that its largest run-out still
    allows needs more than k.

    Args:
        spread: How the lot's clampings spread.
        grades: Best first: limits rising, clampings not rising.

    Raises:
        SpreadError: If the grades are in another order.
    """
    limits = [grade.acceptance_um for grade in grades]
    needs = [grade.clampings for grade in grades]
    if not grades or limits != sorted(limits) or needs != sorted(needs, reverse=True):
        raise SpreadError("grades: accepted is best first, a worse one never asking for more")
    going_on = [1.0] + [_still_open(spread, grades, k) for k in range(1, needs[0])]
    ended = [a - b for a, b in zip(going_on, [*going_on[1:], 0.0], strict=True)]
    top = chance_all_within(spread, limits[0], needs[0])
    expected = sum(going_on)
    return EarlyStop(needs[0], expected, expected / top, tuple(ended))


def _still_open(spread: Spread, grades: Sequence[GradePlan], k: int) -> float:
    """Return the share of pieces not settled after k clampings.

    Clampings never rise from grade to grade, so the grades that need more than k are the
    first ones: a piece is open while its largest run-out is within the last of those.
    """
    open_to = [grade.acceptance_um for grade in grades if grade.clampings > k]
    return chance_all_within(spread, open_to[-1], k) if open_to else 0.0


def scatter_share(spread: Spread) -> float:
    """Return the share of the variance of one clamping that is new at each."""
    return (spread.scatter_um / hypot(spread.own_um, spread.scatter_um)) ** 2
