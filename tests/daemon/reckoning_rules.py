"""Which state of the rule file each clamping had to go by, and the grades that follow.

A lot goes by what it was opened with, or was told last, from the next piece on: a piece that
was begun is finished, retried and taken up again by the rules it was begun with. Limits are
read from the texts on record, by nothing of the service's.
"""

import sqlite3
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from itertools import groupby
from typing import Any

from tests.daemon.whole_bench import NAME

Stamps = Mapping[int, tuple[int, str]]

_CLAMPINGS = (
    "SELECT p.id, c.number, c.kind, k.seq, k.started_ns, k.boot, k.rules_sha256, p.lot,"
    " k.tir_nm FROM clampings k JOIN cycles c ON c.id = k.cycle JOIN pieces p ON p.id = c.piece"
    " ORDER BY p.id, c.number, k.number"
)


def rules_agree(db: sqlite3.Connection) -> None:
    """Each clamping and each verdict goes by the rules of its piece."""
    stamps = {
        seq: (mono_ns, boot)
        for seq, mono_ns, boot in db.execute(
            "SELECT seq, mono_ns, boot FROM events WHERE bench = ?", (NAME,)
        )
    }
    by_cycle = {}
    for _, rows in groupby(db.execute(_CLAMPINGS), key=lambda row: row[0]):
        before = ""
        for key, clampings in groupby(rows, key=lambda row: row[:3]):
            piece, cycle, kind = key
            made = list(clampings)
            first = made[0]
            if kind in ("first", "re-measured"):
                before = _in_force(db, first, kind, stamps)
            assert {row[6] for row in made} == {before}, (piece, cycle, kind)
            by_cycle[piece, cycle] = before, [row[8] for row in made]
    _grades_agree(db, by_cycle)


def _in_force(db: sqlite3.Connection, first: Any, kind: str, stamps: Stamps) -> str:
    """Return what the lot went by as a cycle's first clamping was begun, or it was opened."""
    piece, cycle, _, seq, started_ns, boot, _, lot, _ = first
    if kind == "re-measured":
        (seq,) = db.execute(
            "SELECT x.seq FROM corrections x JOIN cycles c ON c.id = x.cycle"
            " WHERE x.what = 're-measured' AND c.piece = ? AND c.number = ?",
            (piece, cycle),
        ).fetchone()
        started_ns = 2**62
    (found,) = db.execute("SELECT rules_sha256 FROM lots WHERE id = ?", (lot,)).fetchone()
    for told, sha256 in db.execute(
        "SELECT seq, rules_sha256 FROM lot_rules WHERE lot = ? ORDER BY seq", (lot,)
    ):
        mono_ns, of_boot = stamps[told]
        if told < seq and not (of_boot == boot and mono_ns > started_ns):
            found = sha256
    return str(found)


def _grades_agree(
    db: sqlite3.Connection, by_cycle: dict[tuple[int, int], tuple[str, list[int | None]]]
) -> None:
    """Where every clamping had a result the grade follows from the limits alone."""
    limits: dict[str, tuple[int, int, int]] = {}
    for sha256, text in db.execute("SELECT sha256, text FROM texts WHERE kind = 'rules'"):
        top, ordinary = tomllib.loads(text, parse_float=Decimal)["grade"]
        limits[sha256] = (
            _nm(top, guarded=True), _nm(ordinary, guarded=True), _nm(ordinary, guarded=False)
        )  # fmt: skip
    for piece, cycle, grade, why in db.execute(
        "SELECT c.piece, c.number, v.grade, v.why FROM verdicts v"
        " JOIN cycles c ON c.id = v.cycle"
    ):
        sha256, tirs = by_cycle[piece, cycle]
        if None in tirs:
            continue
        largest = max(tir for tir in tirs if tir is not None)
        top_nm, ordinary_nm, tolerance_nm = limits[sha256]
        wanted: tuple[str | None, str] = (None, "above-all-limits")
        if largest <= tolerance_nm:
            wanted = None, "guard-band"
        if largest <= ordinary_nm:
            wanted = "grade-2", why
        if largest <= top_nm:
            wanted = "grade-1", why
            assert len(tirs) == 3, (piece, cycle, tirs)
        assert (grade, why) == wanted, (piece, cycle, tirs, sha256)


def _nm(grade: Mapping[str, Any], *, guarded: bool) -> int:
    guard_um = grade.get("guard_um", 0) if guarded else 0
    return int((Decimal(grade["limit_um"]) - Decimal(guard_um)) * 1000)


__all__ = ["rules_agree"]
