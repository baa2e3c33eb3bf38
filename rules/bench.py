"""One bench: capture, cycle and put-away hung together, as one pure step.

A reading enters here and leaves as facts for the store. The daemon commits the facts in one
transaction and only then adopts the new state; if the commit fails it keeps nothing of it.
"""

from dataclasses import replace

from rules import (
    alarm_commands,
    bench_alarms,
    bench_check,
    capture,
    cycle,
    foot_switch,
    hands,
    put_away,
)
from rules.bench_alarms import alarm, call, clear, joined, without
from rules.bench_model import (
    Abandoned,
    AlarmAcked,
    AlarmCommand,
    AlarmShelved,
    AlarmUnshelved,
    BenchEvent,
    BenchRules,
    BenchState,
    CallAnswered,
    CheckBegun,
    CheckStopped,
    CommandRefusedError,
    DueChanged,
    HolderMoved,
    Judged,
    Placed,
    RegradeAsked,
    RemeasureAsked,
    Result,
    RetryAsked,
)  # fmt: skip
from rules.bench_start import (
    AlarmOnRecord,
    note_line,
    resume,
    settled,
    with_lines,
    with_record,
)
from rules.capture_model import (
    CaptureEvent,
    CaptureOutcome,
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
from rules.check_facts import DisturbanceFact
from rules.clamping import Clamping
from rules.cycle import CycleState
from rules.evolve import evolve
from rules.facts import (
    ClampingFact,
    CorrectionFact,
    CycleEndedFact,
    CycleOpenedFact,
    Fact,
    LotFact,
    PutAwayFact,
    Refusal,
)  # fmt: skip
from rules.line_events import SignalFault
from rules.lot import LotView
from rules.refusals import refused

__all__ = [
    "Abandoned", "AlarmAcked", "AlarmOnRecord", "AlarmShelved", "AlarmUnshelved",
    "BenchEvent", "BenchRules", "BenchState", "CallAnswered", "CheckBegun", "CheckStopped",
    "CommandRefusedError", "DueChanged", "HolderMoved", "Judged", "Placed",
    "RegradeAsked", "RemeasureAsked", "RetryAsked", "foot_place", "nears_a_verdict",
    "note_line", "resume", "settled", "step", "whole_now", "why_refused", "with_lines",
    "with_record",
]  # fmt: skip


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
        CommandRefusedError: For a command (retry, abandon, alarm) that makes no sense now.
    """
    state, facts = _taken(state, event, rules, lot)
    state = hands.watched(state, event, rules)
    if isinstance(event, Tick):
        state, late = hands.overdue(state, event.at_ns, rules)
        state, turned = bench_alarms.passed(state, event.at_ns)
        state, left = bench_check.passed(state, event.at_ns, rules)
        facts = (*facts, *late, *turned, *left)
    return state, facts


def _taken(
    state: BenchState, event: BenchEvent, rules: BenchRules, lot: LotView | None
) -> Result:
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
        case Judged():
            return alarm(state, event.code, event.is_on, event.text)
        case DueChanged() | CheckBegun() | CheckStopped():
            return bench_check.taken(state, event, rules)
        case _:
            return _asked(state, event, rules)


# --- what the indicators say ---------------------------------------------------------------


def _reading(state: BenchState, seen: Seen, rules: BenchRules, lot: LotView | None) -> Result:
    if seen.indicator not in state.seen:
        state = evolve(state, seen=state.seen | {seen.indicator})
    facts: tuple[Fact, ...] = ()
    is_low = "low-battery" in seen.reading.flags
    if is_low != (seen.indicator in state.low):
        state, facts = bench_alarms.battery(evolve(state, low=state.low ^ {seen.indicator}))
    state, more = _captured(state, seen, rules, lot)
    return state, (*facts, *more)


def _captured(
    state: BenchState, event: CaptureEvent, rules: BenchRules, lot: LotView | None
) -> Result:
    if state.lost and not _passes_while_lost(event):
        return state, ()
    if bench_check.is_static(state) and isinstance(event, Seen | Edge | Tick):
        return (
            (state, ()) if isinstance(event, Tick) else bench_check.stood(state, event, rules)
        )
    captured, outcomes = capture.step(state.capture, event, rules.capture)
    if captured is not state.capture:
        state = evolve(state, capture=captured)
    facts: tuple[Fact, ...] = ()
    for outcome in outcomes:
        state, more = _outcome(state, outcome, rules, lot)
        facts = (*facts, *more)
    return state, facts


def nears_a_verdict(state: BenchState, at_ns: int, rules: BenchRules) -> bool:
    """Return whether the last reading of a piece's sweep is due, by what can be foretold."""
    is_of_piece = state.begun == "counts" and state.check is None and not state.lost
    return is_of_piece and capture.nears_its_end(state.capture, at_ns, rules.capture)


def whole_now(state: BenchState, rules: BenchRules, lot: LotView | None) -> Result:
    """Return what a step would give if one turn were enough for the sweep under way.

    For whoever wants to have gone the way to a verdict before it is needed, near one: what is
    found is true of no piece.
    """
    facts: tuple[Fact, ...] = ()
    for outcome in capture.whole_now(state.capture, rules.capture)[1]:
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
            return refused(state, "too-soon", outcome.at_ns, value_nm=outcome.value_nm)
        case Noticed():
            return alarm(state, outcome.what, outcome.is_on, outcome.text)


def why_refused(state: BenchState, lot: LotView | None) -> Refusal | None:
    """Return why a clamping would belong to no piece now; None when it would.

    A check that is due stops at the boundary of a piece, and before a filled order does: the
    closing check is part of filling it.
    """
    refusal = _not_wanted(state, lot)
    if refusal in ("no-lot", "before-put-away"):
        return refusal
    return "check-due" if bench_check.is_due(state) else refusal


def _not_wanted(state: BenchState, lot: LotView | None) -> Refusal | None:
    if lot is None:
        return "no-lot"
    if state.put_away.pending is not None:
        return "before-put-away"
    if state.piece is not None:
        return None
    is_filled = lot.order_state in ("filled-check-due", "filled") or lot.is_covered
    if is_filled and not lot.wants_proof:
        return "order-filled"
    if lot.is_exhausted:
        return "beyond-lot"
    return "box-held" if lot.held_bins else None


def _clamping_started(state: BenchState, lot: LotView | None) -> Result:
    if state.check is not None:
        return evolve(state, is_measuring=True, begun="check"), ()
    refusal = why_refused(state, lot)
    state = evolve(state, is_measuring=True, begun=refusal or "counts")
    if refusal == "before-put-away" and state.put_away.wrong is not None:
        return state, ()  # the wrong bin is the alarm
    if refusal == "before-put-away":
        where = state.put_away.pending
        return alarm(state, "not-put-away", True, f"piece {state.piece} belongs in bin {where}")
    if refusal == "beyond-lot":
        return alarm(state, "beyond-lot", True, "more pieces than the lot was opened with")
    return alarm(state, "beyond-lot", False, "")


def _clamping_ended(
    state: BenchState, clamping: Clamping, rules: BenchRules, lot: LotView | None
) -> Result:
    """Give a clamping to the piece it was begun for, never to another."""
    refusal = state.begun or "begun-before"
    state = evolve(state, is_measuring=False, begun=None)
    if refusal == "check":
        return bench_check.seat_ended(state, clamping, rules)
    if refusal == "counts":
        # What became due meanwhile waits: it was begun in time.
        refusal = _not_wanted(state, lot) or "counts"
    if refusal != "counts" or lot is None:
        reason = refusal if refusal != "counts" else "no-lot"
        return refused(state, reason, clamping.ended_ns, clamping)
    is_new = state.piece is None
    piece = lot.next_piece if state.piece is None else state.piece
    state = evolve(state, piece=piece, refused=None)
    at = state.cycle
    state, facts = _cycle_step(state, cycle.ClampingEnded(clamping), rules)
    first = facts[0]
    assert isinstance(first, ClampingFact)  # the cycle counts every clamping it is given
    return state, (replace(first, is_new_piece=is_new and at.number == 1), *facts[1:])


def _cycle_step(state: BenchState, event: cycle.CycleEvent, rules: BenchRules) -> Result:
    before = state.cycle
    after, outcomes = cycle.step(before, event, rules.grading)
    state = evolve(state, cycle=after)
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
                    state = evolve(state, put_away=waits, grade=decision.grade)
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
        return bench_alarms.lost(evolve(state, lost=lost))
    state, facts = _captured(state, event, rules, lot)
    state = bench_check.interrupted(state, f"{event.indicator}: {event.reason}")
    state = evolve(
        state,
        lost=lost,
        is_measuring=False,
        begun=None,
        foot_down_ns=None,
    )
    if state.cycle.is_open:
        state, ended = _cycle_step(state, cycle.Interrupted(event.reason), rules)
        facts = (*facts, *ended)
    state, raised = bench_alarms.lost(state)
    return state, (*facts, *raised)


def _line_back(
    state: BenchState, event: LineBack, rules: BenchRules, lot: LotView | None
) -> Result:
    """Take note; what was seen while the line was lost counts for nothing."""
    lost = tuple(entry for entry in state.lost if entry[0] != event.indicator)
    if lost == state.lost:
        return state, ()
    state, facts = _captured(evolve(state, lost=lost), event, rules, lot)
    state, more = bench_alarms.lost(state)
    if rules.check is not None:
        facts = (*facts, DisturbanceFact("reconnect", event.indicator))
    return state, (*facts, *more)


def _signal_fault(state: BenchState, event: SignalFault) -> Result:
    """Take note of a wired signal that can't be believed: a press that began is none."""
    state = evolve(state, signal_faults=without(state.signal_faults, event))
    if event.signal == "foot":
        state = evolve(state, foot_down_ns=None)
    faults = state.signal_faults
    return alarm(state, "signal-fault", bool(faults), joined(faults))


# --- foot switch ------------------------------------------------------------------------------


def foot_place(state: BenchState, rules: BenchRules, lot: LotView | None) -> foot_switch.Place:
    """Return where a press of the foot switch finds the bench."""
    is_single = rules.capture.mode == "single-value"
    return foot_switch.place(
        state.put_away,
        foot_confirms="foot" in rules.put_away.by,
        is_lost=bool(state.lost),
        has_spoken=is_single or bool(state.seen),  # such a one speaks when its key is pressed
        refusal=_foot_refusal(state, lot),
        is_single_value=is_single,
        is_turning=state.is_measuring or state.capture.phase in ("running-up", "sweeping"),
        is_loosened=state.capture.loosening is not None,
    )


def _foot_refusal(state: BenchState, lot: LotView | None) -> str | None:
    if state.check is not None:
        return "static-step" if bench_check.is_static(state) else None
    refusal = why_refused(state, lot)
    if refusal == "check-due" and state.is_measuring:
        return None  # no check begins within a sweep
    return refusal


def _foot(state: BenchState, edge: Edge, rules: BenchRules, lot: LotView | None) -> Result:
    """Take the foot switch when it is let go: only then is it known which press it was."""
    where = foot_place(state, rules, lot)
    if edge.is_on:
        return evolve(state, foot_down_ns=edge.at_ns, foot_down_in=where), ()
    if state.foot_down_ns is None:
        return state, ()  # held down since before the start: nobody pressed it
    held_ns = edge.at_ns - state.foot_down_ns
    state = evolve(state, foot_down_ns=None)
    match foot_switch.meaning(state.foot_down_in, where, rules.foot.press(held_ns)):
        case "nothing":
            return state, ()
        case "confirm":
            return _put_away(state, put_away.FootPressed(held_ns), rules, lot)
        case "loosened":
            return _captured(state, Edge("foot", True, edge.at_ns), rules, lot)
        case "call-help":
            return call(state, "help-called")
        case "ask-attention":
            return call(state, "attention-asked")
        case "begin-check" if rules.check is not None and rules.check.unproved:
            return call(state, "help-called")  # no master to check it on: the lead's to mend
        case "begin-check" | "read-face":
            return bench_check.begin(state, CheckBegun("foot-switch", "operator"), rules)


# --- put-away ---------------------------------------------------------------------------------


def _put_away(
    state: BenchState,
    event: put_away.PutAwayEvent,
    rules: BenchRules,
    lot: LotView | None,
) -> Result:
    waits, outcomes = put_away.step(state.put_away, event, rules.put_away)
    piece, number, expected = state.piece, state.cycle.number, state.put_away.pending
    state = evolve(state, put_away=waits)
    facts: tuple[Fact, ...] = ()
    for outcome in outcomes:
        match outcome:
            case put_away.NothingPending(bin_id):
                facts = (*facts, PutAwayFact(None, None, bin_id, None, "bin"))
            case put_away.WrongBin(bin_id, _):
                text = bench_alarms.wrong_bin(piece, expected, bin_id)
                facts = (*facts, PutAwayFact(piece, number, bin_id, expected, "bin"))
                state, told = alarm(state, "not-put-away", False, "it lies in a wrong bin")
                state, raised = alarm(state, "wrong-bin", True, text)
                facts = (*facts, *told, *raised)
            case put_away.PieceClosed(bin_id, by):
                closed = PutAwayFact(piece, number, bin_id, expected, by)
                state, more = _closed(state, lot, bin_id)
                facts = (*facts, closed, *more)
    if state.put_away.wrong is None:
        state, returned = alarm(state, "wrong-bin", False, "")
        facts = (*facts, *returned)
    return state, facts


def _closed(state: BenchState, lot: LotView | None, bin_id: str) -> Result:
    state, facts = clear(state)
    if lot is not None and lot.fills_order(state.grade, bin_id, state.piece):
        facts = (*facts, LotFact("order-filled"))
    elif lot is not None and lot.is_exhausted:
        facts = (*facts, LotFact("exhausted", "every piece of the lot was measured"))
    return evolve(state, piece=None, grade=None, cycle=CycleState()), facts


# --- what the lead asks -----------------------------------------------------------------------


def _asked(
    state: BenchState,
    asked: RetryAsked | RemeasureAsked | RegradeAsked | Abandoned | HolderMoved | AlarmCommand,
    rules: BenchRules,
) -> Result:
    match asked:
        case RetryAsked():
            return _retry(state, asked, rules)
        case RemeasureAsked():
            return _remeasure(state, asked)
        case RegradeAsked():
            return _regrade(state, asked)
        case Abandoned():
            return _abandon(state, asked, rules)
        case HolderMoved():
            return _holder_moved(state, asked)
        case _:
            return alarm_commands.taken(state, asked)


def _holder_moved(state: BenchState, asked: HolderMoved) -> Result:
    """Take note; the clampings of one cycle have to be of one seat of the holder."""
    if state.is_measuring or state.cycle.is_open:
        raise CommandRefusedError(
            f"piece {state.piece} is in work: finish or abandon it, then the holder may leave"
            if state.piece is not None
            else "a clamping is being measured: let it end"
        )
    if not asked.reason.strip():
        raise CommandRefusedError("taking the holder out needs a reason")
    return state, (CorrectionFact(None, None, "holder-moved", asked.reason, asked.role),)


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
    state, cleared = clear(evolve(state, put_away=void, grade=None))
    return state, (*facts, opened, *cleared)


def _remeasure(state: BenchState, asked: RemeasureAsked) -> Result:
    """Begin a further cycle of a piece that was put away: the next clamping is its."""
    decided, piece = asked.decided, asked.decided.piece
    assert piece is not None  # a box is no cycle's
    _check_hands_free(state, piece)
    if bench_check.is_due(state):
        reasons = "; ".join(state.due.reasons)
        raise CommandRefusedError(
            f"a master check is due ({reasons}): make it first, then piece {piece} can be "
            "measured again"
        )
    again = CycleState(asked.cycle + 1, "re-measured", retries=asked.retries)
    opened = CycleOpenedFact(piece, again.number, again.kind, decided.reason, decided.role)
    return evolve(state, piece=piece, cycle=again), (decided, opened)


def _regrade(state: BenchState, asked: RegradeAsked) -> Result:
    """Light the bin of the new grade: the piece is in hand until it lies there."""
    decided, piece = asked.decided, asked.decided.piece
    assert piece is not None  # a box stays where it stands
    _check_hands_free(state, piece)
    settled = CycleState(asked.cycle, asked.kind, is_settled=True, was_put_away=True)
    waits = put_away.PutAwayState(asked.bin)
    state = evolve(state, piece=piece, cycle=settled, put_away=waits, grade=decided.grade)
    return state, (replace(decided, bin=asked.bin),)


def _check_hands_free(state: BenchState, piece: int) -> None:
    if state.piece is None and not state.is_measuring:
        return
    busy = "a clamping is being measured" if state.piece is None else f"piece {state.piece}"
    raise CommandRefusedError(
        f"{busy} is in work: put it away first, then piece {piece} can be taken"
    )


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
    state = evolve(state, put_away=void, grade=None, piece=None, begun=begun)
    state, cleared = clear(state)
    return evolve(state, cycle=CycleState()), (*facts, correction, *cleared)
