"""Capture: which readings make up one clamping, and when the nut was opened in between.

``step(state, event, rules) -> (state, outcomes)``; time only on the events. After a start,
a lost line or an ended clamping nothing counts until a loosening was seen. All transitions
are in this file, all types in ``rules.capture_model``.
"""

from dataclasses import replace

from rules.capture_model import (
    CaptureEvent,
    CaptureOutcome,
    CaptureRules,
    CaptureState,
    ClampingEnded,
    ClampingStarted,
    Edge,
    IndicatorRules,
    LineBack,
    LineLost,
    Loosened,
    Phase,
    Removed,
    Seen,
    Tick,
    Track,
    ValueRefused,
)
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.reading import Reading
from rules.ruleset import EVIDENCE_RANK, Evidence
from rules.run_out import Cut, RunOut, Sweep, evaluate, evaluate_single

INDEX_BOUNCE_NS = 50_000_000
"""Index edges closer than this are one: contact bounce, or a flag held over two frames."""

Result = tuple[CaptureState, tuple[CaptureOutcome, ...]]


def step(state: CaptureState, event: CaptureEvent, rules: CaptureRules) -> Result:
    """Return the next state and what came out of it. Pure: no clock, no I/O."""
    if not state.tracks:
        state = replace(state, tracks=tuple(Track() for _ in rules.indicators))
    match event:
        case Seen() if rules.mode == "single-value":
            return _single_value(state, event, rules)
        case Seen():
            return _seen(state, event, rules)
        case Edge():
            return _edge(state, event, rules)
        case LineLost():
            return _lost(state, event), ()
        case LineBack():
            return state, ()
        case Tick():
            return _time_passed(state, event.at_ns, rules)


# --- single values -----------------------------------------------------------------------


def _single_value(state: CaptureState, seen: Seen, rules: CaptureRules) -> Result:
    last = state.last_value_ns
    if last is not None and seen.at_ns - last < rules.reclamp_min_ns:
        return state, (ValueRefused("too-soon", seen.reading.value_nm, seen.at_ns),)
    run_out = _single_run_out(seen.reading)
    value = seen.reading.value_nm
    sweep = Sweep((seen.at_ns,), (value,)) if value is not None else Sweep((), ())
    who = next(i for i in rules.indicators if i.id == seen.indicator)
    clamping = Clamping(
        "single-value",
        seen.at_ns,
        seen.at_ns,
        (PositionRunOut(who.id, who.position, sweep, run_out),),
        Loosening("not-observed", seen.at_ns),
    )
    state = replace(state, last_value_ns=seen.at_ns)
    return state, (ClampingStarted(seen.at_ns), ClampingEnded(clamping, seen.at_ns))


def _single_run_out(reading: Reading) -> RunOut:
    if reading.value_nm is None or "over-range" in reading.flags:
        return RunOut(None, None, invalid="over-range")
    return evaluate_single(reading.value_nm)


# --- readings of a sweep -----------------------------------------------------------------


def _seen(state: CaptureState, seen: Seen, rules: CaptureRules) -> Result:
    which = next(i for i, known in enumerate(rules.indicators) if known.id == seen.indicator)
    track = state.tracks[which]
    value = _value_on_pin(seen.reading, rules.indicators[which])
    if state.phase == "sweeping":
        cut = _fault_of(seen.reading, track)
        if cut is None and value is not None and track.out_since_ns is not None:
            cut = "lifted"
        if cut is not None:
            return _end_clamping(state, cut, seen.at_ns, rules)
    if value is None:
        return _stylus_off(state, which, seen.at_ns, rules)
    track = replace(track, out_since_ns=None, unit=seen.reading.unit)
    track = _append(track, seen.at_ns, value, keep=state.phase == "sweeping")
    return _on_pin(_with_track(state, which, track), which, value, seen.at_ns, rules)


def _on_pin(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> Result:
    match state.phase:
        case "away":
            return _stylus_on(state, at_ns), ()
        case "resting":
            return _resting(state, which, value, at_ns, rules), ()
        case "running-up":
            return _running_up(state, at_ns, rules)
        case "sweeping":
            return _sweeping(state, which, value, at_ns, rules)
        case "done":
            return _watch_for_jump(state, which, value, at_ns, rules)


def _fault_of(reading: Reading, track: Track) -> Cut | None:
    if "over-range" in reading.flags:
        return "over-range"
    if "frozen" in reading.flags:
        return "frozen"
    if reading.mode != "live":
        return "wrong-mode"
    if track.unit is not None and reading.unit != track.unit:
        return "unit-changed"
    return None


def _value_on_pin(reading: Reading, indicator: IndicatorRules) -> int | None:
    """Return the value if the stylus can be on the pin at it."""
    value = reading.value_nm
    if value is None or "over-range" in reading.flags:
        return None
    return value if indicator.window_low_nm <= value <= indicator.window_high_nm else None


def _append(track: Track, at_ns: int, value_nm: int, *, keep: bool) -> Track:
    if keep:
        return replace(track, at_ns=(*track.at_ns, at_ns), value_nm=(*track.value_nm, value_nm))
    return replace(track, at_ns=(at_ns,), value_nm=(value_nm,))


def _with_track(state: CaptureState, which: int, track: Track) -> CaptureState:
    tracks = state.tracks
    return replace(state, tracks=(*tracks[:which], track, *tracks[which + 1 :]))


def _stylus_on(state: CaptureState, at_ns: int) -> CaptureState:
    if any(track.out_since_ns is not None for track in state.tracks):
        return state
    phase: Phase = "resting" if state.loosening is not None else "done"
    return replace(state, phase=phase, since_ns=at_ns, is_removed=False)


def _resting(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> CaptureState:
    """Wait for stylus and pin to settle, then (proof by speed) for the first movement."""
    sweep = rules.sweep
    settled = at_ns - state.since_ns >= rules.settle_ns
    if sweep.proof != "speed" or sweep.has_run_contact or not settled:
        return state
    track = state.tracks[which]
    if track.rest_nm is None:
        return _with_track(state, which, replace(track, rest_nm=value))
    if abs(value - track.rest_nm) >= rules.moving_nm:
        return replace(state, phase="running-up", since_ns=at_ns)
    return state


def _running_up(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    if at_ns - state.since_ns < rules.run_up_ns:
        return state, ()
    return _begin_sweep(state, at_ns, ()), (ClampingStarted(at_ns),)


def _begin_sweep(state: CaptureState, at_ns: int, index_ns: tuple[int, ...]) -> CaptureState:
    tracks = tuple(replace(track, jump_from_nm=None, jump_nm=0) for track in state.tracks)
    return replace(state, phase="sweeping", since_ns=at_ns, index_ns=index_ns, tracks=tracks)


def _sweeping(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> Result:
    state = _watch_for_jump_in_sweep(state, which, value, at_ns, rules)
    jump_ns = state.tracks[which].jump_since_ns
    if jump_ns is not None and at_ns - jump_ns >= rules.loosening_ns:
        ended, outcomes = _end_clamping(state, "loosened", at_ns, rules)
        jump = Loosening("pin-jump", jump_ns, state.tracks[which].jump_nm, at_ns - jump_ns)
        ended, loosened = _loosened(ended, jump)
        return ended, (*outcomes, *loosened)
    if _is_whole(state, rules):
        return _end_clamping(state, None, at_ns, rules)
    return state, ()


def _is_whole(state: CaptureState, rules: CaptureRules) -> bool:
    """Return whether every indicator has a reading at or after the end of the last turn."""
    if rules.sweep.proof == "index":
        if len(state.index_ns) <= rules.sweep.turns:
            return False
        end_ns = state.index_ns[rules.sweep.turns]
        return all(track.at_ns and track.at_ns[-1] >= end_ns for track in state.tracks)
    length_ns = rules.sweep.turns * rules.sweep.swept_turn_ns
    return all(
        track.at_ns and track.at_ns[-1] - track.at_ns[0] >= length_ns for track in state.tracks
    )


def _watch_for_jump_in_sweep(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> CaptureState:
    """Note a sudden change that stays: within a sweep only an opened nut does that."""
    track = state.tracks[which]
    if track.jump_from_nm is not None:
        away = abs(value - track.jump_from_nm)
        if away <= rules.loosening_nm:
            track = replace(track, jump_since_ns=None, jump_nm=0, jump_from_nm=None)
        else:
            track = replace(track, jump_nm=max(track.jump_nm, away))
    elif len(track.value_nm) > 1 and abs(value - track.value_nm[-2]) > rules.loosening_nm:
        before = track.value_nm[-2]
        track = replace(
            track, jump_since_ns=at_ns, jump_nm=abs(value - before), jump_from_nm=before
        )
    else:
        return state
    return _with_track(state, which, track)


# --- the loosening between two clampings -------------------------------------------------


def _watch_for_jump(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> Result:
    track = state.tracks[which]
    if track.low_nm is None or track.high_nm is None:
        return state, ()  # nothing to compare with: only a lift, foot or tool can show it
    away = max(track.low_nm - value, value - track.high_nm)
    if away <= rules.loosening_nm:
        if track.jump_since_ns is not None:
            track = replace(track, jump_since_ns=None, jump_nm=0)
            state = _with_track(state, which, track)
        return state, ()
    since = at_ns if track.jump_since_ns is None else track.jump_since_ns
    jump_nm = max(track.jump_nm, away)
    state = _with_track(state, which, replace(track, jump_since_ns=since, jump_nm=jump_nm))
    if at_ns - since < rules.loosening_ns:
        return state, ()
    state = replace(state, since_ns=at_ns)
    return _loosened(state, Loosening("pin-jump", since, jump_nm, at_ns - since))


def _loosened(state: CaptureState, loosening: Loosening) -> Result:
    """Take the evidence if it is the first or stronger than what was seen before."""
    known = state.loosening
    if known and EVIDENCE_RANK[known.evidence] >= EVIDENCE_RANK[loosening.evidence]:
        return state, ()
    phase: Phase = "resting" if state.phase == "done" else state.phase
    tracks = tuple(
        replace(
            track,
            low_nm=None,
            high_nm=None,
            jump_since_ns=None,
            jump_nm=0,
            jump_from_nm=None,
            rest_nm=None,
        )
        for track in state.tracks
    )
    state = replace(state, phase=phase, loosening=loosening, tracks=tracks)
    return state, (Loosened(loosening),)


def _stylus_off(state: CaptureState, which: int, at_ns: int, rules: CaptureRules) -> Result:
    track = state.tracks[which]
    if track.out_since_ns is None:
        track = replace(track, out_since_ns=at_ns)
        state = _with_track(state, which, track)
        if state.phase != "sweeping":
            state = replace(state, phase="away", since_ns=at_ns)
        return state, ()
    return _while_off(state, at_ns, rules)


def _while_off(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    since = min(
        (track.out_since_ns for track in state.tracks if track.out_since_ns is not None),
        default=None,
    )
    if since is None:
        return state, ()
    outcomes: tuple[CaptureOutcome, ...] = ()
    off_ns = at_ns - since
    if off_ns >= rules.lift_ns:
        if state.phase == "sweeping":
            state, outcomes = _end_clamping(state, "loosened", at_ns, rules)
        state, loosened = _loosened(state, Loosening("stylus-lift", since, None, off_ns))
        state = replace(state, phase="away")
        outcomes = (*outcomes, *loosened)
    if off_ns >= rules.removal_ns and not state.is_removed:
        state = replace(state, is_removed=True)
        outcomes = (*outcomes, Removed(at_ns))
    return state, outcomes


# --- signals, silence, the end of a clamping ---------------------------------------------


def _edge(state: CaptureState, edge: Edge, rules: CaptureRules) -> Result:
    match edge.signal:
        case "index" if edge.is_on:
            return _index(state, edge.at_ns, rules)
        case "foot" | "torque" if edge.is_on:
            said: Evidence = "foot-switch" if edge.signal == "foot" else "torque-pulse"
            if state.phase in ("sweeping", "running-up"):
                return state, ()  # nobody opens a nut on a turning spindle
            return _loosened(replace(state, since_ns=edge.at_ns), Loosening(said, edge.at_ns))
        case "run":
            return _run_contact(state, edge, rules)
        case _:
            return state, ()


def _run_contact(state: CaptureState, edge: Edge, rules: CaptureRules) -> Result:
    if not rules.sweep.has_run_contact:
        return state, ()
    if edge.is_on and state.phase == "resting":
        return replace(state, phase="running-up", since_ns=edge.at_ns), ()
    if not edge.is_on and state.phase == "sweeping":
        return _end_clamping(state, "stopped", edge.at_ns, rules)
    return state, ()


def _index(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    last = state.last_index_ns
    if last is not None and at_ns - last < INDEX_BOUNCE_NS:
        return state, ()
    state = replace(state, last_index_ns=at_ns)
    if rules.sweep.proof != "index":
        return state, ()
    if state.phase == "sweeping":
        return replace(state, index_ns=(*state.index_ns, at_ns)), ()
    settled = state.phase == "resting" and at_ns - state.since_ns >= rules.settle_ns
    if settled and state.loosening is not None:
        return _begin_sweep(state, at_ns, (at_ns,)), (ClampingStarted(at_ns),)
    return state, ()


def _lost(state: CaptureState, lost: LineLost) -> CaptureState:
    """Forget all: nobody can know what was done while nothing was said."""
    return CaptureState(
        since_ns=lost.at_ns,
        last_value_ns=state.last_value_ns,
        tracks=tuple(Track() for _ in state.tracks),
    )


def _time_passed(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    if rules.mode == "single-value":
        return state, ()
    if state.phase == "sweeping":
        last = state.index_ns[-1] if state.index_ns else state.since_ns
        slowest = rules.sweep.slowest_turn_ns
        if rules.sweep.proof == "speed":
            slowest = (rules.sweep.turns + 1) * rules.sweep.swept_turn_ns
        if at_ns - last > slowest:
            return _end_clamping(state, "stopped", at_ns, rules)
    still = state.phase in ("resting", "running-up") and state.loosening is not None
    if still and at_ns - state.since_ns > rules.turn_wait_ns:
        state, outcomes = _end_clamping(state, None, at_ns, rules)
        return state, (ClampingStarted(at_ns), *outcomes)
    return state, ()


def _end_clamping(
    state: CaptureState, cut: Cut | None, at_ns: int, rules: CaptureRules
) -> Result:
    positions = tuple(
        _measured(track, state.index_ns, cut, indicator, rules)
        for track, indicator in zip(state.tracks, rules.indicators, strict=True)
    )
    assert state.loosening is not None  # no sweep begins without one
    started = min((p.sweep.at_ns[0] for p in positions if p.sweep.at_ns), default=at_ns)
    clamping = Clamping("sweep", started, at_ns, positions, state.loosening)
    tracks = tuple(_rested(track) for track in state.tracks)
    is_off = any(track.out_since_ns is not None for track in tracks)
    state = replace(
        state,
        phase="away" if is_off else "done",
        loosening=None,
        since_ns=at_ns,
        index_ns=(),
        is_removed=False,
        tracks=tracks,
    )
    return state, (ClampingEnded(clamping, at_ns),)


def _rested(track: Track) -> Track:
    """Return the track after a clamping: its extremes are what a jump is measured from."""
    low, high = min(track.value_nm, default=None), max(track.value_nm, default=None)
    return Track(out_since_ns=track.out_since_ns, unit=track.unit, low_nm=low, high_nm=high)


def _measured(
    track: Track,
    index_ns: tuple[int, ...],
    cut: Cut | None,
    indicator: IndicatorRules,
    rules: CaptureRules,
) -> PositionRunOut:
    at_ns, value_nm = track.at_ns, track.value_nm
    if cut is not None:
        # What precedes a lift or an opening already belongs to it: it bounds nothing.
        left = track.jump_since_ns or track.out_since_ns or (at_ns[-1] if at_ns else 0)
        kept = sum(1 for at in at_ns if at < left - rules.settle_ns)
        at_ns, value_nm = at_ns[:kept], value_nm[:kept]
    sweep = Sweep(at_ns, value_nm, index_ns, cut)
    return PositionRunOut(
        indicator.id, indicator.position, sweep, evaluate(sweep, indicator.sweep)
    )
