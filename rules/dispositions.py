"""Dispositions: what may be decided about pieces on hold, and by whom.

Each gives one fact with role, reason and time; nothing earlier is changed, the original
verdict stays. What a decision does to a piece is in ``rules.assurance``; here is whether it
makes sense now, so that a wrong one is refused before it is recorded.

A piece whose measurement is in doubt can be measured again, scrapped, released or used by
concession by somebody who answers for it; it can't be regraded, because a regrade rests on
the very figures that are doubted.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rules.assurance import status_of, waits_for_check
from rules.assurance_model import (
    Action,
    AssuranceRules,
    AssuranceState,
    Disposed,
    PieceKey,
    Standing,
)
from rules.moment import Moment


class DispositionRefusedError(Exception):
    """A decision that makes no sense; the message says why and what is accepted."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What somebody decided.

    Attributes:
        action: What is to be done.
        role: Who decides, by role.
        reason: Why.
        at: When.
        grade: The grade of a regrade; None else.
    """

    action: Action
    role: str
    reason: str
    at: Moment
    grade: str | None = None


def dispose_piece(
    state: AssuranceState,
    rules: AssuranceRules,
    piece: PieceKey,
    decision: Decision,
    seq: int,
) -> Disposed:
    """Return the fact of a decision on one piece that can be identified.

    Raises:
        DispositionRefusedError: With the reason and what is accepted.
    """
    _check_words(decision)
    standing = state.pieces.get(piece)
    lot, number = piece
    if standing is None:
        raise DispositionRefusedError(f"piece {number} of lot {lot} has no verdict")
    if standing.box and rules.identity == "box":
        raise DispositionRefusedError(
            f"piece {number} lies in box {standing.box} among others and can't be told from "
            f"them; accepted is a decision on the whole box {standing.box}"
        )
    _check(state, piece, standing, decision)
    return _fact(decision, piece, "", seq)


def dispose_box(
    state: AssuranceState, rules: AssuranceRules, box: str, decision: Decision, seq: int
) -> Disposed:
    """Return the fact of a decision on a whole box of pieces that can't be told apart.

    Measured again it is emptied: its pieces are closed as replaced and numbered anew, those
    that were released before among them.

    Raises:
        DispositionRefusedError: With the reason and what is accepted.
    """
    _check_words(decision)
    if rules.identity != "box":
        raise DispositionRefusedError(
            "pieces of this bench are known by their cells; accepted is a decision a piece"
        )
    inside = {k: s for k, s in state.pieces.items() if s.box == box and s.settled is None}
    if not box or not inside:
        known = sorted({s.box for s in state.pieces.values() if s.box and not s.settled})
        raise DispositionRefusedError(
            f"no box {box!r} with pieces; accepted are {', '.join(known) or 'none'}"
        )
    is_held = any(standing.is_held for standing in inside.values())
    for piece, standing in inside.items():
        is_mate = not standing.is_hold or decision.action != "release"
        if is_held and is_mate and decision.action in ("re-measure", "scrap", "release"):
            continue  # the box is one thing: mates that nothing is held against go with it
        _check(state, piece, standing, decision)
    return _fact(decision, None, box, seq)


def held(state: AssuranceState) -> tuple[tuple[PieceKey, str], ...]:
    """Return every piece on hold with the reason in words: the list for the lead."""
    return tuple(
        (piece, why_held(state, standing))
        for piece, standing in sorted(state.pieces.items())
        if standing.is_held
    )


def why_held(state: AssuranceState, standing: Standing) -> str:
    """Return why a piece is on hold; "" when it is not."""
    reasons = []
    if standing.is_in_doubt and standing.span is not None:
        span = state.spans[standing.span]
        of_check = f"the master check after it failed: {span.why}" if span.why else ""
        reasons.append(span.why if span.state == "unproved" else of_check or "check failed")
    elif standing.is_in_held_box:
        reasons.append(f"it lies in box {standing.box} among pieces in doubt")
    if standing.is_hold:
        reasons.append("its verdict is hold")
    if standing.awaits_cycle:
        reasons.append("it is to be measured again")
    return "; ".join(reasons) if standing.is_held else ""


def _check_words(decision: Decision) -> None:
    if not decision.role.strip() or not decision.reason.strip():
        raise DispositionRefusedError("a disposition needs a role and a reason")
    if (decision.action == "regrade") != (decision.grade is not None):
        raise DispositionRefusedError(
            "a regrade, and nothing else, names the grade that the piece gets"
        )


def _check(
    state: AssuranceState, piece: PieceKey, standing: Standing, decision: Decision
) -> None:
    number = piece[1]
    status = status_of(state, piece)
    if standing.settled is not None:
        raise DispositionRefusedError(f"piece {number} is {status} already")
    if decision.action == "regrade":
        _check_regrade(number, standing, decision.grade)
    elif decision.action in ("concession", "release"):
        is_nonconforming = standing.grade is None and decision.action == "concession"
        if not standing.is_held and not is_nonconforming:
            raise DispositionRefusedError(
                f"piece {number} is {status}; a {decision.action} is for pieces on hold"
            )
        if status == "open" or waits_for_check(state, standing):
            raise DispositionRefusedError(
                f"piece {number} was measured since the last good check: check the master first"
            )
        if standing.awaits_cycle:
            raise DispositionRefusedError(f"piece {number} is to be measured again: do that")


def _check_regrade(number: int, standing: Standing, grade: str | None) -> None:
    if standing.is_in_doubt or standing.is_in_held_box or standing.awaits_cycle:
        raise DispositionRefusedError(
            f"piece {number}: its measurement is in doubt, no rule can regrade it; accepted "
            "are re-measure, scrap, concession, release"
        )
    if grade not in standing.meets:
        met: Sequence[str] = standing.meets or ("none",)
        raise DispositionRefusedError(
            f"piece {number} does not meet {grade!r}; its verdict meets {', '.join(met)}"
        )


def _fact(decision: Decision, piece: PieceKey | None, box: str, seq: int) -> Disposed:
    return Disposed(
        seq, decision.action, piece, box, decision.grade, decision.role.strip(),
        decision.reason.strip(), decision.at,
    )  # fmt: skip
