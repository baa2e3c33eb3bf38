"""What somebody does about an alarm: answer a call, acknowledge, shelve, take off the shelf."""

from rules.alarm_list import ALARMS
from rules.bench_alarms import alarm, end_calls, off_shelf, shelf_of, stands, text_of
from rules.bench_model import (
    AlarmAcked,
    AlarmCommand,
    AlarmShelved,
    AlarmUnshelved,
    BenchState,
    CallAnswered,
    CommandRefusedError,
    Result,
)
from rules.evolve import evolve
from rules.facts import AlarmAckFact, AlarmShelfFact, Shelf
from rules.foot_switch import CALLS


def taken(state: BenchState, asked: AlarmCommand) -> Result:
    """Return the next state and what to keep.

    Raises:
        CommandRefusedError: If it makes no sense now; says why and what does.
    """
    match asked:
        case CallAnswered():
            if not any(stands(state, code) for code in CALLS):
                raise CommandRefusedError("nobody has called from this bench")
            return end_calls(state, f"answered by {asked.role}")
        case AlarmAcked():
            return _acknowledged(state, asked)
        case AlarmShelved():
            return _shelved(state, asked.shelf)
        case AlarmUnshelved():
            if shelf_of(state, asked.code) is None:
                raise CommandRefusedError(f"{asked.code} is not shelved")
            return off_shelf(state, asked.code, f"taken off the shelf by {asked.role}")


def _acknowledged(state: BenchState, asked: AlarmAcked) -> Result:
    text = text_of(state, asked.code)
    if text is None:
        raise CommandRefusedError(f"{asked.code} does not stand; standing: {_standing(state)}")
    if asked.code in CALLS:
        return alarm(state, asked.code, False, f"answered by {asked.role}")
    shelf, known = shelf_of(state, asked.code), dict(state.acknowledged)
    if shelf is not None:
        raise CommandRefusedError(f"{asked.code} is shelved until {shelf.until_utc}")
    if asked.code in known:
        raise CommandRefusedError(f"{asked.code} was acknowledged by {known[asked.code]}")
    state = evolve(state, acknowledged=(*state.acknowledged, (asked.code, asked.role)))
    return state, (AlarmAckFact(asked.code, text, asked.role),)


def _standing(state: BenchState) -> str:
    return ", ".join(sorted(code for code, _ in state.alarms)) or "no alarm"


def _shelved(state: BenchState, shelf: Shelf) -> Result:
    """Put an alarm on the shelf, or give it another end there."""
    if not ALARMS[shelf.code].is_shelvable:
        raise CommandRefusedError(f"{shelf.code} can't be shelved: {ALARMS[shelf.code].to_do}")
    if not shelf.reason.strip():
        raise CommandRefusedError("shelving needs a reason")
    text = text_of(state, shelf.code)
    others = tuple(known for known in state.shelves if known.code != shelf.code)
    seen = tuple(entry for entry in state.acknowledged if entry[0] != shelf.code)
    state = evolve(state, shelves=(*others, shelf), acknowledged=seen)
    return state, (AlarmShelfFact(shelf, text is not None, text or ""),)
