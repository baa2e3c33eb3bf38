"""What the record says of the demo's shift: every event of the plan, and every count.

Asked of the record alone, and of the truth behind the simulated pieces; nothing that was
heard on the way.
"""

import json
import sqlite3
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daemon.demo import shift
from daemon.errors import StoreError
from daemon.recompute.cycles import recompute
from daemon.store.read_only import reading_only
from daemon.store.stored import lots

__all__ = ["Finding", "findings", "waiting_events"]

_TURNS = 2
"""Turns of a clamping, by the scenario's rule file."""

_CYCLES = (
    "FROM pieces p JOIN cycles c ON c.piece = p.id LEFT JOIN cycle_ends e ON e.cycle = c.id"
    " WHERE p.number = ?"
)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that has to be so, and whether it is; None: this seed gave no chance for it."""

    text: str
    is_so: bool | None


def findings(store: Path, truth: Path) -> list[Finding]:
    """Return what the record says of the shift.

    Args:
        store: The record.
        truth: What really happened at the simulated bench, JSON lines.

    Raises:
        StoreError: If the record can't be read.
    """
    facts = [json.loads(line) for line in truth.read_text(encoding="utf-8").splitlines()]
    with reading_only(store) as db:
        return [
            *_checks(db), *_mistakes(db, facts), *_pieces(db), *_troubles(db), *_lot(db),
            *_counts(db, facts), _recomputed(db),
        ]  # fmt: skip


def waiting_events(folder: Path) -> int:
    """Return how many events wait for the broker; 0 while that can't be read."""
    with suppress(StoreError), reading_only(folder / "millrace.db") as db:
        return _one(db, "SELECT count(*) FROM outbox")
    return 0


def _one(db: sqlite3.Connection, sql: str, *values: object) -> int:
    (found,) = db.execute(sql, values).fetchone()
    return int(found or 0)


def _checks(db: sqlite3.Connection) -> list[Finding]:
    first = db.execute(
        "SELECT kind, result, reason, seq FROM checks WHERE result <> 'invalid' ORDER BY seq"
    ).fetchall()
    inch = next((row for row in first if row[1] == "failed"), ("", "", "", 0))
    says_why = inch[0] == "sensitivity" and "of the certificate's" in inch[2]
    opened = next((seq for kind, result, _, seq in first
                   if (kind, result) == ("sensitivity", "good")), None)  # fmt: skip
    graded = _one(db, "SELECT min(seq) FROM verdicts")
    told = "SELECT count(*) FROM events WHERE json_extract(body, '$.data.what') = ?"
    unfit = _one(db, "SELECT count(*) FROM piece_spans WHERE span NOT IN ('good', 'failed')")
    return [
        Finding(f"in inch the sensitivity check failed: {inch[2]}", says_why),
        Finding("nothing was graded before a good check",
            opened is not None and inch[3] < opened < graded),
        Finding("the failed closing check took pieces back and reopened the order",
            _one(db, told, "span-held") > 0 and _one(db, told, "order-reopened") > 0),
        Finding("every piece lies between two checks", unfit == 0),
    ]  # fmt: skip


def _held(db: sqlite3.Connection) -> set[int]:
    """Return the verdicts after which a failed check came before a good one, by number."""
    decisive = db.execute(
        "SELECT seq, result FROM checks WHERE result = 'failed'"
        " OR (kind = 'sensitivity' AND result = 'good') ORDER BY seq"
    ).fetchall()
    found = set()
    for (seq,) in db.execute("SELECT seq FROM verdicts").fetchall():
        after = next((result for at, result in decisive if at > seq), "good")
        if after == "failed":
            found.add(seq)
    return found


def _mistakes(db: sqlite3.Connection, facts: list[dict[str, Any]]) -> list[Finding]:
    """Look up what an operator's mistakes came to; a piece may have given no chance for one."""
    made = {(fact["word"], fact["piece"]) for fact in facts if fact["kind"] == "mistake"}
    cut, twice = ("three-quarter-turn", shift.CUT_SHORT), ("no-loosening", shift.NOT_LOOSENED)
    whole = _one(
        db,
        "SELECT min(json_array_length(o.turns_nm)) FROM clamping_positions o"
        " JOIN clampings k ON k.id = o.clamping JOIN cycles c ON c.id = k.cycle"
        " JOIN pieces p ON p.id = c.piece WHERE p.number = ? AND k.result <> 'invalid'",
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
    clampings = _one(
        db,
        "SELECT count(*) FROM clampings k JOIN cycles c ON c.id = k.cycle"
        " JOIN pieces p ON p.id = c.piece WHERE p.number = ?",
        piece,
    )
    of_piece = [fact for fact in facts if fact.get("piece") == piece]
    tightened = sum(fact["kind"] == "tightened" for fact in of_piece)
    swept = sum(fact["kind"] == "spindle-switched" and fact["is_on"] for fact in of_piece)
    return clampings, tightened, swept


def _pieces(db: sqlite3.Connection) -> list[Finding]:
    sets = _one(
        db,
        "SELECT count(*) FROM verdicts v JOIN cycles c ON c.id = v.cycle"
        " JOIN pieces p ON p.id = c.piece WHERE p.number = ?",
        shift.CHIP,
    )
    retried = _one(
        db, f"SELECT count(*) {_CYCLES} AND c.kind = 'retry' AND c.role = 'lead'", shift.CHIP
    )
    between = _one(
        db,
        "SELECT count(*) FROM limits_in_force f JOIN clampings_um k ON k.bench = f.bench"
        " AND k.lot = f.lot AND k.piece = f.piece AND k.cycle = f.cycle"
        " WHERE f.grade = 'grade-1'"
        " AND k.tir_um > f.acceptance_limit_um AND k.tir_um <= f.tolerance_limit_um",
    )
    passed = _one(
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
    wrong = _one(
        db,
        "SELECT count(*) FROM put_aways a JOIN cycles c ON c.id = a.cycle"
        " JOIN pieces p ON p.id = c.piece WHERE p.number = ? AND a.is_right = 0",
        shift.WRONG_BIN,
    )
    told = "SELECT count(*) FROM events WHERE kind = 'alarm'"
    lost = _one(db, f"{told} AND json_extract(body, '$.data.code') = 'indicator-lost'")
    anew = _one(
        db, f"SELECT count(*) {_CYCLES} AND c.kind = 'after-interruption'", shift.UNPLUGGED
    )
    killed = _one(db, f"SELECT count(*) {_CYCLES} AND e.how = 'interrupted'", shift.KILLED)
    left = _one(db, "SELECT count(*) FROM outbox")
    boxed = _one(db, "SELECT count(*) FROM piece_boxes WHERE box = ?", shift.NEW_BOX)
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
    filled = _one(
        db,
        "SELECT count(*) FROM events WHERE kind = 'lot'"
        " AND json_extract(body, '$.data.what') = 'order-filled'",
    )
    proved = _one(db, "SELECT count(*) FROM looks WHERE outcome IN ('proved', 'accepted')")
    balance = db.execute(
        "SELECT quantity, accounted, difference, closed_utc FROM lot_balance"
    ).fetchone()
    is_balanced = balance[2] == 0 and balance[3] is not None
    return [
        Finding("the order was filled", filled > 0),
        Finding("the rest was proved by its sample", proved > 0),
        Finding(f"in = out: {balance[0]} came in, {balance[1]} are accounted for", is_balanced),
    ]


def _counts(db: sqlite3.Connection, facts: list[dict[str, Any]]) -> list[Finding]:
    """Hold the counts against a recount of the facts, and those against what happened."""
    shown = dict(
        db.execute(
            "SELECT CASE WHEN status = 'hold' THEN status ELSE coalesce(grade, status) END,"
            " count(*) FROM piece_status GROUP BY 1"
        ).fetchall()
    )
    held = _held(db)
    recount = Counter(
        "hold" if seq in held
        else grade or ("nonconforming" if why == "above-all-limits" else "hold")
        for grade, why, seq in db.execute(
            "SELECT v.grade, v.why, v.seq FROM put_aways a JOIN verdicts v ON v.cycle = a.cycle"
            " WHERE a.is_right = 1"
        )
    )  # fmt: skip
    seqs, first, last = db.execute("SELECT count(*), min(seq), max(seq) FROM events").fetchone()
    dropped = {
        fact["piece"]: fact["bin"]
        for fact in facts
        if fact["kind"] == "dropped" and fact["bin"] == fact["lit_bin"]
    }
    recorded = Counter(
        bin_id for (bin_id,) in db.execute("SELECT bin FROM put_aways WHERE is_right = 1")
    )
    return [
        Finding(f"every count is a recount of the facts: {_said(recount)}", shown == recount),
        Finding("what lies in each bin is what was dropped there",
            Counter(dropped.values()) == recorded),
        Finding(f"{seqs} events, numbered without a gap", first == 1 and last == seqs),
    ]  # fmt: skip


def _said(counts: Counter[str]) -> str:
    return ", ".join(f"{name} {number}" for name, number in sorted(counts.items()))


def _recomputed(db: sqlite3.Connection) -> Finding:
    found = recompute(db, lots(db)[::-1], lambda: None)
    return Finding("recompute finds no difference", found.is_fine)
