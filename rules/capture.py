"""Capture: which readings make up one clamping, and when the nut was opened in between.

``step(state, event, rules) -> (state, outcomes)``; time only on the events. After a start,
a lost line or an ended clamping nothing counts until a loosening was seen. All transitions
are in this file, all types in ``rules.capture_model``, what one reading says in
``rules.stylus``.
"""

from dataclasses import replace
from functools import cache

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
    Noticed,
    Phase,
    Removed,
    Seen,
    Tick,
    Track,
    ValueRefused,
)
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.evolve import evolve
from rules.exact_vector import exact_vector
from rules.likeness import DIRECTED, are_alike
from rules.ruleset import EVIDENCE_RANK, Evidence
from rules.run_out import evaluate, evaluate_single
from rules.spindle_angle import TURN_UDEG, unwrapped, went_back
from rules.stylus import (
    DOUBTFUL,
    fault_of,
    rested,
    shifted,
    value_on_pin,
    watch_pin,
    watch_pin_in_sweep,
)
from rules.sweep import TIMED, Cut, Sweep

INDEX_BOUNCE_NS = 50_000_000
"""Index edges closer than this are one: contact bounce, or a flag held over two frames."""

STARTED_UDEG = 10_000_000
"""A spindle that came so far from where the pin rested has been started, not touched."""

NEVER_FELL = 7
"""So many finished values of which none fell: honest ones do so once in 5040 (1/7!), a memory
that is not reset always."""

CREEP_UDEG = 3_000_000
STOPPED_NS = 500_000_000
"""A spindle that comes no further than the creep in this time stands."""

Result = tuple[CaptureState, tuple[CaptureOutcome, ...]]


def step(state: CaptureState, event: CaptureEvent, rules: CaptureRules) -> Result:
    """Return the next state and what came out of it. Pure: no clock, no I/O."""
    if not state.tracks:
        state = evolve(state, tracks=tuple(Track() for _ in rules.indicators))
    match event:
        case Seen() if rules.mode == "single-value":
            return _single_value(state, event, rules)
        case Seen():
            return _seen(state, event, rules)
        case Edge() | Tick() if rules.mode == "single-value":
            return state, ()
        case Edge():
            return _edge(state, event, rules)
        case LineLost() | LineBack():
            return _forget(state, event.at_ns), ()
        case Tick():
            return _time_passed(state, event.at_ns, rules)


# --- single values -----------------------------------------------------------------------


def _single_value(state: CaptureState, seen: Seen, rules: CaptureRules) -> Result:
    last, value = state.last_value_ns, seen.reading.value_nm
    # A refused value moves the time too: a stream of values must never become clampings.
    state = evolve(state, last_value_ns=seen.at_ns)
    if last is not None and seen.at_ns - last < rules.reclamp_min_ns:
        return state, (ValueRefused("too-soon", value, seen.at_ns),)
    sweep = _single_sweep(seen)
    run_out = evaluate_single(sweep)
    who = rules.indicators[_which(seen, rules)]
    clamping = Clamping(
        "single-value",
        seen.at_ns,
        seen.at_ns,
        (PositionRunOut(who.id, who.position, sweep, run_out),),
        Loosening("not-observed", seen.at_ns),
    )
    state, notices = _rising(state, run_out.tir_nm, seen.at_ns)
    return state, (
        ClampingStarted(seen.at_ns), ClampingEnded(clamping, seen.at_ns), *notices
    )  # fmt: skip


def _rising(
    state: CaptureState, value_nm: int | None, at_ns: int
) -> tuple[CaptureState, tuple[CaptureOutcome, ...]]:
    """Count values that never fall: a max-min memory that nobody resets can only grow."""
    if value_nm is None:
        return state, ()
    fell = state.last_value_nm is not None and value_nm < state.last_value_nm
    was_on, rising = state.rising >= NEVER_FELL, 1 if fell else state.rising + 1
    state = evolve(state, last_value_nm=value_nm, rising=rising)
    if (rising >= NEVER_FELL) == was_on:
        return state, ()
    text = "" if was_on else f"{rising} values in a row, none below the last: is it reset?"
    return state, (Noticed("values-never-fall", not was_on, text, at_ns),)


def _single_sweep(seen: Seen) -> Sweep:
    """Return a finished value as it is kept, its flag included: both bear on the result."""
    value = seen.reading.value_nm
    is_over = value is None or "over-range" in seen.reading.flags
    cut: Cut | None = "over-range" if is_over else None
    return Sweep((), (), (), cut) if value is None else Sweep((seen.at_ns,), (value,), (), cut)


# --- readings ----------------------------------------------------------------------------


def _which(seen: Seen, rules: CaptureRules) -> int:
    return next(i for i, known in enumerate(rules.indicators) if known.id == seen.indicator)


def _seen(state: CaptureState, seen: Seen, rules: CaptureRules) -> Result:
    """Take one reading: it may end the sweep, and it says where stylus and pin are now."""
    which = _which(seen, rules)
    if rules.sweep.proof == "angle":
        if seen.reading.angle_udeg is None:
            return _time_passed(state, seen.at_ns, rules)  # nobody knows what it belongs to
        state = _turned_to(state, seen.reading.angle_udeg, seen.at_ns)
    track = state.tracks[which]
    value = value_on_pin(seen.reading, rules.indicators[which])
    fault = fault_of(seen.reading, track)
    outcomes: tuple[CaptureOutcome, ...] = ()
    if state.phase == "sweeping":
        is_back = value is not None and track.out_since_ns is not None
        cut: Cut | None = fault or ("lifted" if is_back else None)
        if cut is not None:
            state, outcomes = _end_clamping(state, cut, seen.at_ns, rules)
    if value is None and fault not in DOUBTFUL:
        state, more = _stylus_off(state, which, seen.at_ns, rules)
    elif fault is not None or track.fault is not None or track.has_offset is None:
        state, more = _unusual(state, which, value, fault, seen, rules)
    else:
        assert value is not None  # else the stylus is off, or the reading is doubtful
        angle = seen.reading.angle_udeg
        state, more = _stylus_seen(state, which, value, seen.at_ns, angle, rules)
    if state.phase in ("away", "done"):
        return state, (*outcomes, *more)
    state, late = _time_passed(state, seen.at_ns, rules)
    return state, (*outcomes, *more, *late)


def _unusual(
    state: CaptureState,
    which: int,
    value: int | None,
    fault: Cut | None,
    seen: Seen,
    rules: CaptureRules,
) -> Result:
    """Take a reading that is the first one, the first good one again, or faulty."""
    at_ns, angle = seen.at_ns, seen.reading.angle_udeg
    track = evolve(state.tracks[which], fault=fault, unit=seen.reading.unit)
    if fault in DOUBTFUL or value is None:
        # Such a value tells that the indicator speaks, not where the stylus is.
        track = evolve(track, out_since_ns=None)
        state = _with_track(state, which, track)
        return (_stylus_on(state, at_ns) if state.phase == "away" else state), ()
    if fault == "offset-changed":
        track = shifted(track, value)
    track = evolve(track, fault=None, has_offset="offset-set" in seen.reading.flags)
    state = _with_track(state, which, track)
    return _stylus_seen(state, which, value, at_ns, angle, rules)


def _stylus_seen(
    state: CaptureState,
    which: int,
    value: int,
    at_ns: int,
    angle: int | None,
    rules: CaptureRules,
) -> Result:
    """Take a value at which the stylus is on the pin."""
    match state.phase:
        case "sweeping":
            track = state.tracks[which]
            track = evolve(
                track,
                at_ns=(*track.at_ns, at_ns),
                value_nm=(*track.value_nm, value),
                angle_udeg=() if angle is None else (*track.angle_udeg, angle),
            )
            return _sweeping(state, which, track, at_ns, rules)
        case "away":
            state = _noted(state, which, at_ns, value, angle)
            return _stylus_on(state, at_ns), ()
        case "resting":
            if rules.sweep.proof == "angle":
                return _resting_by_angle(state, which, value, at_ns, angle, rules)
            state, outcomes = _resting(state, which, value, at_ns, rules)
        case "running-up":
            state, outcomes = _running_up(state, which, value, at_ns, rules)
        case "done":
            state, outcomes = _watch_for_jump(state, which, value, at_ns, rules)
    return _noted(state, which, at_ns, value, angle), outcomes


def _noted(
    state: CaptureState, which: int, at_ns: int, value: int, angle: int | None
) -> CaptureState:
    """Keep the last reading before a sweep: it is the first one of the sweep."""
    track = state.tracks[which]
    angles = () if angle is None else (angle,)
    track = evolve(
        track, out_since_ns=None, at_ns=(at_ns,), value_nm=(value,), angle_udeg=angles
    )
    return _with_track(state, which, track)


def _with_track(state: CaptureState, which: int, track: Track) -> CaptureState:
    tracks = state.tracks
    return evolve(state, tracks=(*tracks[:which], track, *tracks[which + 1 :]))


def _stylus_on(state: CaptureState, at_ns: int) -> CaptureState:
    if any(track.out_since_ns is not None for track in state.tracks):
        return state
    state = evolve(state, since_ns=at_ns, is_removed=False)
    if state.loosening is None:
        return evolve(state, phase="done")
    tracks = tuple(evolve(track, rest_nm=None, rest_udeg=None) for track in state.tracks)
    return evolve(state, phase="resting", waits_since_ns=at_ns, tracks=tracks)


# --- from rest to the sweep --------------------------------------------------------------


def _turned_to(state: CaptureState, angle_udeg: int, at_ns: int) -> CaptureState:
    """Note since when the spindle turns, as the angle in the frames tells."""
    if state.mark_udeg is None:
        return evolve(state, mark_udeg=angle_udeg, mark_ns=at_ns)
    way = abs(unwrapped((state.mark_udeg, angle_udeg))[1])
    if way <= CREEP_UDEG:
        if state.running_since_ns is not None and at_ns - state.mark_ns >= STOPPED_NS:
            return evolve(state, running_since_ns=None)
        return state
    running_ns = state.running_since_ns if state.running_since_ns is not None else at_ns
    return evolve(state, mark_udeg=angle_udeg, mark_ns=at_ns, running_since_ns=running_ns)


def _resting_by_angle(
    state: CaptureState,
    which: int,
    value: int,
    at_ns: int,
    angle: int | None,
    rules: CaptureRules,
) -> Result:
    """Wait for stylus and pin to settle, then for the angle to say that it turns."""
    assert angle is not None  # readings without one are not taken under this proof
    state = _noted(state, which, at_ns, value, angle)
    if at_ns - state.since_ns < rules.settle_ns:
        return state, ()
    track = state.tracks[which]
    if track.rest_udeg is None:
        return _with_track(state, which, evolve(track, rest_udeg=angle)), ()
    if abs(unwrapped((track.rest_udeg, angle))[1]) < STARTED_UDEG:
        return state, ()
    return _begin_sweep(state, at_ns, (), rules)


def _resting(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> Result:
    """Wait for stylus and pin to settle, then (proof by speed) for the spindle's start."""
    sweep = rules.sweep
    if sweep.proof not in TIMED or at_ns - state.since_ns < rules.settle_ns:
        return state, ()
    if sweep.has_run_contact:
        running_ns = state.running_since_ns
        if running_ns is None or at_ns - running_ns < rules.run_up_ns:
            return state, ()
        return _begin_sweep(state, at_ns, (), rules)
    track = state.tracks[which]
    if _leaps(track, value, rules):
        return _hand_at_work(state, at_ns), ()
    if track.rest_nm is not None and abs(value - track.rest_nm) < rules.moving_nm:
        return state, ()
    rested_ns = at_ns - track.rest_since_ns
    is_rest = not state.must_rest or rested_ns >= max(rules.settle_ns, sweep.standstill_ns)
    if track.rest_nm is not None and is_rest:
        tracks = tuple(_with_band(t) if t.value_nm else t for t in state.tracks)
        return evolve(state, phase="running-up", since_ns=at_ns, tracks=tracks), ()
    return _with_track(state, which, evolve(track, rest_nm=value, rest_since_ns=at_ns)), ()


def _with_band(track: Track) -> Track:
    rest_nm = track.rest_nm if track.rest_nm is not None else track.value_nm[-1]
    return evolve(track, band_low_nm=rest_nm, band_high_nm=rest_nm)


def _running_up(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> Result:
    """Let the spindle reach its speed; what stands still again, or leaps, was a hand."""
    track, run_ns = state.tracks[which], at_ns - state.since_ns
    low, high = min(track.band_low_nm, value), max(track.band_high_nm, value)
    if run_ns < rules.run_up_ns // 2:
        low = high = value  # the first movement may have been a knock
    state = _with_track(state, which, evolve(track, band_low_nm=low, band_high_nm=high))
    if _leaps(track, value, rules):
        return _hand_at_work(state, at_ns), ()
    if run_ns < rules.run_up_ns:
        return state, ()
    if not _is_moving(state, rules):
        return _hand_at_work(state, at_ns), ()
    return _begin_sweep(state, at_ns, (), rules)


def _leaps(track: Track, value: int, rules: CaptureRules) -> bool:
    return bool(track.value_nm) and abs(value - track.value_nm[-1]) > rules.loosening_nm


def _hand_at_work(state: CaptureState, at_ns: int) -> CaptureState:
    """Rest anew: what moved the pin was no spindle."""
    tracks = tuple(evolve(track, rest_nm=None) for track in state.tracks)
    return evolve(state, phase="resting", since_ns=at_ns, tracks=tracks)


def _is_moving(state: CaptureState, rules: CaptureRules) -> bool:
    # Less than what shows the start: a good collet hardly moves about its high spot.
    least_nm = rules.moving_nm * 3 // 4
    return any(t.band_high_nm - t.band_low_nm >= least_nm for t in state.tracks)


def _begin_sweep(
    state: CaptureState, at_ns: int, index_ns: tuple[int, ...], rules: CaptureRules
) -> Result:
    """Begin the turns that count, unless the spindle never stopped for the loosening."""
    running_ns, loosening = state.running_since_ns, state.loosening
    assert loosening is not None  # nothing rests or runs up without one
    if running_ns is not None and running_ns < loosening.at_ns:
        return _still_clamped(state, at_ns), ()
    if state.ended_ns is not None and at_ns - state.ended_ns < rules.reclamp_min_ns:
        return _still_clamped(state, at_ns), ()  # no hand is so quick: it is the same one
    tracks = tuple(evolve(t, jump_since_ns=None, jump_from_nm=None) for t in state.tracks)
    state = evolve(
        state, phase="sweeping", since_ns=at_ns, index_ns=index_ns, second_ns=(), tracks=tracks
    )
    return state, (ClampingStarted(at_ns),)


def _still_clamped(state: CaptureState, at_ns: int) -> CaptureState:
    """Take the evidence back: nobody opens a nut on a turning spindle."""
    tracks = tuple(evolve(rested(t), at_ns=t.at_ns, value_nm=t.value_nm) for t in state.tracks)
    return evolve(state, phase="done", loosening=None, since_ns=at_ns, tracks=tracks)


# --- the sweep ---------------------------------------------------------------------------


def _sweeping(
    state: CaptureState, which: int, track: Track, at_ns: int, rules: CaptureRules
) -> Result:
    track = watch_pin_in_sweep(track, track.value_nm[-1], at_ns, rules)
    state = _with_track(state, which, track)
    jump_ns = track.jump_since_ns
    if jump_ns is not None and at_ns - jump_ns >= rules.loosening_ns:
        return _end_clamping(state, "loosened", at_ns, rules)
    if rules.sweep.proof == "angle" and went_back(unwrapped(track.angle_udeg)):
        return _end_clamping(state, "turned-back", at_ns, rules)
    if _is_whole(state, rules):
        return _end_clamping(state, None, at_ns, rules)
    return state, ()


def _is_whole(state: CaptureState, rules: CaptureRules) -> bool:
    """Return whether every indicator has a reading at or after the end of the last turn."""
    sweep = rules.sweep
    if sweep.proof == "index":
        if len(state.index_ns) <= sweep.turns:
            return False
        end_ns = state.index_ns[sweep.turns]
        return all(track.at_ns and track.at_ns[-1] >= end_ns for track in state.tracks)
    if sweep.proof == "angle":
        wanted = sweep.turns * TURN_UDEG
        return all(unwrapped(t.angle_udeg)[-1:] >= (wanted,) for t in state.tracks)
    length_ns = sweep.turns * sweep.swept_turn_ns
    return all(
        track.at_ns and track.at_ns[-1] - track.at_ns[0] >= length_ns for track in state.tracks
    )


def nears_its_end(state: CaptureState, at_ns: int, rules: CaptureRules) -> bool:
    """Return whether the last reading of a sweep is due; an encoder foretells none."""
    sweep = rules.sweep
    if state.phase != "sweeping" or not all(track.at_ns for track in state.tracks):
        return False
    if sweep.proof == "index":
        if state.turn_ns is None or len(state.index_ns) != sweep.turns:
            return False
        gone_ns, whole_ns = at_ns - state.index_ns[-1], state.turn_ns
    else:
        gone_ns = at_ns - min(track.at_ns[0] for track in state.tracks)
        whole_ns = sweep.turns * sweep.swept_turn_ns
    return sweep.proof != "angle" and gone_ns * 20 >= whole_ns * 19


def whole_now(state: CaptureState, rules: CaptureRules) -> Result:
    """Return what would be said if one turn were enough and whole at the last reading.

    Of a sweep that nears its end.
    """
    at_ns = min(track.at_ns[-1] for track in state.tracks)
    if state.turn_ns is not None:
        state = evolve(state, index_ns=(at_ns - state.turn_ns, at_ns))
    return _end_clamping(state, None, at_ns, _by_one_turn(rules))


@cache
def _by_one_turn(rules: CaptureRules) -> CaptureRules:
    indicators = (replace(i, sweep=replace(i.sweep, turns=1)) for i in rules.indicators)
    return replace(rules, indicators=tuple(indicators))


# --- the loosening between two clampings -------------------------------------------------


def _watch_for_jump(
    state: CaptureState, which: int, value: int, at_ns: int, rules: CaptureRules
) -> Result:
    before = state.tracks[which]
    step_nm = rules.indicators[which].sweep.step_nm
    track, jump = watch_pin(before, value, at_ns, step_nm, rules)
    if track is not before:
        state = _with_track(state, which, track)
    if jump is None:
        return state, ()
    return _loosened(evolve(state, since_ns=at_ns, waits_since_ns=at_ns), jump)


def _loosened(state: CaptureState, loosening: Loosening) -> Result:
    """Take the evidence if it is the first or stronger than what was seen before."""
    known = state.loosening
    if known and EVIDENCE_RANK[known.evidence] >= EVIDENCE_RANK[loosening.evidence]:
        return state, ()
    phase: Phase = "resting" if state.phase == "done" else state.phase
    tracks = tuple(
        evolve(track, low_nm=None, high_nm=None, jump_since_ns=None, rest_nm=None)
        for track in state.tracks
    )
    must_rest = state.must_rest or state.phase == "done"
    state = evolve(state, phase=phase, loosening=loosening, must_rest=must_rest, tracks=tracks)
    return state, (Loosened(loosening),)


def _stylus_off(state: CaptureState, which: int, at_ns: int, rules: CaptureRules) -> Result:
    track = state.tracks[which]
    if track.out_since_ns is None:
        state = _with_track(state, which, evolve(track, out_since_ns=at_ns))
        if state.phase != "sweeping":
            state = evolve(state, phase="away", since_ns=at_ns)
        return state, ()
    return _while_off(state, at_ns, rules)


def _while_off(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    """Take a long absence of the stylus as a lift, a longer one as a removal too."""
    since = min(t.out_since_ns for t in state.tracks if t.out_since_ns is not None)
    outcomes: tuple[CaptureOutcome, ...] = ()
    off_ns = at_ns - since
    if off_ns >= rules.lift_ns:
        if state.phase == "sweeping":
            state, outcomes = _end_clamping(state, "lifted", at_ns, rules)
        state = evolve(state, must_rest=False)
        state, loosened = _loosened(state, Loosening("stylus-lift", since, None, off_ns))
        outcomes = (*outcomes, *loosened)
    if off_ns >= rules.removal_ns and not state.is_removed:
        state = evolve(state, is_removed=True)
        outcomes = (*outcomes, Removed(at_ns))
    return state, outcomes


# --- signals, silence, the end of a clamping ---------------------------------------------


def _edge(state: CaptureState, edge: Edge, rules: CaptureRules) -> Result:
    match edge.signal:
        case "index" if edge.is_on:
            return _index(state, edge.at_ns, rules)
        case "index-2" if edge.is_on and rules.sweep.second_flag_deg:
            return _second_flag(state, edge.at_ns, rules)
        case "foot" | "torque" if edge.is_on:
            said: Evidence = "foot-switch" if edge.signal == "foot" else "torque-pulse"
            if state.phase in ("sweeping", "running-up"):
                return state, ()  # nobody opens a nut on a turning spindle
            state = evolve(state, since_ns=edge.at_ns, waits_since_ns=edge.at_ns)
            return _loosened(state, Loosening(said, edge.at_ns))
        case "run" if rules.sweep.proof in TIMED and rules.sweep.has_run_contact:
            return _run_contact(state, edge, rules)
        case _:
            return state, ()


def _run_contact(state: CaptureState, edge: Edge, rules: CaptureRules) -> Result:
    if edge.is_on:
        return evolve(state, running_since_ns=edge.at_ns), ()
    state = evolve(state, running_since_ns=None)
    if state.phase == "sweeping":
        return _end_clamping(state, "stopped", edge.at_ns, rules)
    return state, ()


def _index(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    sweep, last = rules.sweep, state.last_index_ns
    # Half the fastest turn, too: a sooner edge is no turn that could count anyway. Not with
    # two flags: one that is passed twice is what shows that the spindle was rocked.
    too_soon_ns = 0 if sweep.second_flag_deg else sweep.fastest_turn_ns // 2
    if last is not None and at_ns - last < max(INDEX_BOUNCE_NS, too_soon_ns):
        return state, ()
    if sweep.proof != "index":
        return evolve(state, last_index_ns=at_ns), ()
    state = _turned(state, at_ns, rules)
    if state.phase == "sweeping":
        rocked = sweep.second_flag_deg and not any(
            at > state.index_ns[-1] for at in state.second_ns
        )
        state = evolve(state, index_ns=(*state.index_ns, at_ns))
        return _end_clamping(state, "turned-back", at_ns, rules) if rocked else (state, ())
    if state.phase == "resting" and at_ns - state.since_ns >= rules.settle_ns:
        return _begin_sweep(state, at_ns, (at_ns,), rules)
    return state, ()


def _second_flag(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    last = state.last_second_ns
    if last is not None and at_ns - last < INDEX_BOUNCE_NS:
        return state, ()
    state = evolve(state, last_second_ns=at_ns)
    if state.phase != "sweeping":
        return state, ()
    rocked = any(at > state.index_ns[-1] for at in state.second_ns)
    state = evolve(state, second_ns=(*state.second_ns, at_ns))
    return _end_clamping(state, "turned-back", at_ns, rules) if rocked else (state, ())


def _turned(state: CaptureState, at_ns: int, rules: CaptureRules) -> CaptureState:
    """Note since when the spindle turns: half a turn's time without its edge is a stop."""
    slowest = rules.sweep.slowest_turn_ns
    patience_ns = slowest if state.turn_ns is None else min(slowest, state.turn_ns * 3 // 2)
    last = state.last_index_ns
    if last is None or at_ns - last > patience_ns:
        return evolve(state, last_index_ns=at_ns, turn_ns=None, running_since_ns=at_ns)
    return evolve(state, last_index_ns=at_ns, turn_ns=at_ns - last)


def _forget(state: CaptureState, at_ns: int) -> CaptureState:
    """Forget what was seen: nobody can know what was done while nothing was said.

    What the spindle did is kept: its signals may come by another line.
    """
    return CaptureState(
        since_ns=at_ns,
        last_index_ns=state.last_index_ns,
        last_second_ns=state.last_second_ns,
        mark_udeg=state.mark_udeg,
        mark_ns=state.mark_ns,
        turn_ns=state.turn_ns,
        running_since_ns=state.running_since_ns,
        last_value_ns=state.last_value_ns,
        last_value_nm=state.last_value_nm,
        rising=state.rising,
        ended_ns=state.ended_ns,
        last=state.last,
        is_alike=state.is_alike,
        tracks=tuple(Track() for _ in state.tracks),
    )


def _time_passed(state: CaptureState, at_ns: int, rules: CaptureRules) -> Result:
    if state.phase == "sweeping":
        if _has_stopped(state, at_ns, rules):
            return _end_clamping(state, "stopped", at_ns, rules)
        return state, ()
    is_waiting = state.phase in ("resting", "running-up") and state.loosening is not None
    if is_waiting and at_ns - state.waits_since_ns > rules.turn_wait_ns:
        cut = next((track.fault for track in state.tracks if track.fault), None)
        state, outcomes = _end_clamping(state, cut, at_ns, rules)
        return state, (ClampingStarted(at_ns), *outcomes)
    return state, ()


def _has_stopped(state: CaptureState, at_ns: int, rules: CaptureRules) -> bool:
    """Return whether the next turn has not come for longer than the slowest one takes."""
    sweep = rules.sweep
    if sweep.proof == "index":
        last = state.index_ns[-1] if state.index_ns else state.since_ns
        return at_ns - last > sweep.slowest_turn_ns
    if sweep.proof == "angle" and at_ns - state.mark_ns > sweep.slowest_turn_ns:
        return True
    longest = sweep.slowest_turn_ns if sweep.proof == "angle" else sweep.swept_turn_ns
    return at_ns - state.since_ns > (sweep.turns + 1) * longest


def _end_clamping(
    state: CaptureState, cut: Cut | None, at_ns: int, rules: CaptureRules
) -> Result:
    # What precedes a lift or an opening already belongs to it: it bounds nothing.
    left = [t for track in state.tracks for t in (track.jump_since_ns, track.out_since_ns)]
    left_ns = min((t for t in left if t is not None), default=at_ns)
    until_ns = None if cut is None else left_ns - rules.settle_ns
    positions = tuple(
        _measured(track, state, cut, until_ns, indicator)
        for track, indicator in zip(state.tracks, rules.indicators, strict=True)
    )
    assert state.loosening is not None  # no sweep begins without one
    started = min((p.sweep.at_ns[0] for p in positions if p.sweep.at_ns), default=at_ns)
    clamping = Clamping("sweep", started, at_ns, positions, state.loosening)
    is_off = any(track.out_since_ns is not None for track in state.tracks)
    state = evolve(
        state,
        phase="away" if is_off else "done",
        loosening=None,
        since_ns=at_ns,
        index_ns=(),
        second_ns=(),
        must_rest=False,
        is_removed=False,
        ended_ns=at_ns,
        tracks=tuple(rested(track) for track in state.tracks),
    )
    state, notices = _compared(state, clamping, rules)
    return state, (ClampingEnded(clamping, at_ns), *notices)


def _compared(
    state: CaptureState, clamping: Clamping, rules: CaptureRules
) -> tuple[CaptureState, tuple[CaptureOutcome, ...]]:
    """Notice a clamping that reads like the one before: it counts, and somebody should look."""
    if rules.sweep.proof not in DIRECTED or clamping.invalid is not None:
        return state, ()
    step_nm = max(indicator.sweep.step_nm for indicator in rules.indicators)
    alike = bool(state.last) and are_alike(state.last, clamping.positions, step_nm)
    was, state = state.is_alike, evolve(state, last=clamping.positions, is_alike=alike)
    if alike == was:
        return state, ()
    text = "two clampings read alike; was the nut opened and the collet rotated?"
    notice = Noticed("clampings-alike", alike, text if alike else "", clamping.ended_ns)
    return state, (notice,)


def _measured(
    track: Track,
    state: CaptureState,
    cut: Cut | None,
    until_ns: int | None,
    indicator: IndicatorRules,
) -> PositionRunOut:
    at_ns = track.at_ns
    kept = len(at_ns)
    if until_ns is not None:
        kept = sum(1 for at in at_ns if at < until_ns)
    angles = track.angle_udeg[:kept] if indicator.sweep.proof == "angle" else ()
    sweep = Sweep(
        at_ns[:kept], track.value_nm[:kept], state.index_ns, cut, angles, state.second_ns
    )
    return PositionRunOut(
        indicator.id,
        indicator.position,
        sweep,
        evaluate(sweep, indicator.sweep),
        exact_vector(sweep, indicator.sweep),
    )
