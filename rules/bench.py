"""One bench: capture, cycle and put-away hung together, as one pure step.

A reading enters here and leaves as facts for the store. The daemon commits the facts in one
transaction and only then adopts the new state; if the commit fails it keeps nothing of it.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

from rules import capture, cycle, foot_switch, put_away
from rules.capture_model import (
    CaptureEvent,
    CaptureOutcome,
    CaptureRules,
    CaptureState,
    ClampingEnded,
    ClampingStarted,
    Edge,
    LineBack,
    LineLost,
    Loosened,
    Noticed,
    Removed,
    Seen,
    Tick,
    ValueRefused,
)  # fmt: skip
from rules.clamping import Clamping
from rules.cycle import CycleState
from rules.facts import (
    AlarmCode,
    AlarmFact,
    ClampingFact,
    CorrectionFact,
    CycleEndedFact,
    CycleOpenedFact,
    Fact,
    LotFact,
    PutAwayFact,
    Refusal,
    RefusedFact,
)  # fmt: skip
from rules.foot_switch import CALLS, FootRules
from rules.line_events import SignalFault
from rules.lot import LotView, OpenWork
from rules.put_away import PutAwayRules, PutAwayState
from rules.ruleset import RuleSet


@dataclass(frozen=True, slots=True)
class BenchRules:
    """Everything a step goes by: rule file, capture, put-away and foot switch of the bench."""

    grading: RuleSet
    capture: CaptureRules
    put_away: PutAwayRules
    foot: FootRules = field(default_factory=FootRules)


@dataclass(frozen=True, slots=True)
class Placed:
    """A bin's sensor or button saw a piece."""

    bin: str


@dataclass(frozen=True, slots=True)
class RetryAsked:
    """The lead asks for the whole set again; ``reason`` names the dirt found."""

    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class Abandoned:
    """The lead gives the piece in work up."""

    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class CallAnswered:
    """Somebody answers the operator's call."""

    role: str


@dataclass(frozen=True, slots=True)
class Forecasted:
    """The forecast of the order says, or says no more, that the lot will not suffice."""

    is_short: bool
    text: str


BenchEvent = (
    CaptureEvent | SignalFault | Placed | RetryAsked | Abandoned | CallAnswered | Forecasted
)


class CommandRefusedError(Exception):
    """A command that makes no sense now; the message says why and what does."""


@dataclass(frozen=True, slots=True)
class BenchState:
    """Where one bench stands.

    Attributes:
        capture: Which readings belong together.
        cycle: The piece's clampings.
        put_away: Where the piece in hand belongs.
        piece: Number of the piece in work or in hand; None between pieces.
        grade: Grade of the verdict that waits for its put-away.
        lost: Indicators that do not speak, with the reason.
        is_measuring: A clamping is being swept.
        begun: Whether that clamping counted when it began, or why not; None: none began.
        foot_down_ns: Since when the foot switch is down.
        foot_down_in: Where the press found the bench.
        signal_faults: Wired signals that can't be believed, with the reason.
        alarms: Alarms that stand, with their texts.
        seen: Indicators that have spoken since the start.
        low: Indicators whose battery is low.
    """

    capture: CaptureState = field(default_factory=CaptureState)
    cycle: CycleState = field(default_factory=CycleState)
    put_away: PutAwayState = field(default_factory=PutAwayState)
    piece: int | None = None
    grade: str | None = None
    lost: tuple[tuple[str, str], ...] = ()
    is_measuring: bool = False
    begun: Refusal | Literal["counts"] | None = None
    foot_down_ns: int | None = None
    foot_down_in: foot_switch.Place = "coming-up"
    signal_faults: tuple[tuple[str, str], ...] = ()
    alarms: tuple[tuple[AlarmCode, str], ...] = ()
    seen: frozenset[str] = frozenset()
    low: frozenset[str] = frozenset()


Result = tuple[BenchState, tuple[Fact, ...]]


def step(
    state: BenchState, event: BenchEvent, rules: BenchRules, lot: LotView | None
) -> Result:
    """Return the next state and the facts to keep. Pure: no clock, no I/O.

    Args:
        state: The adopted state.
        event: What came.
        rules: Rule file, capture and put-away in force.
        lot: The open lot as the store has it now; None when none is open.

    Raises:
        CommandRefusedError: For a command (retry, abandon, answer) that makes no sense now.
    """
    match event:
        case Seen():
            return _reading(state, event, rules, lot)
        case Edge(signal="foot"):
            return _foot(state, event, rules, lot)
        case LineLost():
            return _line_lost(state, event, rules, lot)
        case LineBack():
            return _line_back(state, event, rules, lot)
        case Edge() | Tick():
            return _captured(state, event, rules, lot)
        case Placed():
            return _put_away(state, put_away.Placed(event.bin), rules, lot)
        case SignalFault():
            return _signal_fault(state, event)
        case Forecasted():
            return _alarm(state, "order-short", event.is_short, event.text)
        case RetryAsked() | Abandoned() | CallAnswered():
            return _asked(state, event, rules)


def resume(work: OpenWork | None) -> Result:
    """Return the state after a start, and the facts a start adds to the record.

    A cycle that was open is interrupted: nobody can know whether the collet was touched.
    A verdict whose put-away is not recorded is still awaited, and a wrong bin still locks.
    """
    if work is None:
        return BenchState(), ()
    if work.bin is not None:
        settled = CycleState(work.cycle, work.kind, is_settled=True, retries=work.retries)
        waits = PutAwayState(work.bin, work.wrong)
        state = BenchState(cycle=settled, put_away=waits, piece=work.piece, grade=work.grade)
        if work.wrong is not None:
            text = f"piece {work.piece} lies in bin {work.wrong}, it belongs in bin {work.bin}"
            state = replace(state, alarms=(("wrong-bin", text),))
        return state, ()
    if work.clampings == 0 and not work.is_interrupted:
        again = CycleState(work.cycle, work.kind, retries=work.retries)
        return BenchState(cycle=again, piece=work.piece), ()
    again = CycleState(work.cycle + 1, "after-interruption", retries=work.retries)
    facts: tuple[Fact, ...] = ()
    if not work.is_interrupted:
        reason = "the service started anew within the cycle"
        facts = (CycleEndedFact(work.piece, work.cycle, "interrupted", reason),)
    return BenchState(cycle=again, piece=work.piece), facts


def with_lines(
    state: BenchState,
    seen: frozenset[str],
    lost: tuple[tuple[str, str], ...],
    signal_faults: tuple[tuple[str, str], ...] = (),
    alarms: tuple[tuple[AlarmCode, str], ...] = (),
) -> BenchState:
    """Return the state knowing what speaks and who called: that outlives lot and store trouble.

    Args:
        state: The state anew.
        seen: Indicators that have spoken since the start.
        lost: Those that do not speak.
        signal_faults: Wired signals that can't be believed.
        alarms: Alarms that stood before; of these the calls go on standing.
    """
    kept = tuple(entry for entry in alarms if entry[0] in CALLS)
    if lost:
        kept = (*kept, ("indicator-lost", _joined(lost)))
    if signal_faults:
        kept = (*kept, ("signal-fault", _joined(signal_faults)))
    return replace(
        state, seen=seen, lost=lost, signal_faults=signal_faults, alarms=(*state.alarms, *kept)
    )


def _joined(entries: tuple[tuple[str, str], ...]) -> str:
    return "; ".join(f"{name}: {why}" for name, why in entries)


def note_line(state: BenchState, event: BenchEvent) -> BenchState:
    """Return the state knowing whether a line speaks, while nothing else is taken."""
    if isinstance(event, SignalFault):
        return replace(state, signal_faults=_without(state.signal_faults, event))
    if not isinstance(event, LineLost | LineBack):
        return state
    others = tuple(entry for entry in state.lost if entry[0] != event.indicator)
    if isinstance(event, LineLost):
        others = (*others, (event.indicator, event.reason))
    return replace(state, lost=others)


# --- what the indicators say ---------------------------------------------------------------


def _reading(state: BenchState, seen: Seen, rules: BenchRules, lot: LotView | None) -> Result:
    if seen.indicator not in state.seen:
        state = replace(state, seen=state.seen | {seen.indicator})
    facts: tuple[Fact, ...] = ()
    is_low = "low-battery" in seen.reading.flags
    if is_low != (seen.indicator in state.low):
        low = state.low ^ {seen.indicator}
        text = ", ".join(f"{name}: battery low" for name in sorted(low))
        state, facts = _alarm(replace(state, low=low), "battery-low", bool(low), text)
    state, more = _captured(state, seen, rules, lot)
    return state, (*facts, *more)


def _captured(
    state: BenchState, event: CaptureEvent, rules: BenchRules, lot: LotView | None
) -> Result:
    if state.lost and not _passes_while_lost(event):
        return state, ()
    captured, outcomes = capture.step(state.capture, event, rules.capture)
    if captured is not state.capture:
        state = replace(state, capture=captured)
    facts: tuple[Fact, ...] = ()
    for outcome in outcomes:
        state, more = _outcome(state, outcome, rules, lot)
        facts = (*facts, *more)
    return state, facts


def _passes_while_lost(event: CaptureEvent) -> bool:
    """Return whether an event means anything while an indicator does not speak.

    Another one's readings make no clamping and show no loosening; the spindle turns on.
    """
    if isinstance(event, Edge):
        return event.signal in ("index", "run")
    return isinstance(event, LineLost | LineBack)


def _outcome(
    state: BenchState, outcome: CaptureOutcome, rules: BenchRules, lot: LotView | None
) -> Result:
    match outcome:
        case ClampingStarted():
            return _clamping_started(state, lot)
        case ClampingEnded():
            return _clamping_ended(state, outcome.clamping, rules, lot)
        case Loosened():
            return state, ()
        case Removed():
            return _put_away(state, put_away.Removed(), rules, lot)
        case ValueRefused():
            refused = RefusedFact("too-soon", outcome.at_ns, value_nm=outcome.value_nm)
            return state, (refused,)
        case Noticed():
            return _alarm(state, outcome.what, outcome.is_on, outcome.text)


def why_refused(state: BenchState, lot: LotView | None) -> Refusal | None:
    """Return why a clamping would belong to no piece now; None when it would."""
    if lot is None:
        return "no-lot"
    if state.put_away.pending is not None:
        return "before-put-away"
    if state.piece is not None:
        return None
    if lot.order_state == "filled-check-due" or lot.is_covered:
        return "order-filled"
    return "beyond-lot" if lot.is_exhausted else None


def _clamping_started(state: BenchState, lot: LotView | None) -> Result:
    refusal = why_refused(state, lot)
    state = replace(state, is_measuring=True, begun=refusal or "counts")
    if refusal == "before-put-away":
        where = state.put_away.pending
        return _alarm(
            state, "not-put-away", True, f"piece {state.piece} belongs in bin {where}"
        )
    if refusal == "beyond-lot":
        return _alarm(state, "beyond-lot", True, "more pieces than the lot was opened with")
    return _alarm(state, "beyond-lot", False, "")


def _clamping_ended(
    state: BenchState, clamping: Clamping, rules: BenchRules, lot: LotView | None
) -> Result:
    """Give a clamping to the piece it was begun for, never to another."""
    refusal = state.begun or "begun-before"
    if refusal == "counts":
        refusal = why_refused(state, lot) or "counts"
    state = replace(state, is_measuring=False, begun=None)
    if refusal != "counts" or lot is None:
        reason = refusal if refusal != "counts" else "no-lot"
        return state, (RefusedFact(reason, clamping.ended_ns, clamping),)
    is_new = state.piece is None
    piece = lot.next_piece if state.piece is None else state.piece
    state = replace(state, piece=piece)
    at = state.cycle
    state, facts = _cycle_step(state, cycle.ClampingEnded(clamping), rules)
    first = facts[0]
    assert isinstance(first, ClampingFact)  # the cycle counts every clamping it is given
    return state, (replace(first, is_new_piece=is_new and at.number == 1), *facts[1:])


def _cycle_step(state: BenchState, event: cycle.CycleEvent, rules: BenchRules) -> Result:
    before = state.cycle
    after, outcomes = cycle.step(before, event, rules.grading)
    state = replace(state, cycle=after)
    piece = state.piece
    assert piece is not None  # a cycle belongs to a piece
    facts: tuple[Fact, ...] = ()
    for outcome in outcomes:
        match outcome:
            case cycle.ClampingCounted(number, clamping, assessed):
                counted = ClampingFact(
                    piece, False, before.number, before.kind, number, clamping, assessed
                )
                facts = (*facts, counted)
            case cycle.CycleEnded(how, reason, decision):
                facts = (*facts, CycleEndedFact(piece, before.number, how, reason, decision))
                if decision is not None:
                    waits, _ = put_away.step(
                        state.put_away, put_away.Graded(decision.bin), rules.put_away
                    )
                    state = replace(state, put_away=waits, grade=decision.grade)
            case cycle.RetryRefused(reason):
                raise CommandRefusedError(reason)
    return state, facts


# --- lost lines ------------------------------------------------------------------------------


def _line_lost(
    state: BenchState, event: LineLost, rules: BenchRules, lot: LotView | None
) -> Result:
    """Take note once a line; the open cycle is over, whatever the line was doing.

    A further loss of the same indicator only says better why.
    """
    others = tuple(entry for entry in state.lost if entry[0] != event.indicator)
    lost = (*others, (event.indicator, event.reason))
    if others != state.lost:
        return _alarm(replace(state, lost=lost), "indicator-lost", True, _joined(lost))
    state, facts = _captured(state, event, rules, lot)
    state = replace(
        state,
        lost=lost,
        is_measuring=False,
        begun=None,
        foot_down_ns=None,
    )
    if state.cycle.is_open:
        state, ended = _cycle_step(state, cycle.Interrupted(event.reason), rules)
        facts = (*facts, *ended)
    state, raised = _alarm(state, "indicator-lost", True, _joined(state.lost))
    return state, (*facts, *raised)


def _line_back(
    state: BenchState, event: LineBack, rules: BenchRules, lot: LotView | None
) -> Result:
    """Take note; what was seen while the line was lost counts for nothing."""
    lost = tuple(entry for entry in state.lost if entry[0] != event.indicator)
    if lost == state.lost:
        return state, ()
    state, facts = _captured(replace(state, lost=lost), event, rules, lot)
    state, more = _alarm(state, "indicator-lost", bool(lost), _joined(state.lost))
    return state, (*facts, *more)


def _signal_fault(state: BenchState, event: SignalFault) -> Result:
    """Take note of a wired signal that can't be believed: a press that began is none."""
    state = replace(state, signal_faults=_without(state.signal_faults, event))
    if event.signal == "foot":
        state = replace(state, foot_down_ns=None)
    faults = state.signal_faults
    return _alarm(state, "signal-fault", bool(faults), _joined(faults))


def _without(
    faults: tuple[tuple[str, str], ...], event: SignalFault
) -> tuple[tuple[str, str], ...]:
    others = tuple(entry for entry in faults if entry[0] != event.signal)
    return (*others, (event.signal, event.text)) if event.text else others


# --- foot switch ------------------------------------------------------------------------------


def foot_place(state: BenchState, rules: BenchRules, lot: LotView | None) -> foot_switch.Place:
    """Return where a press of the foot switch finds the bench."""
    return foot_switch.place(
        state.put_away,
        foot_confirms="foot" in rules.put_away.by,
        is_lost=bool(state.lost),
        has_spoken=bool(state.seen),
        refusal=why_refused(state, lot),
        is_single_value=rules.capture.mode == "single-value",
        is_turning=state.is_measuring or state.capture.phase in ("running-up", "sweeping"),
        is_loosened=state.capture.loosening is not None,
    )


def _foot(state: BenchState, edge: Edge, rules: BenchRules, lot: LotView | None) -> Result:
    """Take the foot switch when it is let go: only then is it known which press it was."""
    where = foot_place(state, rules, lot)
    if edge.is_on:
        return replace(state, foot_down_ns=edge.at_ns, foot_down_in=where), ()
    if state.foot_down_ns is None:
        return state, ()  # held down since before the start: nobody pressed it
    held_ns = edge.at_ns - state.foot_down_ns
    state = replace(state, foot_down_ns=None)
    match foot_switch.meaning(state.foot_down_in, where, rules.foot.press(held_ns)):
        case "nothing":
            return state, ()
        case "confirm":
            return _put_away(state, put_away.FootPressed(held_ns), rules, lot)
        case "loosened":
            return _captured(state, Edge("foot", True, edge.at_ns), rules, lot)
        case "call-help":
            return _call(state, "help-called")
        case "ask-attention":
            return _call(state, "attention-asked")


def _call(state: BenchState, code: foot_switch.Call) -> Result:
    """Call somebody; where a call stands already, the second long press takes it back."""
    if any(_stands(state, standing) for standing in CALLS):
        return _end_calls(state, "taken back")
    text = foot_switch.CALL_TEXT[code]
    if code == "attention-asked":
        text = f"piece {state.piece}: {text}"
    return _alarm(state, code, True, text)


def _end_calls(state: BenchState, text: str) -> Result:
    facts: tuple[Fact, ...] = ()
    for code in CALLS:
        state, returned = _alarm(state, code, False, text)
        facts = (*facts, *returned)
    return state, facts


# --- put-away ---------------------------------------------------------------------------------


def _put_away(
    state: BenchState,
    event: put_away.PutAwayEvent,
    rules: BenchRules,
    lot: LotView | None,
) -> Result:
    waits, outcomes = put_away.step(state.put_away, event, rules.put_away)
    piece, number, expected = state.piece, state.cycle.number, state.put_away.pending
    state = replace(state, put_away=waits)
    facts: tuple[Fact, ...] = ()
    for outcome in outcomes:
        match outcome:
            case put_away.NothingPending(bin_id):
                facts = (*facts, PutAwayFact(None, None, bin_id, None, "bin"))
            case put_away.WrongBin(bin_id, _):
                text = f"piece {piece} lies in bin {bin_id}, it belongs in bin {expected}"
                facts = (*facts, PutAwayFact(piece, number, bin_id, expected, "bin"))
                state, raised = _alarm(state, "wrong-bin", True, text)
                facts = (*facts, *raised)
            case put_away.PieceClosed(bin_id, by):
                closed = PutAwayFact(piece, number, bin_id, expected, by)
                state, more = _closed(state, lot)
                facts = (*facts, closed, *more)
    if state.put_away.wrong is None:
        state, returned = _alarm(state, "wrong-bin", False, "")
        facts = (*facts, *returned)
    return state, facts


def _closed(state: BenchState, lot: LotView | None) -> Result:
    state, facts = _clear(state)
    if lot is not None and lot.fills_order(state.grade):
        facts = (*facts, LotFact("order-filled"))
    elif lot is not None and lot.is_exhausted:
        facts = (*facts, LotFact("exhausted", "every piece of the lot was measured"))
    return replace(state, piece=None, grade=None, cycle=CycleState()), facts


# --- what the lead asks -----------------------------------------------------------------------


def _asked(
    state: BenchState, asked: RetryAsked | Abandoned | CallAnswered, rules: BenchRules
) -> Result:
    match asked:
        case RetryAsked():
            return _retry(state, asked, rules)
        case Abandoned():
            return _abandon(state, asked, rules)
        case CallAnswered():
            if not any(_stands(state, code) for code in CALLS):
                raise CommandRefusedError("nobody has called from this bench")
            return _end_calls(state, f"answered by {asked.role}")


def _retry(state: BenchState, asked: RetryAsked, rules: BenchRules) -> Result:
    if state.piece is None or state.put_away.pending is None:
        raise CommandRefusedError(
            "a retry is for a piece that has its verdict and is not yet put away"
        )
    if not asked.reason.strip():
        raise CommandRefusedError("a retry needs its reason: the dirt that was found")
    state, facts = _cycle_step(state, cycle.RetryAsked(asked.reason, asked.role), rules)
    void, _ = put_away.step(state.put_away, put_away.Voided(), rules.put_away)
    opened = CycleOpenedFact(
        state.piece or 0, state.cycle.number, state.cycle.kind, asked.reason, asked.role
    )
    state, cleared = _clear(replace(state, put_away=void, grade=None))
    return state, (*facts, opened, *cleared)


def _abandon(state: BenchState, asked: Abandoned, rules: BenchRules) -> Result:
    if state.piece is None:
        raise CommandRefusedError("there is no piece in work")
    if not asked.reason.strip():
        raise CommandRefusedError("giving a piece up needs a reason")
    piece, number = state.piece, state.cycle.number
    state, facts = _cycle_step(state, cycle.Abandoned(asked.reason, asked.role), rules)
    void, _ = put_away.step(state.put_away, put_away.Voided(), rules.put_away)
    correction = CorrectionFact(piece, number, "abandoned", asked.reason, asked.role)
    begun = "begun-before" if state.begun == "counts" else state.begun
    state = replace(state, put_away=void, grade=None, piece=None, begun=begun)
    state, cleared = _clear(state)
    return replace(state, cycle=CycleState()), (*facts, correction, *cleared)


# --- alarms -----------------------------------------------------------------------------------


def _clear(state: BenchState) -> Result:
    """Return the alarms about a piece in hand to normal: it is no longer awaited."""
    facts: tuple[Fact, ...] = ()
    codes: tuple[AlarmCode, ...] = ("wrong-bin", "not-put-away")
    for code in codes:
        if _stands(state, code):
            state, returned = _alarm(state, code, False, "")
            facts = (*facts, *returned)
    return state, facts


def _stands(state: BenchState, code: AlarmCode) -> bool:
    return any(known == code for known, _ in state.alarms)


def _alarm(state: BenchState, code: AlarmCode, is_raised: bool, text: str) -> Result:
    others = tuple(entry for entry in state.alarms if entry[0] != code)
    if is_raised:
        if (code, text) in state.alarms:
            return state, ()
        return replace(state, alarms=(*others, (code, text))), (AlarmFact(code, True, text),)
    if others == state.alarms:
        return state, ()
    return replace(state, alarms=others), (AlarmFact(code, False, text),)
