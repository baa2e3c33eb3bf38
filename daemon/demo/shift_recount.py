"""The counts of a shift, made anew from its facts: verdicts, checks, decisions, put-aways.

Knows nothing of spans and marks as the service keeps them.
"""

import sqlite3
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from daemon.demo.shift_plan import CRANE
from daemon.demo.shift_records import Finding

__all__ = ["counts"]


@dataclass(frozen=True, slots=True)
class _Piece:
    """A piece by its newest verdict, and where it lies.

    Attributes:
        number: Its number.
        grade: By its verdict.
        why: Reason word of its verdict.
        seq: Of its verdict.
        bin: Of its newest put-away.
        box: That stood there; None without one.
    """

    number: int
    grade: str | None
    why: str
    seq: int
    bin: str
    box: str | None


def counts(db: sqlite3.Connection, bench: str, truth: list[dict[str, Any]]) -> list[Finding]:
    """Hold counts of a bench against a recount of its facts, and those against the truth."""
    shown = Counter(
        dict(
            db.execute(
                "SELECT CASE status WHEN 'put-away' THEN s.grade ELSE status END, count(*)"
                " FROM piece_status s JOIN lots l ON l.id = s.lot WHERE l.bench = ? GROUP BY 1",
                (bench,),
            ).fetchall()
        )
    )
    pieces = _pieces(db, bench)
    stands = _stands(db, bench, pieces)
    recount = Counter(stands.values())
    dropped = {
        fact["piece"]: fact["bin"]
        for fact in truth
        if fact["kind"] == "dropped" and fact["bin"] == fact["lit_bin"]
    }
    lies = Counter(p.bin for p in pieces if stands[p.number] != "replaced")
    seqs, first, last = db.execute(
        "SELECT count(*), min(seq), max(seq) FROM events WHERE bench = ?", (bench,)
    ).fetchone()
    said = ", ".join(f"{name} {number}" for name, number in sorted(recount.items()))
    return [
        Finding(f"{bench}: every count is a recount of the facts: {said}", shown == recount),
        Finding(f"{bench}: what lies in each bin is what was dropped there",
            Counter(dropped.values()) == lies),
        Finding(f"{bench}: {seqs} events, numbered without a gap", first == 1 and last == seqs),
    ]  # fmt: skip


def _pieces(db: sqlite3.Connection, bench: str) -> list[_Piece]:
    rows = db.execute(
        "SELECT p.number, v.grade, v.why, v.seq, a.bin, b.label, max(v.seq), max(a.seq)"
        " FROM pieces p JOIN lots l ON l.id = p.lot JOIN cycles c ON c.piece = p.id"
        " JOIN verdicts v ON v.cycle = c.id"
        " JOIN put_aways a ON a.cycle = c.id AND a.is_right = 1"
        " LEFT JOIN boxes b ON b.id = a.box WHERE l.bench = ? GROUP BY p.number, c.id"
        " ORDER BY p.number, v.seq",
        (bench,),
    )
    newest = {row[0]: _Piece(*row[:6]) for row in rows}
    return list(newest.values())


def _stands(db: sqlite3.Connection, bench: str, pieces: Iterable[_Piece]) -> Mapping[int, str]:
    """Return what each piece counts as, by number."""
    decided = db.execute(
        "SELECT d.seq, d.action, p.number, d.box, d.grade FROM dispositions d"
        " LEFT JOIN pieces p ON p.id = d.piece JOIN lots l ON l.id = d.lot"
        " WHERE l.bench = ? ORDER BY d.seq",
        (bench,),
    ).fetchall()
    doubted = _doubted(db, bench, pieces)
    boxes = {p.box for p in pieces if p.number in doubted} - {None}
    found = {}
    for piece in pieces:
        stand = piece.grade or _ungraded(piece, "hold")
        if piece.number in doubted or (bench == CRANE and piece.box in boxes):
            stand = "hold"
        for seq, action, number, box, grade in decided:
            if seq > piece.seq and (number == piece.number or (box and box == piece.box)):
                again = "replaced" if box else "hold"
                stand = {
                    "re-measure": again, "scrap": "scrapped", "concession": "concession",
                    "regrade": grade, "release": piece.grade or _ungraded(piece, "released"),
                }[action]  # fmt: skip
        found[piece.number] = stand
    return found


def _ungraded(piece: _Piece, otherwise: str) -> str:
    return "nonconforming" if piece.why == "above-all-limits" else otherwise


def _doubted(db: sqlite3.Connection, bench: str, pieces: Iterable[_Piece]) -> set[int]:
    """Return the pieces after whose verdict a failed check came before a good one."""
    decisive = db.execute(
        "SELECT seq, result FROM checks WHERE bench = ? AND (result = 'failed'"
        " OR (kind = 'sensitivity' AND result = 'good')) ORDER BY seq",
        (bench,),
    ).fetchall()
    return {
        piece.number
        for piece in pieces
        if next((result for at, result in decisive if at > piece.seq), "good") == "failed"
    }
