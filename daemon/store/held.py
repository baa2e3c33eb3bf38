"""The lead's list: pieces on hold, where they lie, and why."""

import sqlite3
from typing import Any


def held_pieces(
    db: sqlite3.Connection, bench: str | None, lot: str | None
) -> list[dict[str, Any]]:
    """Return every piece on hold, of a lot or of all open ones, in order."""
    rows = db.execute(
        "SELECT l.bench, l.code, s.number, s.bin, s.box, p.tray_cell, s.graded_utc,"
        " CASE s.held_why WHEN '' THEN s.reason ELSE s.held_why END"
        " FROM piece_status s JOIN lots l ON l.id = s.lot JOIN pieces p ON p.id = s.piece"
        " WHERE s.status = 'hold' AND (? IS NULL OR l.bench = ?)"
        " AND CASE WHEN ? IS NULL THEN NOT EXISTS"
        "  (SELECT 1 FROM lot_ends e WHERE e.lot = l.id) ELSE l.code = ? END"
        " ORDER BY l.id, s.number",
        (bench, bench, lot, lot),
    )
    names = ("bench", "lot", "piece", "bin", "box", "cell", "graded", "why")
    return [dict(zip(names, row, strict=True)) for row in rows]
