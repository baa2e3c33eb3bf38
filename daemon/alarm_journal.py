"""The journal of alarms: what the record says of them, and what stands by it after a start."""

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from daemon.clock import Clock
from daemon.messages import AlarmData
from daemon.store import Store
from rules.alarm_list import ALARMS
from rules.bench import AlarmOnRecord
from rules.facts import AlarmCode, Shelf

NS_PER_S = 1_000_000_000

SHELF_MAX_MIN = 1440
"""An alarm is put aside for a day at most: what lasts longer is to be mended."""

JOURNAL_MAX = 200

_LAST = (
    "SELECT json_extract(body, '$.data') FROM events WHERE bench = ? AND kind = 'alarm'"
    " AND seq IN (SELECT max(seq) FROM alarm_journal WHERE bench = ? GROUP BY code)"
)


@dataclass(frozen=True, slots=True)
class LastWords:
    """What the record says last of every alarm of a bench.

    Attributes:
        known: The alarms that stand or are shelved by it.
        since: When each of those that stand was raised.
    """

    known: tuple[AlarmOnRecord, ...]
    since: Mapping[str, str]

    @property
    def texts(self) -> dict[AlarmCode, str]:
        """Return the alarms that stand by the record, with their texts."""
        return {one.code: one.text for one in self.known if one.text}


def last_words(store: Store, bench: str, clock: Clock) -> LastWords:
    """Return what the record says of the alarms of a bench.

    Raises:
        StoreError: If the store can't be read.
    """
    with store.reading() as db:
        found = [
            AlarmData.model_validate_json(body) for (body,) in db.execute(_LAST, (bench, bench))
        ]
        # A later release knew others; an earlier one did not say whether one stands.
        said = [
            one.model_copy(update={"stands": one.stands and one.state != "returned"})
            for one in found
            if one.code in ALARMS
        ]
        known = tuple(_on_record(one, clock) for one in said if one.stands or one.until)
        since = {one.code: _raised_utc(db, bench, one) for one in said if one.stands}
    return LastWords(known, since)


def _on_record(one: AlarmData, clock: Clock) -> AlarmOnRecord:
    code: AlarmCode = next(code for code in ALARMS if code == one.code)
    shelf = None
    if one.until is not None:
        left_s = (datetime.fromisoformat(one.until) - clock.utc()).total_seconds()
        # A clock that was put back must not make a shelf longer than any may be.
        left_s = min(left_s, SHELF_MAX_MIN * 60.0) * clock.rate
        until_ns = clock.now_ns() + round(left_s * NS_PER_S)
        shelf = Shelf(code, one.role, one.reason, until_ns, one.until)
    role = one.role if one.state == "acknowledged" else ""
    return AlarmOnRecord(code, one.text if one.stands else "", role, shelf)


def _raised_utc(db: sqlite3.Connection, bench: str, one: AlarmData) -> str:
    """Return when an alarm came that stands: the first word after it was last gone."""
    sql = (
        "SELECT min(at_utc) FROM alarm_journal j WHERE bench = ? AND code = ? AND seq >"
        " (SELECT coalesce(max(seq), 0) FROM alarm_journal"
        " WHERE bench = j.bench AND code = j.code AND stands = 0)"
    )
    (found,) = db.execute(sql, (bench, one.code)).fetchone()
    return str(found or one.since)


def journal(store: Store, bench: str) -> list[dict[str, Any]]:
    """Return the newest lines of the journal, newest first.

    Raises:
        StoreError: If the store can't be read.
    """
    names = ("seq", "at", "code", "state", "text", "role", "reason", "until")
    with store.reading() as db:
        rows = db.execute(
            "SELECT seq, at_utc, code, state, text, role, reason, until_utc FROM alarm_journal"
            " WHERE bench = ? ORDER BY seq DESC LIMIT ?",
            (bench, JOURNAL_MAX),
        ).fetchall()
    return [dict(zip(names, row, strict=True)) for row in rows]
