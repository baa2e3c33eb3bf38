"""Where a bench takes up its work: after a start, a fault of the store, another lot."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from rules.alarm_list import ALARMS
from rules.bench_alarms import (
    alarm,
    joined,
    lost,
    shelf_of,
    text_of,
    without,
    wrong_bin,
)
from rules.bench_model import BenchEvent, BenchState, Result
from rules.capture_model import LineBack, LineLost
from rules.cycle import CycleState
from rules.evolve import evolve
from rules.facts import AlarmCode, AlarmFact, CycleEndedFact, Fact, Shelf
from rules.line_events import SignalFault
from rules.lot import OpenWork
from rules.put_away import PutAwayState


def resume(work: OpenWork | None) -> Result:
    """Return the state after a start, and the facts a start adds to the record.

    A cycle that was open is interrupted: nobody can know whether the collet was touched.
    A verdict whose put-away is not recorded is still awaited, and a wrong bin still locks.
    """
    if work is None:
        return BenchState(), ()
    if work.bin is not None:
        settled = CycleState(
            work.cycle, work.kind, is_settled=True, retries=work.retries,
            was_put_away=work.regraded_seq is not None,
        )  # fmt: skip
        waits = PutAwayState(work.bin, work.wrong)
        state = BenchState(cycle=settled, put_away=waits, piece=work.piece, grade=work.grade)
        if work.wrong is not None:
            text = wrong_bin(work.piece, work.bin, work.wrong)
            state = evolve(state, alarms=(("wrong-bin", text),))
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


def with_lines(fresh: BenchState, before: BenchState, *, is_new_lot: bool) -> BenchState:
    """Return the state knowing what outlives lot and store trouble.

    What speaks and what doesn't, who called, what was acknowledged and shelved.

    Args:
        fresh: The state anew.
        before: The state before.
        is_new_lot: Another lot begins, or none: alarms about the old one end.
    """
    state = replace(
        fresh, seen=before.seen, lost=before.lost, low=before.low,
        signal_faults=before.signal_faults, shelves=before.shelves, due=before.due,
        fitness=before.fitness,
    )  # fmt: skip
    kept = [
        (code, text)
        for code, text in before.alarms
        if ALARMS[code].is_kept and not (is_new_lot and ALARMS[code].is_of_lot)
    ]
    own = {code for code, _ in fresh.alarms}
    alarms = (*fresh.alarms, *(entry for entry in kept if entry[0] not in own))
    state = evolve(state, alarms=alarms)
    state = _with_line_alarms(state)
    seen_before = tuple(
        (code, role)
        for code, role in before.acknowledged
        if text_of(state, code) is not None and text_of(state, code) == text_of(before, code)
    )
    return evolve(state, acknowledged=seen_before)


def _with_line_alarms(state: BenchState) -> BenchState:
    """Return the state with the alarms about lines that hold now, without their delays."""
    state, _ = lost(state)
    text = joined(state.signal_faults)
    state, _ = alarm(state, "signal-fault", bool(text), text)
    come = tuple((one.code, one.text) for one in state.changing if one.is_on)
    return evolve(state, alarms=(*state.alarms, *come), changing=())


@dataclass(frozen=True, slots=True)
class AlarmOnRecord:
    """What the record says last of an alarm.

    Attributes:
        code: The alarm.
        text: What it says; "" when it does not stand.
        acknowledged_by: Role of who took it on; "" for nobody.
        shelf: The shelf it lies on, if its time is not over.
    """

    code: AlarmCode
    text: str
    acknowledged_by: str = ""
    shelf: Shelf | None = None


def with_record(state: BenchState, known: Sequence[AlarmOnRecord]) -> BenchState:
    """Return the state after a start, with what the record says of its alarms.

    An alarm that nothing would show again at once is kept; shelves last to their end.
    """
    own = dict(state.alarms)
    for one in known:
        if one.shelf is not None:
            state = evolve(state, shelves=(*state.shelves, one.shelf))
        if one.text and ALARMS[one.code].is_kept and one.code not in own:
            state = evolve(state, alarms=(*state.alarms, (one.code, one.text)))
        if one.acknowledged_by and text_of(state, one.code) == one.text:
            seen = (*state.acknowledged, (one.code, one.acknowledged_by))
            state = evolve(state, acknowledged=seen)
    return state


def settled(state: BenchState, on_record: Mapping[AlarmCode, str], why: str) -> Sequence[Fact]:
    """Return the facts that bring the record's alarms to where they stand now.

    Args:
        state: Where the bench stands.
        on_record: Alarms that stand by the record, with their texts.
        why: How those that stand no longer ended.
    """
    now = dict(state.alarms)
    gone = [
        AlarmFact(code, False, why, shelf_of(state, code))
        for code in on_record
        if code not in now
    ]
    come = [
        AlarmFact(code, True, text, shelf_of(state, code))
        for code, text in now.items()
        if on_record.get(code) != text
    ]
    return [*gone, *come]


def note_line(state: BenchState, event: BenchEvent) -> BenchState:
    """Return the state knowing whether a line speaks, while nothing else is taken."""
    if isinstance(event, SignalFault):
        return evolve(state, signal_faults=without(state.signal_faults, event))
    if not isinstance(event, LineLost | LineBack):
        return state
    others = tuple(entry for entry in state.lost if entry[0] != event.indicator)
    if isinstance(event, LineLost):
        others = (*others, (event.indicator, event.reason))
    return evolve(state, lost=others)
