"""The once-per-turn vectors of a bench's valid clampings, over all its lots."""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass

from rules.separation import PinMoves
from rules.vectors import vector_of

HOLDER_MOVED = "holder-moved"
"""What a correction says when the holder left the spindle: it may have come back anyhow."""


FIRST_KINDS = ("first", "after-interruption")
"""Cycles of pieces nobody has a verdict of: taken again, pieces are selected."""

# CROSS JOIN: from the lots down to their diagnoses, whatever the planner thinks it knows.
_JOINS = (
    "FROM lots l CROSS JOIN pieces p ON p.lot = l.id CROSS JOIN cycles c ON c.piece = p.id"
    " CROSS JOIN clampings k ON k.cycle = c.id"
    " CROSS JOIN clamping_diagnoses d ON d.clamping = k.id"
    " WHERE l.bench = ? AND l.id >= ? AND k.seq > ? AND k.result <> 'invalid'"
    " AND d.direction_udeg IS NOT NULL"
)


@dataclass(frozen=True, slots=True)
class MeasuredVector:
    """The vector of one valid clamping at one position.

    Attributes:
        lot: Code of the lot.
        piece: Number of the piece in it.
        cycle: Cycle of the piece.
        kind: Why that cycle was opened.
        clamping: Number of the clamping in its cycle.
        position: Where the indicator sits.
        vector: nm of eccentricity, in the frame of the spindle.
        at_utc: When it was recorded.
    """

    lot: str
    piece: int
    cycle: int
    kind: str
    clamping: int
    position: str
    vector: complex
    at_utc: str


@dataclass(frozen=True, slots=True)
class HolderSeat:
    """Since when the holder sits in the spindle as it does now.

    Attributes:
        lot_id: Row of the first lot measured with it; 0: there is no lot yet.
        seq: Event after which it was put in last.
    """

    lot_id: int
    seq: int


def holder_seat(db: sqlite3.Connection, bench: str) -> HolderSeat:
    """Return since when the bench's holder sits as it does.

    Another holder named by a lot is another seat; a lot that names none says nothing.
    """
    (seq,) = db.execute(
        "SELECT coalesce(max(seq), 0) FROM corrections WHERE bench = ? AND what = ?",
        (bench, HOLDER_MOVED),
    ).fetchone()
    lot_id, holder = 0, ""
    for row, named in db.execute(
        "SELECT id, holder FROM lots WHERE bench = ? ORDER BY id DESC", (bench,)
    ):
        if holder and named and named != holder:
            break
        lot_id, holder = row, holder or named
    return HolderSeat(lot_id, int(seq))


def measured_vectors(
    db: sqlite3.Connection, bench: str, seat: HolderSeat, newest_pieces: int
) -> Iterator[MeasuredVector]:
    """Return the vectors of the newest pieces of a seat, in the order they were recorded."""
    rows = db.execute(
        "SELECT l.code, p.number, c.number, c.kind, k.number, d.position, d.amplitude_nm,"
        f" d.direction_udeg, k.at_utc {_JOINS}"
        " AND p.id > coalesce((SELECT p.id FROM pieces p JOIN lots l ON l.id = p.lot"
        "  WHERE l.bench = ? ORDER BY p.id DESC LIMIT 1 OFFSET ?), 0) ORDER BY k.id",
        (bench, seat.lot_id, seat.seq, bench, newest_pieces),
    )
    for lot, piece, cycle, kind, clamping, position, amplitude, direction, at_utc in rows:
        vector = vector_of(amplitude, direction)
        yield MeasuredVector(lot, piece, cycle, kind, clamping, position, vector, at_utc)


def count_first_clampings(
    db: sqlite3.Connection, bench: str, seat: HolderSeat
) -> dict[str, int]:
    """Return how many pieces of a seat have a vector from a first cycle, by position."""
    rows = db.execute(
        f"SELECT d.position, count(DISTINCT p.id) {_JOINS}"
        f" AND c.kind IN ({', '.join('?' * len(FIRST_KINDS))}) GROUP BY d.position",
        (bench, seat.lot_id, seat.seq, *FIRST_KINDS),
    )
    return dict(rows.fetchall())


def holder_moves(db: sqlite3.Connection, lot_id: int) -> list[int]:
    """Return the pieces of a lot before which the holder left the spindle."""
    rows = db.execute(
        "SELECT (SELECT min(p.number) FROM pieces p JOIN cycles c ON c.piece = p.id"
        "  JOIN clampings k ON k.cycle = c.id WHERE p.lot = l.id AND k.seq > x.seq)"
        " FROM lots l JOIN corrections x ON x.bench = l.bench AND x.what = ?"
        " WHERE l.id = ? ORDER BY x.seq",
        (HOLDER_MOVED, lot_id),
    )
    return [piece for (piece,) in rows if piece is not None]


def recorded_pin_moves(db: sqlite3.Connection, lot_id: int) -> PinMoves | None:
    """Return how the pin moves as the lot was opened; None: nobody said, or an older record."""
    try:
        (said,) = db.execute("SELECT pin_moves FROM lots WHERE id = ?", (lot_id,)).fetchone()
    except sqlite3.OperationalError:  # no service of this release has opened it yet
        return None
    found: PinMoves | None = said
    return found
