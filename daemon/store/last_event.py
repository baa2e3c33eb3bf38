"""Which event of a bench was the last at a time of day, though its clock may have been set."""

import sqlite3
from datetime import datetime, timedelta

__all__ = ["last_event"]


def last_event(db: sqlite3.Connection, bench: str, at_utc: datetime) -> tuple[int, str | None]:
    """Return number and recorded time of the last event up to a time of day; 0 before any.

    What was recorded while the clock was in doubt came so long after the last trusted event as
    the interval clock says; in another boot, not before it.

    Args:
        db: The record.
        bench: Which bench.
        at_utc: The time, aware.
    """
    found: tuple[int, str | None] = (0, None)
    anchor: tuple[datetime, str, int] | None = None
    rows = db.execute(
        "SELECT seq, at_utc, boot, mono_ns, json_extract(body, '$.clocksync') <> 'no'"
        " FROM main.events WHERE bench = ? ORDER BY seq",
        (bench,),
    )
    for seq, recorded, boot, mono_ns, is_trusted in rows:
        came = datetime.fromisoformat(recorded)
        if is_trusted:
            anchor = (came, boot, mono_ns)
        elif anchor is not None and anchor[1] == boot and mono_ns >= anchor[2]:
            came = anchor[0] + timedelta(microseconds=(mono_ns - anchor[2]) // 1000)
        elif anchor is not None:
            came = max(came, anchor[0])
        if came <= at_utc:
            found = (seq, recorded)
    return found
