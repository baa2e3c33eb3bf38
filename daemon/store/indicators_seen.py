"""Which indicators a bench measured with last, by the record: a bench file may name others."""

import json
import sqlite3
from collections.abc import Mapping


def replaced_indicators(
    db: sqlite3.Connection, bench: str, now: Mapping[str, str]
) -> str | None:
    """Return in words which indicators of the last measurement are gone from their places.

    Args:
        db: The record.
        bench: Which bench.
        now: Indicator by position, as the bench file has it.

    Returns:
        None where none is, nothing was ever measured, or it is on record already.
    """
    seq, before = max(_of_clampings(db, bench), _of_checks(db, bench), key=lambda one: one[0])
    gone = [
        f"{position}: {was} → {now.get(position, 'none')}"
        for position, was in sorted(before.items())
        if now.get(position) != was
    ]
    text = ", ".join(gone)
    told = db.execute(
        "SELECT 1 FROM disturbances WHERE bench = ? AND cause = 'indicator-change'"
        " AND text = ? AND seq > ?",
        (bench, text, seq),
    ).fetchone()
    return text if gone and told is None else None


def _of_clampings(db: sqlite3.Connection, bench: str) -> tuple[int, dict[str, str]]:
    row = db.execute(
        "SELECT k.id, k.seq FROM clampings k JOIN cycles c ON c.id = k.cycle"
        " JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot WHERE l.bench = ?"
        " ORDER BY k.id DESC LIMIT 1",
        (bench,),
    ).fetchone()
    if row is None:
        return 0, {}
    places = db.execute(
        "SELECT position, indicator FROM clamping_positions WHERE clamping = ?", (row[0],)
    )
    return row[1], dict(places.fetchall())


def _of_checks(db: sqlite3.Connection, bench: str) -> tuple[int, dict[str, str]]:
    row = db.execute(
        "SELECT seq, figures FROM checks WHERE bench = ? AND figures <> '[]'"
        " ORDER BY seq DESC LIMIT 1",
        (bench,),
    ).fetchone()
    if row is None:
        return 0, {}
    return row[0], {one["position"]: one["indicator"] for one in json.loads(row[1])}
