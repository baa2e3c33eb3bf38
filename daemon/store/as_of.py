"""The record as it stood at a moment: what the board of a bench showed then.

The tables that tell of a lot are laid once more beside the record, in memory, cut off at the
last event of that moment; the questions of today then find the record of then.
"""

import sqlite3
from dataclasses import dataclass
from datetime import datetime

from daemon.store import lot_query
from daemon.store.last_event import last_event
from rules.lot import OpenWork

__all__ = ["Then", "as_of"]

_MOMENTS = ("seq", "at_utc", "opened_utc", "began_utc", "closed_utc")
"""Columns that say when a row came. Order is by sequence number, as a clock may have been set:
a row without one has the time of the event it was committed with."""

_OWNERS = (("lot", "lots"), ("piece", "pieces"), ("cycle", "cycles"))
_FIRST = ("lots", "pieces", "cycles")
_LEFT_OUT = ("events", "outbox", "inbound", "texts")
_TOO_LARGE = ("sweep",)


@dataclass(frozen=True, slots=True)
class Then:
    """What a bench had at a moment, as the record tells it.

    Attributes:
        seq: Last event of that moment; 0 before the first.
        last_utc: When that event was.
        lot: The open lot; None between lots.
        article: What was in it.
        quantity: Pieces delivered; None where nobody said.
        ordered: Of each grade.
        counts: Pieces by status and grade ("" where a status has no grade).
        work: The piece in work or in hand; None between pieces.
        alarms: Codes raised and not returned by then, with their texts.
    """

    seq: int
    last_utc: str | None
    lot: str | None
    article: str | None
    quantity: int | None
    ordered: dict[str, int]
    counts: dict[str, dict[str, int]]
    work: OpenWork | None
    alarms: dict[str, str]


def as_of(db: sqlite3.Connection, bench: str, at_utc: str) -> Then:
    """Return what a bench had at a moment.

    Args:
        db: The record, open for reading only; it gets temporary tables.
        bench: Which bench.
        at_utc: RFC 3339, UTC, milliseconds, Z.
    """
    seq, last_utc = last_event(db, bench, datetime.fromisoformat(at_utc))
    _lay_moments(db, bench, seq)
    lot = db.execute(
        "SELECT id, code, article, quantity FROM lots l"
        " WHERE bench = ? AND opened_utc IN temp.moments AND NOT EXISTS (SELECT 1"
        " FROM lot_ends e WHERE e.lot = l.id AND e.closed_utc IN temp.moments)"
        " ORDER BY id DESC LIMIT 1",
        (bench,),
    ).fetchone()
    alarms = _alarms(db, bench, seq)
    if lot is None:
        return Then(seq, last_utc, None, None, None, {}, {}, None, alarms)
    lot_id, code, article, quantity = lot
    _lay_beside(db, {"lot": lot_id, "seq": seq})
    return Then(
        seq, last_utc, code, article, quantity, lot_query.orders(db, lot_id),
        lot_query.status_counts(db, lot_id), lot_query.open_work(db, lot_id), alarms,
    )  # fmt: skip


def _lay_moments(db: sqlite3.Connection, bench: str, seq: int) -> None:
    """Lay the times of all events up to this one, by which rows without a number are told."""
    db.execute("CREATE TEMP TABLE moments (at_utc TEXT PRIMARY KEY) WITHOUT ROWID")
    db.execute(
        "INSERT OR IGNORE INTO temp.moments"
        " SELECT at_utc FROM main.events WHERE bench = ? AND seq <= ?",
        (bench, seq),
    )


def _alarms(db: sqlite3.Connection, bench: str, seq: int) -> dict[str, str]:
    standing: dict[str, str] = {}
    rows = db.execute(
        "SELECT code, stands, text FROM alarm_journal WHERE bench = ? AND seq <= ?"
        " ORDER BY seq",
        (bench, seq),
    )
    for code, stands, text in rows:
        standing.pop(code, None)
        if stands:
            standing[code] = text
    return standing


def _lay_beside(db: sqlite3.Connection, moment: dict[str, int]) -> None:
    """Lay temporary tables that hide those of the record from every later question."""
    names = [
        name
        for (name,) in db.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")
        if name not in (*_LEFT_OUT, *_FIRST) and not name.startswith(("sqlite_", "_"))
    ]
    for name in (*_FIRST, *names):
        _lay_table(db, name, moment)
    views = "SELECT sql FROM main.sqlite_master WHERE type = 'view' AND name = 'piece_status'"
    for (sql,) in db.execute(views).fetchall():
        db.execute(sql.replace("CREATE VIEW", "CREATE TEMP VIEW", 1))


def _lay_table(db: sqlite3.Connection, name: str, moment: dict[str, int]) -> None:
    columns = [row[1] for row in db.execute(f"PRAGMA main.table_info({name})")]
    taken = ", ".join(column for column in columns if column not in _TOO_LARGE)
    where = [
        f"({owner} IS NULL OR {owner} IN (SELECT id FROM temp.{table}))"
        for owner, table in _OWNERS
        if owner in columns
    ]
    if name == "lots":
        where.append("id = :lot")
    when = next((column for column in _MOMENTS if column in columns), None)
    if when is not None:
        where.append("seq <= :seq" if when == "seq" else f"{when} IN temp.moments")
    db.execute(
        f"CREATE TEMP TABLE {name} AS SELECT {taken} FROM main.{name}"
        f" WHERE {' AND '.join(where) or '1'}",
        moment,
    )
