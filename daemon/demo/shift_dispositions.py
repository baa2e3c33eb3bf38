"""What the record says of the decisions of the demo's shift, on pieces and on a box."""

import sqlite3
from collections import Counter
from typing import Any

from daemon.demo.shift_decisions import REGRADED_TO
from daemon.demo.shift_plan import BOX_QUANTITY, CRANE, NORTH
from daemon.demo.shift_records import Finding, one

__all__ = ["of_box", "of_pieces"]

_DECIDED = (
    "SELECT count(*) FROM dispositions d JOIN lots l ON l.id = d.lot"
    f" LEFT JOIN pieces p ON p.id = d.piece WHERE l.bench = '{NORTH}'"
)
_VERDICTS = (
    "(SELECT count(*) FROM verdicts v JOIN cycles c ON c.id = v.cycle WHERE c.piece = d.piece)"
)


def of_pieces(db: sqlite3.Connection, truth: list[dict[str, Any]]) -> list[Finding]:
    """Look up what became of the pieces that the failed check took back, one by one."""
    again = one(
        db,
        f"{_DECIDED} AND d.action = 're-measure' AND {_VERDICTS} = 2 AND EXISTS (SELECT 1"
        " FROM cycles c JOIN verdicts v ON v.cycle = c.id WHERE c.piece = d.piece"
        " AND c.kind = 're-measured' AND c.role = d.role AND c.reason = d.reason)",
    )
    asked = one(db, f"{_DECIDED} AND d.action = 're-measure'")
    taken = Counter(fact["piece"] for fact in truth if fact["kind"] == "taken")
    unlike = one(db, f"{_DECIDED} AND d.action IN ('scrap', 'concession', 'release')"
        f" AND {_VERDICTS} <> 1")  # fmt: skip
    became = dict(
        db.execute(
            "SELECT d.action, s.status FROM dispositions d JOIN lots l ON l.id = d.lot"
            f" JOIN piece_status s ON s.piece = d.piece WHERE l.bench = '{NORTH}'"
            " AND d.action IN ('scrap', 'concession', 'release')"
        ).fetchall()
    )
    wanted = {"scrap": ["scrapped"], "concession": ["concession"]}
    wanted["release"] = ["put-away", "released", "nonconforming"]
    return [
        Finding(f"{asked} pieces taken back were measured again under their own numbers",
            again == asked > 0 and max(taken.values()) == 2),
        Finding(f"of the others: {', '.join(sorted(became))}; their verdicts stay",
            unlike == 0 and all(now in wanted[what] for what, now in became.items())
            if became else None),
        *_regraded(db),
        Finding("each decision has its role and reason", one(db,
            "SELECT count(*) FROM dispositions WHERE role = '' OR reason = ''") == 0),
    ]  # fmt: skip


def _regraded(db: sqlite3.Connection) -> list[Finding]:
    regraded = one(db, f"{_DECIDED} AND d.action = 'regrade'")
    right = one(
        db,
        f"{_DECIDED} AND d.action = 'regrade' AND EXISTS (SELECT 1 FROM piece_status s"
        " JOIN verdicts v ON v.cycle = s.cycle JOIN put_aways a ON a.cycle = s.cycle"
        " WHERE s.piece = d.piece AND s.grade = ? AND v.grade = 'grade-1'"
        " AND a.bin = '2' AND a.is_right = 1 AND a.seq > d.seq)",
        REGRADED_TO,
    )
    doubted = one(
        db,
        f"{_DECIDED} AND d.action = 'regrade' AND EXISTS (SELECT 1 FROM piece_marks m"
        " WHERE m.piece = d.piece AND m.status = 'held' AND m.seq < d.seq)",
    )
    return [
        Finding("no piece in doubt was regraded", doubted == 0),
        Finding("a regraded piece lies in its new bin, its first grade stays on record",
            right == regraded if regraded else None),
    ]  # fmt: skip


def of_box(db: sqlite3.Connection, truth: list[dict[str, Any]]) -> list[Finding]:
    """Look up what became of the box on hold."""
    told = one(
        db,
        "SELECT count(*) FROM events WHERE bench = ? AND"
        " json_extract(body, '$.data.what') = 'span-held'"
        " AND json_array_length(body, '$.data.boxes') > 0",
        CRANE,
    )
    rows = db.execute(
        "SELECT s.number, s.status, b.label = d.box FROM piece_status s"
        " JOIN lots l ON l.id = s.lot"
        " JOIN put_aways a ON a.cycle = s.cycle AND a.is_right = 1"
        " LEFT JOIN boxes b ON b.id = a.box"
        " JOIN dispositions d ON d.lot = s.lot AND d.action = 're-measure'"
        " WHERE l.bench = ?",
        (CRANE,),
    ).fetchall()
    inside = [status for _, status, is_inside in rows if is_inside]
    replaced = [status for _, status, _ in rows if status == "replaced"]
    taken = Counter(fact["piece"] for fact in truth if fact["kind"] == "taken")
    twice = sum(times == 2 for times in taken.values())
    numbers = sorted(number for number, _, _ in rows)
    return [
        Finding(f"{CRANE}: a failed check put whole boxes on hold", told > 0),
        Finding(f"{CRANE}: the {len(replaced)} pieces of a box measured again are closed as "
            "replaced", len(replaced) > 0 and inside == replaced),
        Finding(f"{CRANE}: what was poured back was measured anew, under new numbers",
            twice == len(replaced)
            and numbers == list(range(1, BOX_QUANTITY + len(replaced) + 1))),
    ]  # fmt: skip
