"""Questions about a lot, answered from the facts."""

import sqlite3
from collections.abc import Sequence
from typing import Any

from daemon.store import rest_query
from daemon.store.assurance import Unproved
from daemon.store.rest_standing import RestStanding
from rules.assurance_model import Cause
from rules.lot import BoxView, LotView, OpenWork


def open_lot_id(db: sqlite3.Connection, bench: str) -> int | None:
    """Return the row of the bench's open lot."""
    row = db.execute(
        "SELECT id FROM lots WHERE bench = ?"
        " AND NOT EXISTS (SELECT 1 FROM lot_ends WHERE lot = lots.id) ORDER BY id DESC LIMIT 1",
        (bench,),
    ).fetchone()
    return int(row[0]) if row is not None else None


def lot_view(
    db: sqlite3.Connection,
    lot_id: int,
    last: int,
    counts: dict[str, dict[str, int]],
    rest: RestStanding | None = None,
    *,
    is_released: bool = False,
    held_boxes: frozenset[str] = frozenset(),
    unproved: Unproved | None = None,
) -> LotView:
    """Return the lot as the core sees it.

    Args:
        db: The store.
        lot_id: Row of the lot.
        last: Number of its newest piece.
        counts: Its pieces by status and grade.
        rest: What they count for the proof of the rest.
        is_released: Whether good checks lie around every graded piece of it.
        held_boxes: Boxes on hold.
        unproved: What instruments that left the bench keep on hold; None: nothing.
    """
    code, article, quantity, pin_moves, torque_tool, torque_nmm = db.execute(
        "SELECT code, article, quantity, pin_moves, torque_tool, torque_nmm FROM lots"
        " WHERE id = ?",
        (lot_id,),
    ).fetchone()
    aside = set_aside(db, lot_id)
    open_pieces = sum(sum(counts.get(status, {}).values()) for status in ("in-work", "pending"))
    walk = rest.walk if rest is not None else None
    return LotView(
        code=code,
        article=article,
        quantity=quantity,
        next_piece=last + 1,
        ordered=orders(db, lot_id),
        put_away=counts.get("put-away", {}),
        pending=counts.get("pending", {}),
        set_aside=aside,
        rest=rest.view(quantity, aside, open_pieces) if rest is not None else None,
        tray=walk.view() if walk is not None else None,
        boxes={
            name: BoxView(label, pieces, capacity)
            for name, label, capacity, pieces in rest_query.boxes_of(db, lot_id)
        },
        pin_moves=pin_moves,
        torque_tool=torque_tool,
        torque_nmm=torque_nmm,
        replaced=sum(counts.get("replaced", {}).values()),
        is_released=is_released,
        held_boxes=held_boxes,
        doubted=unproved.in_hand if unproved is not None else frozenset(),
        unproved=unproved.undecided if unproved is not None else 0,
        unproved_why=unproved.why if unproved is not None else "",
    )


def changes(
    before: tuple[str, tuple[str, ...]] | None, holder: str, pins: Sequence[str]
) -> list[tuple[Cause, str]]:
    """Return what else is on the bench since the lot before, for a lot with these."""
    found: list[tuple[Cause, str]] = []
    if before is not None and before[0] != holder:
        found.append(("holder-change", f"{before[0] or 'none'} → {holder or 'none'}"))
    if before is not None and before[1] != tuple(pins):
        was, now = ", ".join(before[1]), ", ".join(pins)
        found.append(("pin-change", f"{was or 'none'} → {now or 'none'}"))
    return found


def orders(db: sqlite3.Connection, lot_id: int) -> dict[str, int]:
    """Return what is ordered of each grade: the last word counts."""
    rows = db.execute("SELECT grade, quantity FROM orders WHERE lot = ? ORDER BY id", (lot_id,))
    return dict(rows.fetchall())


def set_aside(db: sqlite3.Connection, lot_id: int) -> int:
    """Return how many pieces visual inspection set aside."""
    (pieces,) = db.execute(
        "SELECT coalesce(sum(pieces), 0) FROM visual_findings WHERE lot = ?", (lot_id,)
    ).fetchone()
    return int(pieces)


def status_counts(db: sqlite3.Connection, lot_id: int) -> dict[str, dict[str, int]]:
    """Return pieces by status and grade ("" where a status has no grade)."""
    rows = db.execute(
        "SELECT status, coalesce(grade, ''), count(*) FROM piece_status WHERE lot = ?"
        " GROUP BY 1, 2",
        (lot_id,),
    )
    counts: dict[str, dict[str, int]] = {}
    for status, grade, pieces in rows:
        counts.setdefault(status, {})[grade] = pieces
    return counts


def rules_of(db: sqlite3.Connection, lot_id: int) -> str:
    """Return the hash of the rules a lot was told last to go by, else was opened with."""
    return _rules_told(db, lot_id)


def _rules_told(db: sqlite3.Connection, lot_id: int, before_seq: int | None = None) -> str:
    told = db.execute(
        "SELECT rules_sha256 FROM lot_rules WHERE lot = ? AND seq < coalesce(?, seq + 1)"
        " ORDER BY id DESC LIMIT 1",
        (lot_id, before_seq),
    ).fetchone()
    if told is None:
        told = db.execute("SELECT rules_sha256 FROM lots WHERE id = ?", (lot_id,)).fetchone()
    (sha256,) = told
    return str(sha256)


def rules_begun_with(db: sqlite3.Connection, lot_id: int, work: OpenWork) -> str | None:
    """Return the hash of the rules by which the piece in work was clamped last.

    None where it was not clamped yet. Of a piece measured again only that cycle counts: it
    begins anew, by what is in force then. A regraded one goes by what was in force as that
    was decided.
    """
    if work.regraded_seq is not None:
        return _rules_told(db, lot_id, work.regraded_seq)
    row = db.execute(
        "SELECT k.rules_sha256 FROM clampings k JOIN cycles c ON c.id = k.cycle"
        " JOIN pieces p ON p.id = c.piece WHERE p.lot = ? AND p.number = ? AND c.number >= ?"
        " ORDER BY k.id DESC LIMIT 1",
        (lot_id, work.piece, work.cycle if work.kind == "re-measured" else 1),
    ).fetchone()
    return str(row[0]) if row is not None else None


def open_work(db: sqlite3.Connection, lot_id: int) -> OpenWork | None:
    """Return the piece that is in work, or waits for its put-away in the bin of its grade."""
    row = db.execute(
        "SELECT number, cycle, cycle_number, cycle_kind, retries, bin, grade, NULL"
        " FROM piece_status WHERE lot = ? AND status IN ('in-work', 'pending')"
        " ORDER BY number DESC LIMIT 1",
        (lot_id,),
    ).fetchone() or _regraded(db, lot_id)
    if row is None:
        return None
    number, cycle, cycle_number, kind, retries, bin_id, grade, regraded_seq = row
    (clampings,) = db.execute(
        "SELECT count(*) FROM clampings WHERE cycle = ?", (cycle,)
    ).fetchone()
    ended = db.execute("SELECT 1 FROM cycle_ends WHERE cycle = ?", (cycle,)).fetchone()
    wrong = db.execute(
        "SELECT bin, is_right FROM put_aways WHERE cycle = ? ORDER BY id DESC LIMIT 1", (cycle,)
    ).fetchone()
    return OpenWork(
        piece=number,
        cycle=cycle_number,
        kind=kind,
        retries=retries,
        clampings=clampings,
        is_interrupted=ended is not None and bin_id is None,
        bin=bin_id,
        grade=grade,
        wrong=wrong[0] if wrong is not None and not wrong[1] else None,
        regraded_seq=regraded_seq,
    )


def _regraded(db: sqlite3.Connection, lot_id: int) -> tuple[Any, ...] | None:
    """Return the piece whose new grade was decided on last, unless it lies in its bin since."""
    found: tuple[Any, ...] | None = db.execute(
        "SELECT s.number, s.cycle, s.cycle_number, s.cycle_kind, s.retries, d.bin, d.grade,"
        " d.seq FROM dispositions d JOIN piece_status s ON s.piece = d.piece"
        " JOIN verdicts v ON v.cycle = s.cycle AND v.seq < d.seq"
        " WHERE d.lot = ? AND d.action = 'regrade' AND d.bin IS NOT NULL"
        " AND s.status <> 'abandoned'"
        " AND NOT EXISTS (SELECT 1 FROM dispositions x"
        "  WHERE x.piece = d.piece AND x.seq > d.seq)"
        " AND NOT EXISTS (SELECT 1 FROM put_aways a"
        "  WHERE a.cycle = s.cycle AND a.is_right = 1 AND a.seq > d.seq)"
        " ORDER BY d.seq DESC LIMIT 1",
        (lot_id,),
    ).fetchone()
    return found


def lot_numbers(db: sqlite3.Connection, lot_id: int) -> dict[str, Any]:
    """Return what the lot topic says beyond the counts: opening time, retries, pace."""
    (opened,) = db.execute("SELECT opened_utc FROM lots WHERE id = ?", (lot_id,)).fetchone()
    (retried,) = db.execute(
        "SELECT count(DISTINCT c.piece) FROM cycles c JOIN pieces p ON p.id = c.piece"
        " WHERE c.kind = 'retry' AND p.lot = ?",
        (lot_id,),
    ).fetchone()
    return {
        "opened": opened,
        "retried": retried,
        "durations_ns": _durations_ns(db, lot_id),
    }


def _durations_ns(db: sqlite3.Connection, lot_id: int) -> list[int]:
    """Return first clamping to put-away of the last ten pieces, newest first."""
    # CROSS JOIN: from the newest put-away backwards, whatever the planner thinks it knows.
    rows = db.execute(
        "SELECT a.ended_ns - k.started_ns FROM put_aways a"
        " CROSS JOIN cycles c ON c.id = a.cycle CROSS JOIN pieces p ON p.id = c.piece"
        " CROSS JOIN clampings k"
        "  ON k.cycle = a.cycle AND k.number = 1 AND k.boot = a.boot"
        " WHERE p.lot = ? AND a.is_right = 1 ORDER BY a.id DESC LIMIT 10",
        (lot_id,),
    )
    return [value for (value,) in rows if value > 0]


def recent_pieces(db: sqlite3.Connection, lot_id: int, limit: int) -> list[dict[str, Any]]:
    """Return the newest pieces with a verdict, each with its clampings."""
    rows = db.execute(
        "SELECT number, cycle, grade, bin, reason, graded_utc, status FROM piece_status"
        " WHERE lot = ? AND bin IS NOT NULL ORDER BY number DESC LIMIT ?",
        (lot_id, limit),
    ).fetchall()
    return [
        {
            "piece": number, "grade": grade, "bin": bin_id, "reason": reason, "at": at,
            "put_away": status not in ("pending", "in-work"),
            "clampings": clampings_brief(db, cycle),
        }
        for number, cycle, grade, bin_id, reason, at, status in rows
    ]  # fmt: skip


def clampings_brief(db: sqlite3.Connection, cycle: int) -> list[dict[str, Any]]:
    """Return the clampings of a cycle in one line each."""
    rows = db.execute(
        "SELECT tir_nm, result, invalid FROM clampings WHERE cycle = ? ORDER BY number",
        (cycle,),
    )
    return [
        {"tir_um": None if tir is None else tir / 1000, "result": result, "reason": why or ""}
        for tir, result, why in rows
    ]
