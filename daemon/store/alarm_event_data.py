"""Alarms as event data, and as told on their topics."""

from daemon.messages import AlarmData, AlarmState
from rules.alarm_list import ALARMS
from rules.facts import AlarmAckFact, AlarmCode, AlarmFact, AlarmNews, AlarmShelfFact, Shelf


def alarm_data(fact: AlarmNews, at_utc: str) -> AlarmData:
    """Return the data of an alarm that came, was seen to, or went."""
    match fact:
        case AlarmFact(code, is_raised, text, shelf):
            word: AlarmState = "returned"
            if is_raised:
                word = "raised" if shelf is None else "shelved"
            return alarm_payload(code, text, word, at_utc, stands=is_raised, shelf=shelf)
        case AlarmAckFact(code, text, role):
            return alarm_payload(code, text, "acknowledged", at_utc, role=role)
        case AlarmShelfFact(shelf, stands, text):
            return alarm_payload(
                shelf.code, text, "shelved", at_utc, stands=stands, shelf=shelf
            )


def alarm_payload(
    code: AlarmCode,
    text: str,
    state: AlarmState,
    since: str,
    *,
    stands: bool = True,
    role: str = "",
    shelf: Shelf | None = None,
) -> AlarmData:
    """Return an alarm as told on its topic and in its events."""
    entry = ALARMS[code]
    return AlarmData(
        code=code,
        text=text,
        state=state,
        since=since,
        stands=stands,
        waits_for=entry.who if stands else "nobody",
        to_do=entry.to_do if stands else "",
        role=shelf.role if shelf is not None else role,
        reason=shelf.reason if shelf is not None else "",
        until=shelf.until_utc if shelf is not None else None,
    )
