"""Proof of the rest: what the measured pieces say of those nobody measured.

Two plans. ``sample``: a fresh sample of the unmeasured rest, drawn by recorded random
cells, finds out the limiting quality with the consumer's risk asked for (an isolated lot,
in the sense of ISO 2859-2, computed here, not taken from its tables). ``measured``: the
pieces measured so far bound the rest; only where the order of measuring was drawn.

Looks are fixed when the lot opens. Under ``measured`` the first is due when the order is
filled, one further after a stated number of pieces, each at half the risk: whoever measures
on until it suffices doubles the risk. A look at any other time is a forecast (`outlook`).

The bound holds although the first look waits for the order and not for a number of pieces:
the chance of a wrong statement, summed over every moment the order can be filled at, stays
below the risk stated (`tests/rules/test_lot_stopping.py` sums it exactly).
"""

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from rules.finite_lot import (
    PlanError,
    SamplePlan,
    compare_chance,
    most_nonconforming,
    sample_plan,
)
from rules.first_clamping import Tally

PlanKind = Literal["sample", "measured"]

Outcome = Literal[
    "proved",        # the rest may go as the ordinary grade
    "short",         # not proved; nothing is known against it
    "under-way",     # the sample is not complete
    "hold",          # the sample failed: the whole rest is held
    "nothing-left",  # every piece was measured: there is nothing to prove
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class ProofPlan:
    """How the rest of one lot will be judged, fixed when the lot opens.

    Attributes:
        kind: See the module.
        quantity: Pieces of the lot, N.
        limiting_quality: Largest share beyond that may be left in the rest, 0 < LQ < 1.
        consumers_risk: Chance of proving a worse rest, over all looks together, 0 < β < 1.
        is_drawn: Whether the order of measuring was drawn before the first piece.
        acceptance_number: Most beyond in the sample that still accept; plan ``sample``.
        further: Pieces from the first look to the second; 0 plans one look at the whole
            risk. Plan ``measured``.
    """

    kind: PlanKind
    quantity: int
    limiting_quality: float
    consumers_risk: float
    is_drawn: bool
    acceptance_number: int = 0
    further: int = 0

    def __post_init__(self) -> None:
        if self.quantity < 1:
            raise PlanError(f"lot of {self.quantity}: accepted is 1 piece or more, counted")
        if not 0 < self.limiting_quality < 1 or not 0 < self.consumers_risk < 1:
            raise PlanError(
                f"limiting quality {self.limiting_quality}, risk {self.consumers_risk}: "
                "accepted is above 0 and below 1"
            )
        if self.further < 0 or self.acceptance_number < 0:
            raise PlanError("acceptance number and further pieces: accepted is 0 or more")
        if self.kind == "measured" and not self.is_drawn:
            raise PlanError(
                "plan measured needs a drawn order of measuring (numbered tray cells, "
                "recorded seed): a tray with a trend breaks a stated 95 % down to half of "
                "it; accepted for an undrawn tray is plan sample"
            )

    @property
    def looks(self) -> int:
        """Return how many looks are planned."""
        return 2 if self.kind == "measured" and self.further else 1

    @property
    def risk_of_a_look(self) -> float:
        """Return the risk each look may spend: together the whole."""
        return self.consumers_risk / self.looks


@dataclass(frozen=True, slots=True)
class NextLook:
    """What the next planned look would need.

    Attributes:
        pieces: Pieces measured by then, all in all.
        more: Pieces still to be measured until then.
        most_beyond: Most of them that may count as beyond; −1 where no count would do.
        beyond_left: How many more may still turn up; negative: it can't prove any more.
    """

    pieces: int
    more: int
    most_beyond: int
    beyond_left: int


@dataclass(frozen=True, slots=True)
class RestProof:
    """What one look said.

    Attributes:
        plan: The plan it followed.
        look: Which of its looks, from 1.
        judged: Pieces the count was taken from: the lot, or the rest a sample was drawn of.
        tally: Pieces looked at.
        rest: Pieces not looked at: those the statement is about.
        at_most: Most of them that can be beyond, at the risk of this look.
        outcome: What follows.
        sample: The sampling plan; None under ``measured``.
        next_look: What the next planned look needs; None if there is none or none needed.
    """

    plan: ProofPlan
    look: int
    judged: int
    tally: Tally
    rest: int
    at_most: int
    outcome: Outcome
    sample: SamplePlan | None = None
    next_look: NextLook | None = None

    @property
    def is_proved(self) -> bool:
        """Return whether the rest may go as the ordinary grade."""
        return self.outcome in ("proved", "nothing-left")

    @property
    def share(self) -> float:
        """Return the largest share of the rest that can be beyond, 0 … 1."""
        return self.at_most / self.rest if self.rest else 0.0


def look_at_measured(plan: ProofPlan, look: int, measured: Tally) -> RestProof:
    """Return what the measured pieces prove of the rest at a planned look.

    Args:
        plan: Of kind ``measured``.
        look: 1 when the order is filled, 2 after ``further`` more pieces.
        measured: Every piece begun so far.

    Raises:
        PlanError: If the plan is another, has no such look, or counts more than the lot.
    """
    _expect(plan, "measured", measured.pieces)
    if not 1 <= look <= plan.looks:
        raise PlanError(f"look {look}: this lot was opened with {plan.looks}")
    rest, at_most = _bound(plan, measured)
    outcome: Outcome = "proved" if _suffices(plan, at_most, rest) else "short"
    if rest == 0:
        outcome = "nothing-left"
    needs = None
    if outcome == "short" and look < plan.looks:
        needs = _next_look(plan, measured, plan.further)
    return RestProof(
        plan, look, plan.quantity, measured, rest, at_most, outcome, next_look=needs
    )


def sample_for(plan: ProofPlan, rest: int) -> SamplePlan:
    """Return the sample to draw from the unmeasured rest.

    Raises:
        PlanError: If the plan is another, or no sample of this rest can prove anything.
    """
    _expect(plan, "sample", plan.quantity - rest)
    return sample_plan(rest, plan.limiting_quality, plan.consumers_risk, plan.acceptance_number)


def look_at_sample(plan: ProofPlan, rest: int, drawn: Tally) -> RestProof:
    """Return what the sample says so far; one piece too many beyond ends it at once.

    Args:
        plan: Of kind ``sample``.
        rest: Pieces unmeasured when the sample was drawn.
        drawn: Pieces of the sample looked at.
    """
    sample = sample_for(plan, rest)
    if drawn.pieces > sample.size:
        raise PlanError(f"{drawn.pieces} looked at: the sample drawn is of {sample.size}")
    found = most_nonconforming(rest, drawn.pieces, drawn.beyond, plan.consumers_risk)
    outcome: Outcome = "under-way"
    if drawn.beyond > sample.acceptance_number:
        outcome = "hold"
    elif drawn.pieces == sample.size:
        outcome = "proved" if sample.size < rest else "nothing-left"
    at_most = found - drawn.beyond
    return RestProof(plan, 1, rest, drawn, rest - drawn.pieces, at_most, outcome, sample=sample)


def outlook(plan: ProofPlan, measured: Tally, more: int) -> tuple[int, NextLook]:
    """Return today's figure and what the look in ``more`` pieces needs: a forecast, no proof.

    Args:
        plan: Of kind ``measured``.
        measured: Every piece begun so far.
        more: Pieces from now to the planned look, 0 or more: for the first look as many as
            the forecast of the order expects.

    Returns:
        The most pieces of the rest that could be beyond if a look were due now, and the
        needs of the look to come.
    """
    _expect(plan, "measured", measured.pieces)
    return _bound(plan, measured)[1], _next_look(plan, measured, more)


def carry(proof: RestProof, since: Tally) -> RestProof:
    """Return the same statement for what is left after more of the rest was measured.

    An order raised after the proof takes pieces out of the rest. What was proved of the
    many holds of the few: less the pieces found beyond, doubtful ones not counted as found.
    More found than were proved possible is the case the risk was stated for: hold.
    What a sample proved it proved of all pieces it was drawn from: it stays so.
    """
    if since.pieces > proof.rest:
        raise PlanError(f"{since.pieces} measured since: the rest was {proof.rest}")
    rest = proof.rest - since.pieces
    left = max(0, proof.at_most - (since.beyond - since.doubtful))
    outcome: Outcome = proof.outcome
    if since.beyond - since.doubtful > proof.at_most:
        outcome = "hold"
    elif rest == 0:
        outcome = "nothing-left"
    elif (
        outcome == "proved"
        and proof.sample is None
        and not _suffices(proof.plan, min(rest, left), rest)
    ):
        outcome = "short"
    return replace(proof, rest=rest, at_most=min(rest, left), outcome=outcome)


def fewest_measured(quantity: int, limiting_quality: float, risk: float) -> int | None:
    """Return the fewest pieces that prove the rest when none of them is beyond.

    None if no number short of the whole lot does: such a plan can never be satisfied.
    """
    for pieces in range(1, quantity):
        allowed = _allowed(limiting_quality, quantity - pieces)
        if compare_chance(0, quantity, allowed + 1, pieces, risk) < 0:
            return pieces
    return None


def _expect(plan: ProofPlan, kind: PlanKind, pieces: int) -> None:
    if plan.kind != kind:
        raise PlanError(f"the lot was opened with plan {plan.kind}, not {kind}")
    if not 0 <= pieces <= plan.quantity:
        raise PlanError(f"{pieces} pieces measured: the lot has {plan.quantity}")


def _bound(plan: ProofPlan, measured: Tally) -> tuple[int, int]:
    lot, risk = plan.quantity, plan.risk_of_a_look
    in_lot = most_nonconforming(lot, measured.pieces, measured.beyond, risk)
    return lot - measured.pieces, in_lot - measured.beyond


def _allowed(limiting_quality: float, rest: int) -> int:
    """Return the whole pieces that the limiting quality allows in the rest."""
    return int(Fraction(repr(limiting_quality)) * rest)


def _suffices(plan: ProofPlan, at_most: int, rest: int) -> bool:
    return at_most <= _allowed(plan.limiting_quality, rest)


def _next_look(plan: ProofPlan, measured: Tally, more: int) -> NextLook:
    pieces = min(plan.quantity, measured.pieces + more)
    most = _most_beyond(plan, pieces)
    return NextLook(pieces, pieces - measured.pieces, most, most - measured.beyond)


def _most_beyond(plan: ProofPlan, pieces: int) -> int:
    """Return the most beyond among so many that still prove the rest; −1 if none does.

    One piece more in the lot that is also seen can only raise P(X ≤ x): so halve.
    """
    allowed = _allowed(plan.limiting_quality, plan.quantity - pieces)
    low, high = -1, pieces
    while low < high:
        seen = (low + high + 1) // 2
        risk = plan.risk_of_a_look
        in_lot = seen + allowed
        # the bound is at most in_lot when in_lot + 1 is already less likely than the risk
        if in_lot + 1 > plan.quantity - pieces + seen or (
            compare_chance(seen, plan.quantity, in_lot + 1, pieces, risk) < 0
        ):
            low = seen
        else:
            high = seen - 1
    return low
