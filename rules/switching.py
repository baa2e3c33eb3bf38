"""Switching rules between normal and tightened inspection: one step a lot.

MIL-STD-105E (1989), 4.7 and 4.8, from memory: normal to tightened when two of five or fewer
consecutive lots were not accepted on original inspection; tightened to normal when five
consecutive lots were accepted on original inspection; discontinued when five lots, counted
together since tightened inspection began, were not accepted. After corrective action it is
resumed, tightened. Lots presented again never count. (105D counted ten lots in a row on
tightened inspection instead: that is another edition.) No reduced inspection.
"""

from dataclasses import dataclass, replace
from typing import Literal

from rules.attribute_plans import Severity

WINDOW = 5
"""Lots looked back on under normal inspection."""

REFUSED_TO_TIGHTEN = 2
ACCEPTED_TO_RELAX = 5
REFUSED_TO_STOP = 5


@dataclass(frozen=True, slots=True)
class Switching:
    """State of a series of lots.

    Attributes:
        severity: How the next lot is inspected.
        is_discontinued: Nothing is accepted on samples until corrective action.
        recent: Under normal inspection: whether the lots since its beginning were accepted,
            the last five, newest last.
        accepted_in_row: Under tightened inspection: consecutive lots accepted.
        refused: Under tightened inspection: lots not accepted since it began.
    """

    severity: Severity = "normal"
    is_discontinued: bool = False
    recent: tuple[bool, ...] = ()
    accepted_in_row: int = 0
    refused: int = 0


@dataclass(frozen=True, slots=True)
class LotJudged:
    """A lot was judged on its sample.

    Attributes:
        is_accepted: Whether the sample accepted it.
        is_resubmitted: Whether it had been refused before: then it never counts.
    """

    is_accepted: bool
    is_resubmitted: bool = False


@dataclass(frozen=True, slots=True)
class CorrectiveAction:
    """The cause was dealt with; who says so is on the record."""


SwitchingEvent = LotJudged | CorrectiveAction

SwitchingOutcome = Literal["tightened", "normal", "discontinued", "resumed"]


class SwitchingError(ValueError):
    """An event that the series is not in a state for."""


def step(
    state: Switching, event: SwitchingEvent
) -> tuple[Switching, tuple[SwitchingOutcome, ...]]:
    """Return the next state and what changed. Pure.

    Raises:
        SwitchingError: If a lot is judged while inspection is discontinued, or a
            corrective action resumes what was not discontinued.
    """
    match event:
        case CorrectiveAction():
            if not state.is_discontinued:
                raise SwitchingError("inspection is not discontinued: nothing to resume")
            return Switching("tightened"), ("resumed",)
        case LotJudged():
            if state.is_discontinued:
                raise SwitchingError("inspection is discontinued until corrective action")
            if event.is_resubmitted:
                return state, ()
            if state.severity == "normal":
                return _on_normal(state, event.is_accepted)
            return _on_tightened(state, event.is_accepted)


def _on_normal(
    state: Switching, is_accepted: bool
) -> tuple[Switching, tuple[SwitchingOutcome, ...]]:
    recent = (*state.recent, is_accepted)[-WINDOW:]
    if recent.count(False) >= REFUSED_TO_TIGHTEN:
        return Switching("tightened"), ("tightened",)
    return replace(state, recent=recent), ()


def _on_tightened(
    state: Switching, is_accepted: bool
) -> tuple[Switching, tuple[SwitchingOutcome, ...]]:
    in_row = state.accepted_in_row + 1 if is_accepted else 0
    refused = state.refused + (not is_accepted)
    if refused >= REFUSED_TO_STOP:
        stopped = replace(state, is_discontinued=True, accepted_in_row=0, refused=refused)
        return stopped, ("discontinued",)
    if in_row >= ACCEPTED_TO_RELAX:
        return Switching("normal"), ("normal",)
    return replace(state, accepted_in_row=in_row, refused=refused), ()
