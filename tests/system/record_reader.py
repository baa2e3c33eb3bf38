"""The record as a stranger reads it: plain SQLite, read-only, a connection of its own."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

FACT_TABLES = (
    "texts", "lots", "lot_ends", "orders", "boxes", "pieces", "cycles", "cycle_ends",
    "clampings", "clamping_positions", "verdicts", "put_aways", "checks", "corrections",
    "events", "inbound",
)  # fmt: skip
"""Every table but the outbox, which is no fact: its rows go at PUBACK."""

_CLAMPINGS = """SELECT l.bench, p.number AS piece, c.number AS cycle, c.kind, k.number AS nr,
    k.result, k.tir_nm, k.seen_nm, k.invalid, k.loosening, k.started_ns, k.sweep, k.id, k.seq
    FROM clampings k JOIN cycles c ON c.id = k.cycle JOIN pieces p ON p.id = c.piece
    JOIN lots l ON l.id = p.lot ORDER BY l.bench, p.number, c.number, k.number"""

_VERDICTS = """SELECT l.bench, p.number AS piece, c.number AS cycle, v.grade, v.bin, v.why,
    v.reason, v.seq FROM verdicts v JOIN cycles c ON c.id = v.cycle
    JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot
    ORDER BY l.bench, p.number, c.number"""

Facts = dict[str, list[tuple[Any, ...]]]


def rows(store: Path, sql: str, *values: object) -> list[dict[str, Any]]:
    """Return the rows of a query, each by column name; none while there is no store yet."""
    if not store.exists():
        return []
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=5)) as db:
        db.row_factory = sqlite3.Row
        try:
            return [dict(row) for row in db.execute(sql, values)]
        except sqlite3.OperationalError as error:
            if "no such table" in str(error):
                return []
            raise


def count(store: Path, sql: str, *values: object) -> int:
    """Return the one number a query gives; 0 while there is no store yet."""
    found = rows(store, sql, *values)
    return int(next(iter(found[0].values()))) if found else 0


def committed(store: Path, folder: Path) -> Facts:
    """Return all facts of a store whose service is dead, without touching its files.

    The copy goes through SQLite's own recovery: what it shows is what was committed.
    """
    folder.mkdir()
    for suffix in ("", "-wal", "-shm"):
        part = store.with_name(store.name + suffix)
        if part.exists():
            shutil.copy(part, folder / part.name)
    with closing(sqlite3.connect(folder / store.name)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        known = {name for (name,) in db.execute("SELECT name FROM sqlite_schema")}
        tables = [table for table in FACT_TABLES if table in known]
        facts = {table: db.execute(f"SELECT * FROM {table}").fetchall() for table in tables}
    shutil.rmtree(folder)
    return facts


def lost(before: Facts, after: Facts) -> list[str]:
    """Return every row of ``before`` that ``after`` has not unchanged, exactly once."""
    found = []
    for table, known in before.items():
        now = after[table]
        found += [f"{table}: {row!r}" for row in known if now.count(row) != 1]
    return found


def clampings(store: Path) -> list[dict[str, Any]]:
    """Return every clamping of a piece, in order."""
    return rows(store, _CLAMPINGS)


def verdicts(store: Path) -> list[dict[str, Any]]:
    """Return every verdict, in the order of benches, pieces and cycles."""
    return rows(store, _VERDICTS)
