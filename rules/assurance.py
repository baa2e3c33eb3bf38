"""Assurance: every piece belongs to the span between two checks.

A fold over facts in their order; all transitions are in this file. A good check closes the
open span and releases its pieces; a failed one puts all of them on hold, those in boxes
with everything they lie among; what no good check opened, no good check can release. Nor can
one release what was measured with an instrument that is gone: it says nothing of that.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Literal

from rules.assurance_model import (
    AssuranceFact,
    AssuranceOutcome,
    AssuranceRules,
    AssuranceState,
    Cause,
    Checked,
    Disposed,
    Disturbed,
    Graded,
    Ordered,
    OrderReopened,
    PieceKey,
    PutAway,
    Span,
    SpanHeld,
    SpanReleased,
    Standing,
    Voided,
)

Status = Literal[
    "open", "released", "held", "replaced", "scrapped", "concession", "unassured"
]  # fmt: skip
"""What a piece counts as: ``unassured`` where the bench file asks for no checks."""

_COUNTED: frozenset[Status] = frozenset({"open", "released", "unassured"})

Result = tuple[AssuranceState, tuple[AssuranceOutcome, ...]]


class RecordContradictsError(ValueError):
    """Facts that can't follow each other; the message names the fact."""


def fold(facts: Iterable[AssuranceFact], rules: AssuranceRules) -> AssuranceState:
    """Return where every piece stands after these facts."""
    state = AssuranceState()
    for fact in facts:
        state, _ = step(state, fact, rules)
    return state


def step(state: AssuranceState, fact: AssuranceFact, rules: AssuranceRules) -> Result:
    """Return the next state and what came out of it. Pure: no clock, no I/O.

    Raises:
        RecordContradictsError: If the facts are out of order or contradict each other.
    """
    if fact.seq <= state.seq:
        raise RecordContradictsError(f"fact {fact.seq} came after fact {state.seq}")
    state = replace(state, seq=fact.seq)
    match fact:
        case Checked():
            return _checked(state, fact, rules)
        case Graded():
            return _graded(state, fact, rules), ()
        case Voided():
            left = {key: s for key, s in state.pieces.items() if key != fact.piece}
            return replace(state, pieces=left), ()
        case PutAway():
            return _put_away(state, fact, rules)
        case Ordered():
            ordered = {**state.ordered, (fact.lot, fact.grade): fact.quantity}
            return replace(state, ordered=ordered), ()
        case Disturbed():
            return _disturbed(replace(state, good_kinds=frozenset()), fact, rules)
        case Disposed():
            return _disposed(state, fact)


# --- what a piece counts as ------------------------------------------------------------------


def status_of(state: AssuranceState, piece: PieceKey) -> Status:
    """Return what a graded piece counts as today."""
    return _status(state, state.pieces[piece])


def _status(state: AssuranceState, standing: Standing) -> Status:
    if standing.settled is not None:
        return standing.settled
    if standing.is_held:
        return "held"
    if standing.span is None:
        return "released" if standing.is_released else "unassured"
    return "open" if state.spans[standing.span].state == "open" else "released"


def waits_for_check(state: AssuranceState, standing: Standing) -> bool:
    """Return whether the span a piece was measured in is still open, on hold or not."""
    if standing.settled is not None or standing.span is None:
        return False
    return state.spans[standing.span].state == "open"


def is_unreleased(state: AssuranceState, standing: Standing) -> bool:
    """Return whether no check has judged a piece yet, and no person in its place."""
    if standing.settled is None and standing.span is None:
        return not standing.is_released  # no checks are asked for
    return waits_for_check(state, standing)


def counted(state: AssuranceState, lot: str, grade: str) -> int:
    """Return how many pieces count for the order: put away in this grade, and not on hold."""
    return sum(
        1
        for (of_lot, _), s in state.pieces.items()
        if of_lot == lot
        and s.grade == grade
        and s.is_put_away
        and _status(state, s) in _COUNTED
    )


def why_lot_stays_open(state: AssuranceState, lot: str) -> str:
    """Return why a lot can't be closed; "" when no span stands in the way."""
    waiting = [
        number
        for (of_lot, number), s in state.pieces.items()
        if of_lot == lot and waits_for_check(state, s)
    ]
    if not waiting:
        return ""
    return (
        f"{len(waiting)} pieces ({min(waiting)} to {max(waiting)}) were measured since the "
        "last good master check: make the closing check first"
    )


# --- checks ----------------------------------------------------------------------------------


def _checked(state: AssuranceState, fact: Checked, rules: AssuranceRules) -> Result:
    if fact.result == "invalid" or not rules.asked:
        return state, ()
    if fact.result == "failed":
        return _closed(replace(state, good_kinds=frozenset()), fact, fact.reason, rules)
    state = replace(state, good_kinds=state.good_kinds | {fact.kind})
    if not state.good_kinds >= rules.asked:
        return state, ()
    is_opened = state.spans[-1].opened_by is not None
    why = "" if is_opened else "no good check came before these pieces"
    is_told = is_opened or bool(_in_span(state))
    after, outcomes = _closed(state, fact, why, rules)
    return replace(after, good_kinds=frozenset()), outcomes if is_told else ()


_LEFT: Mapping[Cause, str] = {
    "pin-change": "the pin was changed",
    "holder-change": "the holder was changed or taken out",
    "indicator-change": "the indicator was changed",
}


def _disturbed(state: AssuranceState, fact: Disturbed, rules: AssuranceRules) -> Result:
    """End the open span where an instrument left before a good check closed it."""
    if not fact.ends_span:
        return state, ()
    left = _LEFT.get(fact.cause, "the bench was changed")
    why = f"{left} before a good check closed the span: none can prove it any more"
    ended = replace(
        state.spans[-1], state="unproved", closed_by=fact.seq, closed_at=fact.at, why=why
    )
    pieces = _in_span(state)
    after, outcomes = _held(state, (*state.spans[:-1], ended, Span(None)), pieces, rules)
    return after, outcomes if pieces else ()


def _in_span(state: AssuranceState) -> tuple[PieceKey, ...]:
    last = len(state.spans) - 1
    return tuple(
        sorted(k for k, s in state.pieces.items() if s.span == last and s.settled is None)
    )


def _closed(state: AssuranceState, fact: Checked, why: str, rules: AssuranceRules) -> Result:
    """Close the open span, good or (with a ``why``) failed, and open the next one."""
    number, pieces = len(state.spans) - 1, _in_span(state)
    ended = replace(
        state.spans[-1], state="failed" if why or fact.result == "failed" else "good",
        closed_by=fact.seq, closed_at=fact.at, why=why,
    )  # fmt: skip
    opened_by = fact.seq if fact.result == "good" else None
    spans = (*state.spans[:-1], ended, Span(opened_by))
    if ended.state == "good":
        return replace(state, spans=spans), (SpanReleased(number, pieces),)
    return _held(state, spans, pieces, rules)


def _held(
    state: AssuranceState,
    spans: tuple[Span, ...],
    pieces: tuple[PieceKey, ...],
    rules: AssuranceRules,
) -> Result:
    """Put the pieces of the last span but one on hold, with what they lie among."""
    number = len(spans) - 2
    doubted = {key: replace(state.pieces[key], is_in_doubt=True) for key in pieces}
    after = replace(state, spans=spans, pieces={**state.pieces, **doubted})
    after = _spread(after, rules)
    told = _list(state, after, number, spans[number].why)
    return after, (told, *_reopened(state, after))


def _spread(state: AssuranceState, rules: AssuranceRules) -> AssuranceState:
    """Hold whatever lies in one box with a piece in doubt and can't be told from it."""
    if rules.identity == "tray":
        return state
    doubted = [s for s in state.pieces.values() if s.is_in_doubt and s.settled is None]
    boxes = {s.box for s in doubted if s.box} | state.held_boxes
    mates = {
        key: replace(s, is_in_held_box=True)
        for key, s in state.pieces.items()
        if s.box in boxes and s.settled is None
    }
    return replace(state, pieces={**state.pieces, **mates}, held_boxes=frozenset(boxes))


def _list(before: AssuranceState, after: AssuranceState, span: int, why: str) -> SpanHeld:
    new = {
        key: s
        for key, s in after.pieces.items()
        if (s.is_held and not before.pieces[key].is_held) or (s.span == span and s.is_in_doubt)
    }
    # By sequence the facts are in order, whatever their clocks said.
    moments = [s.graded for s in after.pieces.values() if s.span == span and s.is_in_doubt]
    return SpanHeld(
        span=span,
        pieces=tuple(sorted(new)),
        boxes=tuple(sorted({s.box for s in new.values() if s.box})),
        cells=tuple(sorted({s.cell for s in new.values() if s.cell})),
        first=moments[0] if moments else None,
        last=moments[-1] if moments else None,
        why=why,
    )


def _reopened(before: AssuranceState, after: AssuranceState) -> tuple[OrderReopened, ...]:
    found = []
    for (lot, grade), quantity in after.ordered.items():
        was, now = counted(before, lot, grade), counted(after, lot, grade)
        if was >= quantity > now:
            found.append(OrderReopened(lot, grade, now, quantity))
    return tuple(found)


# --- pieces ----------------------------------------------------------------------------------


def _graded(state: AssuranceState, fact: Graded, rules: AssuranceRules) -> AssuranceState:
    """Take a verdict; one with clampings before a failed check or a change is in doubt."""
    before = state.pieces.get(fact.piece)
    if before is not None and before.settled is not None:
        lot, number = fact.piece
        raise RecordContradictsError(
            f"fact {fact.seq}: piece {number} of {lot} is {before.settled}, yet graded anew"
        )
    span = _span_of(state, fact) if rules.asked else None
    standing = Standing(
        fact.grade, fact.meets, span, fact.at, cell=fact.cell, is_hold=fact.is_hold,
        is_in_doubt=span is not None and state.spans[span].is_doubtful,
    )  # fmt: skip
    # Taken out first: pieces stand in the order of their verdicts.
    others = {key: s for key, s in state.pieces.items() if key != fact.piece}
    pieces = {**others, fact.piece: standing}
    return replace(state, pieces=pieces, good_kinds=frozenset())


def _span_of(state: AssuranceState, fact: Graded) -> int:
    began = fact.seq if fact.began_seq is None else fact.began_seq
    for number, span in enumerate(state.spans):
        if span.closed_by is not None and span.closed_by > began and span.is_doubtful:
            return number
    return len(state.spans) - 1


def _put_away(state: AssuranceState, fact: PutAway, rules: AssuranceRules) -> Result:
    standing = state.pieces.get(fact.piece)
    if standing is None:
        raise RecordContradictsError(f"fact {fact.seq}: {fact.piece} was put away ungraded")
    lies = replace(standing, is_put_away=True, box=fact.box)
    after = replace(state, pieces={**state.pieces, fact.piece: lies})
    if not lies.is_in_doubt and fact.box not in state.held_boxes:
        return after, ()
    after = _spread(after, rules)
    return after, _reopened(state, after)


# --- dispositions ----------------------------------------------------------------------------


def _disposed(state: AssuranceState, fact: Disposed) -> Result:
    changed = {key: _after(s, fact) for key, s in _targets(state, fact).items()}
    after = replace(state, pieces={**state.pieces, **changed})
    if fact.box:
        after = replace(after, held_boxes=after.held_boxes - {fact.box})
    return after, _reopened(state, after)


def _targets(state: AssuranceState, fact: Disposed) -> Mapping[PieceKey, Standing]:
    if fact.piece is not None:
        if fact.piece not in state.pieces:
            raise RecordContradictsError(f"fact {fact.seq}: {fact.piece} was never graded")
        return {fact.piece: state.pieces[fact.piece]}
    return {k: s for k, s in state.pieces.items() if s.box == fact.box and s.settled is None}


def _after(standing: Standing, fact: Disposed) -> Standing:
    """Return a piece after a decision. What is released stays in a span that is open."""
    match fact.action:
        case "scrap":
            return replace(standing, settled="scrapped", box="")
        case "concession":
            return replace(standing, settled="concession")
        case "re-measure" if fact.box:
            return replace(standing, settled="replaced", box="")
        case "re-measure":
            return replace(standing, awaits_cycle=True, is_put_away=False, box="")
        case "regrade":
            # One piece has to be carried to its new bin; a box stays where it stands.
            lies = standing.is_put_away and bool(fact.box)
            return replace(standing, grade=fact.grade, is_hold=False, is_put_away=lies)
        case "release":
            span = None if standing.is_in_doubt else standing.span
            return replace(
                standing, span=span, is_hold=False, is_in_doubt=False, is_in_held_box=False,
                is_released=standing.is_released or standing.is_in_doubt,
            )  # fmt: skip
