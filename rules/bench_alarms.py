"""Alarms of a bench: raised and returned once each, whatever says so again.

A condition that chatters waits in ``changing`` until it has lasted; the ticks of the bench
end the waiting (``passed``).
"""

from dataclasses import replace

from rules import foot_switch
from rules.alarm_list import ALARMS
from rules.bench_model import BenchState, Changing, Result
from rules.evolve import evolve
from rules.facts import AlarmCode, AlarmFact, Fact, Shelf
from rules.foot_switch import CALLS
from rules.line_events import SignalFault


def clear(state: BenchState) -> Result:
    """Return the alarms about a piece in hand to normal: it is no longer awaited."""
    state, right = alarm(state, "wrong-bin", False, "")
    state, away = alarm(state, "not-put-away", False, "")
    return state, (*right, *away)


def stands(state: BenchState, code: AlarmCode) -> bool:
    """Return whether an alarm stands."""
    return text_of(state, code) is not None


def text_of(state: BenchState, code: AlarmCode) -> str | None:
    """Return the text of an alarm that stands; None when it doesn't."""
    return next((text for known, text in state.alarms if known == code), None)


def shelf_of(state: BenchState, code: AlarmCode) -> Shelf | None:
    """Return the shelf an alarm lies on; None when it is not shelved."""
    return next((shelf for shelf in state.shelves if shelf.code == code), None)


def alarm(
    state: BenchState, code: AlarmCode, is_on: bool, text: str, *, at_once: bool = False
) -> Result:
    """Take note that a condition is there or gone; nothing where that is known.

    Args:
        state: The state before.
        code: The alarm.
        is_on: Whether its condition is there.
        text: What is the matter; of a return, how it ended.
        at_once: Without its delay: another alarm takes its place, or it can't chatter.
    """
    was = text_of(state, code)
    waiting = next((one for one in state.changing if one.code == code), None)
    if is_on == (was is not None):
        if waiting is not None:
            others = tuple(one for one in state.changing if one.code != code)
            state = evolve(state, changing=others)
        return (state, ()) if not is_on or text == was else turn(state, code, is_on, text)
    one = ALARMS[code]
    if at_once or not (one.on_ns if is_on else one.off_ns):
        return turn(state, code, is_on, text)
    others = tuple(other for other in state.changing if other.code != code)
    since_ns = waiting.since_ns if waiting is not None else None
    waits = Changing(code, is_on, text, since_ns)
    return evolve(state, changing=(*others, waits)), ()


def turn(state: BenchState, code: AlarmCode, is_on: bool, text: str) -> Result:
    """Raise an alarm (unacknowledged) or return it to normal."""
    others = tuple(entry for entry in state.alarms if entry[0] != code)
    state = evolve(
        state,
        alarms=(*others, (code, text)) if is_on else others,
        acknowledged=tuple(entry for entry in state.acknowledged if entry[0] != code),
        changing=tuple(one for one in state.changing if one.code != code),
    )
    return state, (AlarmFact(code, is_on, text, shelf_of(state, code)),)


def passed(state: BenchState, at_ns: int) -> Result:
    """Turn what has lasted long enough, and end what was shelved long enough."""
    facts: tuple[Fact, ...] = ()
    for one in state.changing:
        if one.since_ns is None:
            seen = replace(one, since_ns=at_ns)
            state = evolve(
                state, changing=tuple(seen if o is one else o for o in state.changing)
            )
        elif at_ns - one.since_ns >= _delay_ns(one):
            state, turned = turn(state, one.code, one.is_on, one.text)
            facts = (*facts, *turned)
    for shelf in state.shelves:
        if at_ns >= shelf.until_ns:
            state, back = off_shelf(state, shelf.code, "its time on the shelf is over")
            facts = (*facts, *back)
    return state, facts


def _delay_ns(one: Changing) -> int:
    entry = ALARMS[one.code]
    return entry.on_ns if one.is_on else entry.off_ns


def off_shelf(state: BenchState, code: AlarmCode, why: str) -> Result:
    """Take an alarm off the shelf: where its condition is there it is raised anew."""
    state = evolve(state, shelves=tuple(s for s in state.shelves if s.code != code))
    text = text_of(state, code)
    if text is None:
        return state, (AlarmFact(code, False, why),)
    return turn(state, code, True, text)


def call(state: BenchState, code: foot_switch.Call) -> Result:
    """Call somebody; where a call stands already, the second long press takes it back."""
    if any(stands(state, standing) for standing in CALLS):
        return end_calls(state, "taken back")
    text = "the operator calls for help"
    if code == "attention-asked":
        text = f"look at piece {state.piece} before it is put away: the operator asks for it"
    return alarm(state, code, True, text)


def end_calls(state: BenchState, text: str) -> Result:
    """Return every call to normal; ``text`` says how it was answered."""
    facts: tuple[Fact, ...] = ()
    for code in CALLS:
        state, returned = alarm(state, code, False, text)
        facts = (*facts, *returned)
    return state, facts


# --- one root, one alarm ----------------------------------------------------------------------


def wrong_bin(piece: int | None, right: str | None, wrong: str) -> str:
    """Return the alarm's text: across the hall its end may have no room."""
    return f"piece {piece} belongs in bin {right}, not {wrong}"


def lost(state: BenchState) -> Result:
    """Raise or return what follows from the lost indicators, as one alarm.

    A low battery and the silence it ends in are one matter: while the indicator is lost its
    battery is told there. One that comes and goes is told once, by the words of its first loss.
    """
    names = [name for name, _ in state.lost]
    told = text_of(state, "indicator-lost") or ""
    is_flapping = any(one.code == "indicator-lost" for one in state.changing)
    text = joined(state.lost)
    dead = sorted(state.low.intersection(names))
    if dead:
        text = f"{text} ({', '.join(dead)}: battery was low)"
    if is_flapping and names and all(f"{name}: " in told for name in names):
        text = told
    state, facts = alarm(state, "indicator-lost", bool(names), text)
    state, more = battery(state)
    return state, (*facts, *more)


def battery(state: BenchState) -> Result:
    """Raise or return the alarm about batteries of indicators that still speak."""
    is_lost = {name for name, _ in state.lost}
    low = sorted(state.low - is_lost)
    text = ", ".join(f"{name}: battery low" for name in low)
    return alarm(state, "battery-low", bool(low), text, at_once=bool(state.low & is_lost))


def joined(entries: tuple[tuple[str, str], ...]) -> str:
    """Return named conditions in one line."""
    return "; ".join(f"{name}: {why}" for name, why in entries)


def without(
    faults: tuple[tuple[str, str], ...], event: SignalFault
) -> tuple[tuple[str, str], ...]:
    """Return the faults of wired signals after one of them came or went."""
    others = tuple(entry for entry in faults if entry[0] != event.signal)
    return (*others, (event.signal, event.text)) if event.text else others
