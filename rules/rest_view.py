"""What is proved of the rest, as of now: a fold over the facts the store holds.

Nothing here remembers. A look is recorded with the piece it was taken after; what it says is
computed again from what those pieces count as today. So a master check that takes pieces
back, or a disposition that gives them back, changes the statement by itself: it is the same
look at corrected data, no further one, and spends no further risk.

Pieces are told apart by boundaries: the draw of the sample and each look lie between two
pieces. ``tallies`` has one entry for each stretch between them, from the first piece on.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from rules.attribute_plans import AttributePlan, single_plan
from rules.finite_lot import PlanError, SamplePlan, sample_plan
from rules.first_clamping import Standing, Tally
from rules.rest_plan import RestPlan
from rules.rest_proof import (
    NextLook,
    Outcome,
    RestProof,
    carry,
    look_at_measured,
    look_at_sample,
    outlook,
)

RestOutcome = Literal[Outcome, "accepted"]
"""``accepted``: by an AQL plan, which bounds no single lot."""

_STANDING: dict[str, Standing] = {
    "pending": "stands",
    "put-away": "stands",
    "nonconforming": "stands",
    "hold": "hold",
    "abandoned": "void",
}


def standing_of(status: str) -> Standing | None:
    """Return how a piece stands in the count; None while it is in work or was replaced.

    A piece measured again under a new number is counted under that one. Whatever else a
    piece may have become, it has no result that stands: it counts as beyond.
    """
    return None if status in ("in-work", "replaced") else _STANDING.get(status, "void")


@dataclass(frozen=True, slots=True)
class SampleDrawn:
    """A sample drawn of the rest.

    Attributes:
        after_piece: Number of the last piece begun before the draw.
        rest: Pieces it was drawn from.
        size: Pieces to take.
        acceptance_number: Most beyond among them that still accept.
        is_by_record: Whether cells were drawn; False: taken by hand.
        seed: Recorded with the draw; "" if taken by hand.
    """

    after_piece: int
    rest: int
    size: int
    acceptance_number: int
    is_by_record: bool
    seed: str = ""


@dataclass(frozen=True, slots=True)
class LookTaken:
    """A look as it was recorded last.

    Attributes:
        look: Which one, from 1.
        after_piece: Number of the last piece begun before it.
        tally: What it counted.
        at_most: What it said.
        outcome: What followed.
    """

    look: int
    after_piece: int
    tally: Tally
    at_most: int
    outcome: RestOutcome


@dataclass(frozen=True, slots=True)
class Judged:
    """What a look says, as of now.

    Attributes:
        look: Which one, from 1.
        judged: Pieces the count was taken from.
        tally: Pieces looked at.
        rest: Pieces it is about.
        at_most: Most of them that can be beyond; None under ``aql``.
        outcome: What follows.
        proof: The same in full; None under ``aql``.
    """

    look: int
    judged: int
    tally: Tally
    rest: int
    at_most: int | None
    outcome: RestOutcome
    proof: RestProof | None = None

    @property
    def share(self) -> float | None:
        """Return the largest share of the rest that can be beyond, 0 … 1."""
        if self.at_most is None:
            return None
        return self.at_most / self.rest if self.rest else 0.0

    @property
    def is_settled(self) -> bool:
        """Return whether the rest may go as the ordinary grade."""
        return self.outcome in ("proved", "accepted", "nothing-left")


@dataclass(frozen=True, slots=True)
class RestView:
    """The rest of one lot, from the store.

    Attributes:
        plan: Fixed at the opening.
        quantity: Pieces the lot is taken as: without those set aside before any draw asked
            for them; None when nobody counted.
        tallies: Pieces by stretch, see the module; one more than there are boundaries.
        sample: The sample, once drawn.
        looks: Each look as it was recorded last, the first one first.
        open_pieces: Pieces in work or in hand.
        given_seed: Seed given at the opening; "" lets the service make one.
    """

    plan: RestPlan
    quantity: int | None
    tallies: tuple[Tally, ...]
    sample: SampleDrawn | None = None
    looks: tuple[LookTaken, ...] = ()
    open_pieces: int = 0
    given_seed: str = ""

    @property
    def all_pieces(self) -> Tally:
        """Return the count of every piece looked at."""
        return summed(self.tallies)

    @property
    def wants_more(self) -> bool:
        """Return whether the proof asks for pieces although the order is filled."""
        if self.plan.kind == "measured":
            found = judged_now(self)
            if found is None or len(self.looks) >= self.plan.looks or found.rest == 0:
                return False
            needs = next_look(self)
            return found.outcome == "short" and needs is not None and needs.beyond_left >= 0
        return self.sample is not None and not self.looks


def summed(tallies: Sequence[Tally]) -> Tally:
    """Return several counts as one."""
    return Tally(
        sum(t.pieces for t in tallies), sum(t.beyond for t in tallies),
        sum(t.doubtful for t in tallies),
    )  # fmt: skip


def sample_to_draw(plan: RestPlan, rest: int) -> SamplePlan | AttributePlan:
    """Return the sample to draw from the rest.

    In a small rest an acceptance number may be more than the limiting quality itself: then
    the largest below it is taken, which only asks for more.

    Raises:
        PlanError: If the rest is below what the tables know (``aql``: 2 pieces).
    """
    if plan.kind == "aql":
        return single_plan(rest, plan.aql, plan.severity, plan.level)
    quality, risk = plan.limiting_quality, plan.consumers_risk
    most = max(1, round(rest * quality)) - 1
    return sample_plan(rest, quality, risk, min(plan.acceptance_number, most))


def judged_now(view: RestView) -> Judged | None:
    """Return what is proved as of now; None before the first look or the draw."""
    if view.plan.kind == "measured":
        return _by_measured(view)
    if view.sample is None:
        return _all_measured(view)
    if view.plan.kind == "aql":
        return _by_aql(view, view.sample)
    return _by_sample(view, view.sample)


def next_look(view: RestView) -> NextLook | None:
    """Return what the next planned look needs; None where none is planned any more."""
    if view.plan.kind != "measured" or view.quantity is None or not view.looks:
        return None
    if len(view.looks) >= view.plan.looks:
        return None
    more = max(0, view.plan.further - view.tallies[-1].pieces)
    return outlook(view.plan.proof_plan(view.quantity), view.all_pieces, more)[1]


def at_most_now(view: RestView) -> int | None:
    """Return what a look would say if it were due now: a forecast, never proof."""
    if view.plan.kind != "measured" or view.quantity is None:
        return None
    if view.all_pieces.pieces > view.quantity:
        return None
    return outlook(view.plan.proof_plan(view.quantity), view.all_pieces, 0)[0]


def _all_measured(view: RestView) -> Judged | None:
    """Return the look at a lot of which nothing is left, once that is on record."""
    if not view.looks:
        return None
    count = view.all_pieces
    return Judged(1, count.pieces, count, 0, 0, "nothing-left")


def _by_measured(view: RestView) -> Judged | None:
    if not view.looks or view.quantity is None:
        return None
    look = len(view.looks)
    seen, since = summed(view.tallies[:look]), summed(view.tallies[look:])
    proof = look_at_measured(view.plan.proof_plan(view.quantity), look, seen)
    if proof.outcome == "short":
        proof = replace(proof, next_look=next_look(view))
    return _judged(look, _carried(proof, since))


def _by_sample(view: RestView, sample: SampleDrawn) -> Judged:
    plan = replace(
        view.plan.proof_plan(sample.rest), acceptance_number=sample.acceptance_number
    )
    proof = look_at_sample(plan, sample.rest, view.tallies[1])
    if view.quantity is not None:
        proof = replace(proof, plan=replace(plan, quantity=view.quantity))
    if view.looks and proof.outcome == "under-way":
        # held when it failed, and a held piece was given back since: no look was planned
        # for half a sample
        proof = replace(proof, outcome="short")
    return _judged(1, _carried(proof, summed(view.tallies[2:])))


def _carried(proof: RestProof, since: Tally) -> RestProof:
    """Return a proof for what is left; the same where more was measured than it was of."""
    if not since.pieces:
        return proof
    return carry(proof, since if since.pieces <= proof.rest else Tally(proof.rest, 0))


def _judged(look: int, proof: RestProof) -> Judged:
    return Judged(
        look, proof.judged, proof.tally, proof.rest, proof.at_most, proof.outcome, proof
    )


def _by_aql(view: RestView, sample: SampleDrawn) -> Judged:
    count = view.tallies[1]
    rest = max(0, sample.rest - count.pieces - summed(view.tallies[2:]).pieces)
    outcome: RestOutcome = "short" if view.looks else "under-way"
    if count.beyond > sample.acceptance_number:
        outcome = "hold"
    elif count.pieces >= sample.size:
        outcome = "accepted" if sample.size < sample.rest else "nothing-left"
    return Judged(1, sample.rest, count, rest, None, outcome)


__all__ = [
    "Judged", "LookTaken", "PlanError", "RestOutcome", "RestView", "SampleDrawn",
    "at_most_now", "judged_now", "next_look", "sample_to_draw", "standing_of", "summed",
]  # fmt: skip
