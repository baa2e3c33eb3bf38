"""Hands on the piece or off it: the time to put it away runs only while nothing moves.

Loosening, taking the collet out and walking to the bin are work, not waiting. So whatever
shows a hand or a turning spindle (a reading that moved, an edge of any signal, a sweep) starts
the time anew.
"""

from dataclasses import replace

from rules.bench_alarms import alarm, stands
from rules.bench_model import BenchEvent, BenchRules, BenchState, Quiet, Result
from rules.capture_model import CaptureRules, CaptureState, Edge, Seen, Tick
from rules.evolve import evolve

NS_PER_S = 1_000_000_000


def watched(state: BenchState, event: BenchEvent, rules: BenchRules) -> BenchState:
    """Return the state knowing since when nothing has moved at a piece that is awaited."""
    waits = state.put_away
    if waits.pending is None or waits.wrong is not None:
        return state if state.quiet is None else evolve(state, quiet=None)
    if not isinstance(event, Seen | Edge | Tick):
        return state
    quiet = state.quiet
    if quiet is None or isinstance(event, Edge) or state.is_measuring:
        rests = quiet.rests if quiet is not None else ()
        return evolve(state, quiet=Quiet(event.at_ns, rests))
    if isinstance(event, Tick):
        turns = not state.lost and _is_turning(state.capture, rules.capture)
        return evolve(state, quiet=replace(quiet, since_ns=event.at_ns)) if turns else state
    return _with_reading(state, quiet, event, rules.capture.moving_nm)


def _with_reading(state: BenchState, quiet: Quiet, seen: Seen, moving_nm: int) -> BenchState:
    """Take note of a reading that moved, or of a stylus that left the pin or came back."""
    value, rests = seen.reading.value_nm, dict(quiet.rests)
    if seen.indicator in rests:
        rest = rests[seen.indicator]
        if value == rest:
            return state
        if value is not None and rest is not None and abs(value - rest) <= moving_nm:
            return state
    rests[seen.indicator] = value
    return evolve(state, quiet=Quiet(seen.at_ns, tuple(rests.items())))


def _is_turning(state: CaptureState, rules: CaptureRules) -> bool:
    """Return whether run contact or encoder say so; an index says it by its edges."""
    is_level = rules.sweep.proof == "angle" or rules.sweep.has_run_contact
    return is_level and state.running_since_ns is not None


def overdue(state: BenchState, at_ns: int, rules: BenchRules) -> Result:
    """Raise the alarm about a piece that nobody confirms in its bin."""
    within_ns, quiet = rules.put_away.confirm_within_ns, state.quiet
    if within_ns is None or quiet is None or at_ns - quiet.since_ns < within_ns:
        return state, ()
    if stands(state, "not-put-away"):
        return state, ()  # whatever it says: a clamping was begun instead
    waited_s = within_ns / NS_PER_S
    text = (
        f"piece {state.piece} belongs in bin {state.put_away.pending}:"
        f" not confirmed for {waited_s:g} s"
    )
    return alarm(state, "not-put-away", True, text)
