"""Where a bench takes up its work: after a start, a fault of the store, another lot."""

from dataclasses import replace

from rules.bench_alarms import OF_THE_BENCH, joined, without
from rules.bench_model import BenchEvent, BenchState, Result
from rules.capture_model import LineBack, LineLost
from rules.cycle import CycleState
from rules.facts import AlarmCode, CycleEndedFact, Fact
from rules.foot_switch import CALLS
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
        alarms: Alarms that stood before; of these the calls go on standing, and what is said
            of the holder, of instruments and of the clock.
    """
    kept = tuple(entry for entry in alarms if entry[0] in (*CALLS, *OF_THE_BENCH))
    if lost:
        kept = (*kept, ("indicator-lost", joined(lost)))
    if signal_faults:
        kept = (*kept, ("signal-fault", joined(signal_faults)))
    return replace(
        state, seen=seen, lost=lost, signal_faults=signal_faults, alarms=(*state.alarms, *kept)
    )


def note_line(state: BenchState, event: BenchEvent) -> BenchState:
    """Return the state knowing whether a line speaks, while nothing else is taken."""
    if isinstance(event, SignalFault):
        return replace(state, signal_faults=without(state.signal_faults, event))
    if not isinstance(event, LineLost | LineBack):
        return state
    others = tuple(entry for entry in state.lost if entry[0] != event.indicator)
    if isinstance(event, LineLost):
        others = (*others, (event.indicator, event.reason))
    return replace(state, lost=others)
