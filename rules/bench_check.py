"""Master checks within the step of a bench: what begins one, takes its seats, ends it."""

from dataclasses import replace

from rules import capture, check_at_bench, static_step
from rules.bench_alarms import alarm
from rules.bench_model import (
    BenchRules,
    BenchState,
    CheckBegun,
    CheckStopped,
    CommandRefusedError,
    DueChanged,
    Result,
)
from rules.capture_model import Edge, LineLost, Seen, Tick
from rules.check_at_bench import CheckAtWork, CheckRules
from rules.check_facts import CheckFact
from rules.clamping import Clamping
from rules.evolve import evolve
from rules.facts import AlarmCode, Fact


def is_due(state: BenchState) -> bool:
    """Return whether the next piece has to wait for a check; one that was begun does not."""
    return state.due.stops(is_piece_begun=state.piece is not None)


def taken(
    state: BenchState, event: DueChanged | CheckBegun | CheckStopped, rules: BenchRules
) -> Result:
    """Take what is said of checks.

    Raises:
        CommandRefusedError: If it makes no sense now; the message says why.
    """
    match event:
        case DueChanged():
            return due_changed(state, event, rules)
        case CheckBegun():
            return begin(state, event, rules)
        case CheckStopped():
            return stop(state, event, rules)


def due_changed(state: BenchState, event: DueChanged, rules: BenchRules) -> Result:
    """Take note of what is due: a warning first, then an alarm; a failed check is its own."""
    state = evolve(state, due=event.due, fitness=event.standing)
    if event.disturbed and rules.check is not None:
        state = _begun_anew(state, rules.check, event.disturbed)
    level, text = event.due.level, "; ".join(event.due.reasons)
    if not event.is_failed:
        text = f"master check {level}: {text}"
    facts: tuple[Fact, ...] = ()
    stands: dict[AlarmCode, bool] = {
        "check-soon": level == "soon",
        "check-due": level == "due" and not event.is_failed,
        "check-failed": level == "due" and event.is_failed,
    }
    for code, is_on in stands.items():
        state, told = alarm(state, code, is_on, text if is_on else "")
        facts = (*facts, *told)
    return state, facts


def begin(state: BenchState, asked: CheckBegun, rules: BenchRules) -> Result:
    """Begin a check between two pieces; within a static step the face is announced so.

    Raises:
        CommandRefusedError: If none is asked for, one is begun, a piece is in work, or a
            master can prove nothing.
    """
    wanted = _asked_for(rules)
    if is_static(state):
        return face_announced(state, rules)
    if wanted.unproved:
        raise CommandRefusedError("; ".join(wanted.unproved.values()))
    if state.check is not None:
        raise CommandRefusedError(f"a {state.check.kind} check is begun already")
    if state.piece is not None:
        raise CommandRefusedError(
            f"piece {state.piece} is in work or in hand: put it away, then check"
        )
    if state.is_measuring:
        raise CommandRefusedError("a clamping is being measured: let it end")
    at_work = check_at_bench.begin(wanted, state.fitness.good, asked.by, asked.role)
    return evolve(state, check=at_work), ()


def stop(state: BenchState, asked: CheckStopped, rules: BenchRules) -> Result:
    """Give a check up: it is on record and changes nothing.

    Raises:
        CommandRefusedError: If none is begun, or no reason is given.
    """
    wanted = _asked_for(rules)
    if state.check is None:
        raise CommandRefusedError("no master check is begun")
    if not asked.reason.strip():
        raise CommandRefusedError("breaking a check off needs a reason")
    fact = check_at_bench.broken_off(state.check, wanted, asked.reason, asked.role)
    begun = "begun-before" if state.begun == "check" else state.begun
    state = _swept_again(state, rules)
    return evolve(state, check=None, begun=begun), (fact,)


def passed(state: BenchState, at_ns: int, rules: BenchRules) -> Result:
    """Give a check up whose next seat did not begin in time: nobody stands by it any more.

    Left begun, the next piece would be taken for the master.
    """
    at_work, wanted = state.check, rules.check
    if at_work is None or wanted is None or state.is_measuring or at_work.face.is_reading:
        return state, ()
    if at_work.since_ns is None:
        return evolve(state, check=replace(at_work, since_ns=at_ns)), ()
    late = check_at_bench.late_text(at_work, wanted, at_ns)
    return _given_up(state, late, rules) if late else (state, ())


def _given_up(state: BenchState, late: str, rules: BenchRules) -> Result:
    at_work, wanted = state.check, rules.check
    assert at_work is not None  # the callers asked
    assert wanted is not None
    fact = check_at_bench.broken_off(at_work, wanted, late, "service")
    return evolve(_swept_again(state, rules), check=None), (fact,)


def _asked_for(rules: BenchRules) -> CheckRules:
    if rules.check is None:
        raise CommandRefusedError(
            "the bench file asks for no master checks; accepted is one with [bench.check] "
            "and its masters"
        )
    return rules.check


def _begun_anew(state: BenchState, wanted: CheckRules, why: str) -> BenchState:
    """Return the state after a disturbance: seats on both sides of it make no one check."""
    at_work = state.check
    if at_work is None:
        return state
    anew = check_at_bench.begin(wanted, state.fitness.good, at_work.by, at_work.role)
    begun = "begun-before" if state.begun == "check" else state.begun
    return evolve(state, check=replace(anew, note=f"{why}: begun anew"), begun=begun)


def interrupted(state: BenchState, why: str) -> BenchState:
    """Return the state after an indicator was lost: seats of a check are taken again."""
    if state.check is None:
        return state
    anew = replace(state.check, seats=(), note=why, face=static_step.StepState(), since_ns=None)
    return evolve(state, check=anew)


# --- a static step: the spindle stands, and capture sees nothing of it ------------------------


def is_static(state: BenchState) -> bool:
    """Return whether a static step is being made: what is read then is no clamping."""
    return state.check is not None and state.check.kind == "static-step"


def face_announced(state: BenchState, rules: BenchRules) -> Result:
    """Read the face that the stylus is set on, from now on."""
    assert state.check is not None  # the caller asked
    return _stepped(state, static_step.Announced(), rules)


def stood(state: BenchState, event: Seen | Edge | Tick, rules: BenchRules) -> Result:
    """Take what is said while the spindle has to stand."""
    assert state.check is not None  # the caller asked
    number, _ = static_step.face_of(state.check.seat)
    if isinstance(event, Tick):
        return state, ()
    if isinstance(event, Seen) and event.indicator != rules.capture.indicators[number].id:
        return state, ()
    return _stepped(state, event, rules)


def _stepped(state: BenchState, event: static_step.StepEvent, rules: BenchRules) -> Result:
    at_work, wanted = state.check, rules.check
    assert at_work is not None
    assert wanted is not None
    number, _ = static_step.face_of(at_work.seat)
    by = rules.capture.indicators[number]
    face, outcomes = static_step.step(at_work.face, event, by, rules.capture.moving_nm)
    at_work = replace(at_work, face=face)
    if isinstance(event, static_step.Announced):
        at_work = replace(at_work, note="")
    fact: CheckFact | None = None
    after: CheckAtWork | None = at_work
    for outcome in outcomes:
        match outcome:
            case static_step.FaceRead(sweep):
                after, fact = check_at_bench.face_read(at_work, sweep, rules.capture, wanted)
            case static_step.FaceSpoiled():
                after, fact = check_at_bench.face_spoiled(at_work, outcome, wanted)
        after = after if after is None else replace(after, since_ns=None)
    if after is None or after.kind != at_work.kind:
        state = _swept_again(evolve(state, check=at_work), rules)
    elif static_step.face_of(after.seat)[0] != number:  # another indicator, its own unit
        after = replace(after, face=static_step.StepState(seen_ns=face.seen_ns))
    return evolve(state, check=after), () if fact is None else (fact,)


def _swept_again(state: BenchState, rules: BenchRules) -> BenchState:
    """Return the state after a static step: the stylus lies nobody knows where."""
    seen_ns = state.check.face.seen_ns if state.check is not None else None
    if not is_static(state) or seen_ns is None:
        return state
    lost = LineLost(rules.capture.indicators[0].id, seen_ns)
    forgot, _ = capture.step(state.capture, lost, rules.capture)
    return evolve(state, capture=forgot)


def seat_ended(state: BenchState, clamping: Clamping, rules: BenchRules) -> Result:
    """Take a clamping of the master."""
    assert state.check is not None  # the caller asked
    assert rules.check is not None  # none is begun without
    late = check_at_bench.late_text(state.check, rules.check, clamping.started_ns)
    if late:  # no tick came meanwhile: the machine slept
        return _given_up(state, late, rules)
    before = state.check
    at_work, fact = check_at_bench.seat_taken(
        before, clamping, rules.capture, rules.check, state.fitness.zeros
    )
    # A seat without a result leaves the one before it as old as it was.
    if at_work is not None and (not at_work.seats or at_work.seats != before.seats):
        at_work = replace(at_work, since_ns=clamping.ended_ns)
    state = evolve(state, check=at_work)
    if fact is None:
        return state, ()
    state, told = _drift(state, fact, rules.check)
    return state, (fact, *told)


def _drift(state: BenchState, fact: CheckFact, rules: CheckRules) -> Result:
    if fact.result != "good":
        return state, ()
    text = check_at_bench.drift_text(fact, rules)
    known = next((said for code, said in state.alarms if code == "zero-drift"), "")
    if not text and known and not known.startswith(f"{fact.kind}: "):
        return state, ()  # it was said of the other kind's master
    return alarm(state, "zero-drift", bool(text), f"{fact.kind}: {text}" if text else "")
