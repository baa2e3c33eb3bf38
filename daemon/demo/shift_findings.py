"""What the record says of the demo's shift: every event of the plan, and every count.

Asked of the record alone, and of the truth behind the simulated pieces; nothing that was
heard on the way.
"""

import json
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Any

from daemon.demo import shift_plan as shift
from daemon.demo.shift_dispositions import of_box, of_pieces
from daemon.demo.shift_plan import CRANE, NORTH
from daemon.demo.shift_records import OF_PIECE, Finding, one
from daemon.demo.shift_recount import counts
from daemon.errors import StoreError
from daemon.recompute.cycles import recompute
from daemon.store.read_only import reading_only
from daemon.store.stored import lots

__all__ = ["Finding", "findings", "waiting_events"]

_TURNS = 2
"""Turns of a clamping, by the scenario's rule file."""

_CYCLES = (
    "FROM pieces p JOIN cycles c ON c.piece = p.id LEFT JOIN cycle_ends e ON e.cycle = c.id"
    f" WHERE {OF_PIECE}"
)


def findings(folder: Path) -> list[Finding]:
    """Return what the record says of the shift.

    Args:
        folder: Where the record lies, and what really happened at each simulated bench.

    Raises:
        StoreError: If the record can't be read.
    """
    north, crane = _truth(folder, NORTH), _truth(folder, CRANE)
    with reading_only(folder / "millrace.db") as db:
        return [
            *_checks(db), *_mistakes(db, north), *_pieces(db), *_troubles(db), *_lot(db),
            *of_pieces(db, north), *of_box(db, crane), *_balances(db),
            *counts(db, NORTH, north), *counts(db, CRANE, crane), _recomputed(db),
        ]  # fmt: skip


def _truth(folder: Path, bench: str) -> list[dict[str, Any]]:
    text = (folder / f"{bench}.truth.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


def waiting_events(folder: Path) -> int:
    """Return how many events wait for the broker; 0 while that can't be read."""
    with suppress(StoreError), reading_only(folder / "millrace.db") as db:
        return one(db, "SELECT count(*) FROM outbox")
    return 0


def _checks(db: sqlite3.Connection) -> list[Finding]:
    first = db.execute(
        "SELECT kind, result, reason, seq FROM checks WHERE result <> 'invalid' AND bench = ?"
        " ORDER BY seq",
        (NORTH,),
    ).fetchall()
    inch = next((row for row in first if row[1] == "failed"), ("", "", "", 0))
    says_why = inch[0] == "sensitivity" and "of the certificate's" in inch[2]
    opened = next((seq for kind, result, _, seq in first
                   if (kind, result) == ("sensitivity", "good")), None)  # fmt: skip
    graded = one(db, "SELECT min(seq) FROM piece_spans WHERE bench = ?", NORTH)
    told = (
        f"SELECT count(*) FROM events WHERE bench = '{NORTH}'"
        " AND json_extract(body, '$.data.what') = ?"
    )
    unfit = one(db, "SELECT count(*) FROM piece_spans WHERE span NOT IN ('good', 'failed')")
    return [
        Finding(f"in inch the sensitivity check failed: {inch[2]}", says_why),
        Finding("nothing was graded before a good check",
            opened is not None and inch[3] < opened < graded),
        Finding("the failed closing check took pieces back and reopened the order",
            one(db, told, "span-held") > 0 and one(db, told, "order-reopened") > 0),
        Finding("every piece lies between two checks", unfit == 0),
    ]  # fmt: skip


def _mistakes(db: sqlite3.Connection, facts: list[dict[str, Any]]) -> list[Finding]:
    """Look up what an operator's mistakes came to; a piece may have given no chance for one."""
    made = {(fact["word"], fact["piece"]) for fact in facts if fact["kind"] == "mistake"}
    cut, twice = ("three-quarter-turn", shift.CUT_SHORT), ("no-loosening", shift.NOT_LOOSENED)
    whole = one(
        db,
        "SELECT min(json_array_length(o.turns_nm)) FROM clamping_positions o"
        " JOIN clampings k ON k.id = o.clamping JOIN cycles c ON c.id = k.cycle"
        f" JOIN pieces p ON p.id = c.piece WHERE {OF_PIECE} AND k.result <> 'invalid'",
        shift.CUT_SHORT,
    )
    clampings, tightened, swept = _swept(db, facts, shift.NOT_LOOSENED)
    return [
        Finding("three quarters of a turn were no clamping: whole turns alone counted",
            whole >= _TURNS if cut in made else None),
        Finding(f"a tightening swept twice counted once: {swept} sweeps of {tightened} "
            f"tightenings, {clampings} clampings",
            clampings == tightened < swept if twice in made else None),
    ]  # fmt: skip


def _swept(
    db: sqlite3.Connection, facts: list[dict[str, Any]], piece: int
) -> tuple[int, int, int]:
    """Return the clampings on record of a piece, and how often it was tightened and swept."""
    clampings = one(
        db,
        "SELECT count(*) FROM clampings k JOIN cycles c ON c.id = k.cycle"
        f" JOIN pieces p ON p.id = c.piece WHERE {OF_PIECE}",
        piece,
    )
    of_piece = [fact for fact in facts if fact.get("piece") == piece]
    tightened = sum(fact["kind"] == "tightened" for fact in of_piece)
    swept = sum(fact["kind"] == "spindle-switched" and fact["is_on"] for fact in of_piece)
    return clampings, tightened, swept


def _pieces(db: sqlite3.Connection) -> list[Finding]:
    sets = one(
        db,
        "SELECT count(*) FROM verdicts v JOIN cycles c ON c.id = v.cycle"
        f" JOIN pieces p ON p.id = c.piece WHERE {OF_PIECE}",
        shift.CHIP,
    )
    retried = one(
        db, f"SELECT count(*) {_CYCLES} AND c.kind = 'retry' AND c.role = 'lead'", shift.CHIP
    )
    between = one(
        db,
        "SELECT count(*) FROM limits_in_force f JOIN clampings_um k ON k.bench = f.bench"
        " AND k.lot = f.lot AND k.piece = f.piece AND k.cycle = f.cycle"
        " WHERE f.grade = 'grade-1'"
        " AND k.tir_um > f.acceptance_limit_um AND k.tir_um <= f.tolerance_limit_um",
    )
    passed = one(
        db,
        "SELECT count(*) FROM limits_in_force f JOIN clampings_um k ON k.bench = f.bench"
        " AND k.lot = f.lot AND k.piece = f.piece AND k.cycle = f.cycle"
        " WHERE f.grade = f.graded AND k.tir_um > f.acceptance_limit_um",
    )
    return [
        Finding("the chip's set was taken again by the lead and the original kept",
            sets == 2 and retried == 1),
        Finding("between acceptance and tolerance limit a piece missed the better grade",
            passed == 0 if between else None),
    ]  # fmt: skip


def _troubles(db: sqlite3.Connection) -> list[Finding]:
    wrong = one(
        db,
        "SELECT count(*) FROM put_aways a JOIN cycles c ON c.id = a.cycle"
        f" JOIN pieces p ON p.id = c.piece WHERE {OF_PIECE} AND a.is_right = 0",
        shift.WRONG_BIN,
    )
    told = f"SELECT count(*) FROM events WHERE bench = '{NORTH}' AND kind = 'alarm'"
    lost = one(db, f"{told} AND json_extract(body, '$.data.code') = 'indicator-lost'")
    anew = one(
        db, f"SELECT count(*) {_CYCLES} AND c.kind = 'after-interruption'", shift.UNPLUGGED
    )
    killed = one(db, f"SELECT count(*) {_CYCLES} AND e.how = 'interrupted'", shift.KILLED)
    left = one(db, "SELECT count(*) FROM outbox")
    boxed = one(db, "SELECT count(*) FROM piece_boxes WHERE box = ?", shift.NEW_BOX)
    return [
        Finding("the wrong bin locked the bench until the piece lay right", wrong > 0),
        Finding("the pulled cable was an alarm, and its piece was measured anew",
            lost >= 2 and anew > 0),
        Finding("the killed service took the piece up again from its first clamping",
            killed > 0),
        Finding("no event still waits for the broker", left == 0),
        Finding("a box was changed without a broker, and later pieces lie in it", boxed > 0),
    ]  # fmt: skip


def _lot(db: sqlite3.Connection) -> list[Finding]:
    filled = one(
        db,
        f"SELECT count(*) FROM events WHERE kind = 'lot' AND bench = '{NORTH}'"
        " AND json_extract(body, '$.data.what') = 'order-filled'",
    )
    proved = one(db, "SELECT count(*) FROM looks WHERE outcome IN ('proved', 'accepted')")
    return [
        Finding("the order was filled", filled > 0),
        Finding("the rest was proved by its sample", proved > 0),
    ]


def _balances(db: sqlite3.Connection) -> list[Finding]:
    rows = db.execute(
        "SELECT bench, quantity, accounted, difference, closed_utc FROM lot_balance"
    ).fetchall()
    return [
        Finding(f"{bench}: in = out: {quantity} came in, {accounted} are accounted for",
            difference == 0 and closed is not None)
        for bench, quantity, accounted, difference, closed in rows
    ]  # fmt: skip


def _recomputed(db: sqlite3.Connection) -> Finding:
    found = recompute(db, lots(db)[::-1], lambda: None)
    return Finding("recompute finds no difference", found.is_fine)
