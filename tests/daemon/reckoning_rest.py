"""What the pieces count for the proof of the rest, recounted beside the service.

The question is the same for every piece: its first valid clamping, or what was seen of the
invalid ones before it, against the acceptance limit fixed when the lot opened. A piece whose
result does not stand today counts as beyond, and so does one whose cell was drawn and that
was set aside. A draw and a look lie between two pieces.
"""

import sqlite3
from bisect import bisect_left
from typing import Any

from rules.lot import LotView
from tests.daemon.ledger import Ledger

_STANDS = ("pending", "put-away", "nonconforming")

Count = tuple[int, int, int]
"""Pieces, of them beyond, of those doubtful."""


def stretches(db: sqlite3.Connection, lot: int, now: Ledger, upto: int) -> list[Count]:
    """Return the count of each stretch between draw and looks as of an event."""
    row = db.execute("SELECT acceptance_nm FROM rest_plans WHERE lot = ?", (lot,)).fetchone()
    borders = db.execute(
        "SELECT after_piece, seq FROM draws WHERE lot = ? AND purpose = 'sample' AND seq <= ?"
        " UNION ALL SELECT after_piece, min(seq) FROM looks WHERE lot = ? AND seq <= ?"
        " GROUP BY look HAVING count(*) > 0 ORDER BY seq",
        (lot, upto, lot, upto),
    ).fetchall()
    found = [[0, 0, 0] for _ in range(len(borders) + 1)]
    for number in now.pieces:
        status = now.status(number)
        if status in ("in-work", "replaced"):
            continue
        stretch = found[bisect_left([after for after, _ in borders], number)]
        run_out_nm = _first_nm(db, lot, number, upto)
        is_doubtful = run_out_nm is None or status not in _STANDS
        stretch[0] += 1
        stretch[1] += is_doubtful or (run_out_nm or 0) > row[0]
        stretch[2] += is_doubtful
    for (seq,) in db.execute(
        "SELECT seq FROM visual_findings WHERE lot = ? AND is_drawn = 1 AND seq <= ?",
        (lot, upto),
    ):
        stretch = found[sum(border_seq < seq for _, border_seq in borders)]
        stretch[:] = [count + 1 for count in stretch]
    return [(pieces, beyond, doubtful) for pieces, beyond, doubtful in found]


def _first_nm(db: sqlite3.Connection, lot: int, number: int, upto: int) -> int | None:
    """Return the first valid run-out of a piece, or more that was seen before it."""
    seen = 0
    for tir_nm, seen_nm in db.execute(
        "SELECT k.tir_nm, k.seen_nm FROM clampings k JOIN cycles c ON c.id = k.cycle"
        " JOIN pieces p ON p.id = c.piece WHERE p.lot = ? AND p.number = ? AND k.seq <= ?"
        " ORDER BY c.number, k.number",
        (lot, number, upto),
    ):
        if tir_nm is not None:
            return max(int(tir_nm), seen)
        seen = max(seen, seen_nm or 0)
    return None


def rest_agrees(db: sqlite3.Connection, lot: int, now: Ledger, view: LotView) -> None:
    """The service's own count of the rest, kept piece by piece, is the recount."""
    assert view.rest is not None
    said = [(one.pieces, one.beyond, one.doubtful) for one in view.rest.tallies]
    recount = stretches(db, lot, now, 2**62)
    # A stretch that nothing lies in yet may be there or not.
    while len(recount) < len(said):
        recount.append((0, 0, 0))
    assert said == recount[: len(said)], view.code
    assert not any(map(any, recount[len(said) :])), view.code


def look_agrees(
    db: sqlite3.Connection, lot: int, seq: int, data: dict[str, Any], now: Ledger
) -> None:
    """A look counts what its pieces counted as when it was told."""
    rest = data["rest"]
    counts = stretches(db, lot, now, seq)
    drawn = db.execute(
        "SELECT size FROM draws WHERE lot = ? AND purpose = 'sample' AND seq <= ?", (lot, seq)
    ).fetchone()
    wanted = counts[1] if drawn else tuple(map(sum, zip(*counts, strict=True)))
    assert (rest["pieces"], rest["beyond"], rest["doubtful"]) == wanted, data
    if drawn and rest["outcome"] == "proved":
        assert rest["beyond"] == 0, data  # the rule file accepts none
        assert rest["pieces"] >= drawn[0], data


__all__ = ["look_agrees", "rest_agrees"]
