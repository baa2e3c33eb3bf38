"""The cycle: which clampings make up one piece, and when they settle what it is worth.

All transitions of a cycle are in this file. A piece has cycles 1…n: the first, a whole-set
retry, one after an interruption, one when it is measured again later.
"""

from dataclasses import dataclass
from typing import Literal

from rules.clamping import Clamping
from rules.evolve import evolve
from rules.grading import Assessed, Decision, assess, best_in_reach, decide
from rules.ruleset import RuleSet

CycleKind = Literal["first", "retry", "after-interruption", "re-measured"]
HowEnded = Literal["graded", "invalid", "interrupted", "abandoned"]


@dataclass(frozen=True, slots=True)
class ClampingEnded:
    """A clamping of this piece came out of the capture."""

    clamping: Clamping


@dataclass(frozen=True, slots=True)
class Interrupted:
    """Nobody can know whether the collet was touched: line lost, service restarted."""

    reason: str


@dataclass(frozen=True, slots=True)
class RetryAsked:
    """The lead found dirt and asks for the whole set again."""

    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class Abandoned:
    """The lead gives the piece up unmeasured."""

    reason: str
    role: str


CycleEvent = ClampingEnded | Interrupted | RetryAsked | Abandoned


@dataclass(frozen=True, slots=True)
class ClampingCounted:
    """A clamping belongs to the cycle; ``number`` counts from 1, invalid ones included."""

    number: int
    clamping: Clamping
    assessed: Assessed


@dataclass(frozen=True, slots=True)
class CycleEnded:
    """The cycle is over; ``decision`` is set when it settled a verdict."""

    how: HowEnded
    reason: str
    decision: Decision | None = None


@dataclass(frozen=True, slots=True)
class RetryRefused:
    """No whole-set retry now; ``reason`` says why."""

    reason: str


CycleOutcome = ClampingCounted | CycleEnded | RetryRefused


@dataclass(frozen=True)  # no slots: changed by ``evolve``
class CycleState:
    """The piece in work.

    Attributes:
        number: Cycle of the piece, from 1.
        kind: Why this cycle exists.
        assessed: Its clampings so far.
        before: The last of them whose readings were good, whatever it counted for.
        is_settled: Its verdict is there; the piece waits for its put-away.
        retries: Whole-set retries the piece has had.
        was_put_away: The piece lay in its bin and was regraded: its set is not taken again.
    """

    number: int = 1
    kind: CycleKind = "first"
    assessed: tuple[Assessed, ...] = ()
    before: Clamping | None = None
    is_settled: bool = False
    retries: int = 0
    was_put_away: bool = False

    @property
    def is_open(self) -> bool:
        """Return whether it has a clamping and no verdict."""
        return bool(self.assessed) and not self.is_settled


def step(
    state: CycleState, event: CycleEvent, rules: RuleSet
) -> tuple[CycleState, tuple[CycleOutcome, ...]]:
    """Return the next state and what came out of it. Pure: no clock, no I/O."""
    match event:
        case ClampingEnded():
            return _clamping(state, event.clamping, rules)
        case Interrupted():
            if not state.is_open:
                return state, ()
            again = _next_cycle(state, "after-interruption")
            return again, (CycleEnded("interrupted", event.reason),)
        case RetryAsked():
            return _retry(state, rules)
        case Abandoned() if state.is_settled:
            return CycleState(), ()  # its cycle has ended; a cycle ends once
        case Abandoned():
            return CycleState(), (CycleEnded("abandoned", event.reason),)


def needed(state: CycleState, rules: RuleSet) -> int:
    """Return how many clampings the best grade still in reach needs, repeats included."""
    grade = best_in_reach(state.assessed, rules)
    invalid = sum(1 for a in state.assessed if a.result == "invalid")
    return (grade.clampings if grade else len(state.assessed)) + invalid


def _next_cycle(state: CycleState, kind: CycleKind) -> CycleState:
    retries = state.retries + (kind == "retry")
    return CycleState(state.number + 1, kind, retries=retries)


def _clamping(
    state: CycleState, clamping: Clamping, rules: RuleSet
) -> tuple[CycleState, tuple[CycleOutcome, ...]]:
    assessed = assess(clamping, rules, state.before)
    before = clamping if clamping.invalid is None else state.before
    state = evolve(state, assessed=(*state.assessed, assessed), before=before)
    counted = ClampingCounted(len(state.assessed), clamping, assessed)
    decision = decide(state.assessed, rules)
    if decision is None:
        return state, (counted,)
    how: HowEnded = "invalid" if decision.why == "invalid" else "graded"
    ended = CycleEnded(how, decision.text, decision)
    return evolve(state, is_settled=True), (counted, ended)


def _retry(state: CycleState, rules: RuleSet) -> tuple[CycleState, tuple[CycleOutcome, ...]]:
    """Take the whole set again, never one clamping; once, and only before the put-away."""
    if not state.is_settled:
        return state, (RetryRefused("there is no verdict to retry; it needs one first"),)
    if state.was_put_away:
        return state, (RetryRefused("this piece was put away: it can be measured again"),)
    if state.retries >= rules.retries:
        return state, (RetryRefused(f"this piece has had its retries ({rules.retries})"),)
    return _next_cycle(state, "retry"), ()
