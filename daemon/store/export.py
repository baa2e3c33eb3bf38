"""One lot as plain records for a customer's archive: micrometres, UTC, and the texts in force.

A record is a flat object with its kind. The same records make JSON Lines and CSV; lengths are
exact (at most three decimals), and nothing is left out that the lot's tables say of a piece.
"""

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.store import sweep_blob
from rules.length import nm_to_um

__all__ = ["KINDS", "READINGS", "ExportRecord", "lot_records"]

ExportRecord = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Kind:
    """What is asked for one kind of record; ``?`` is the row of the lot."""

    name: str
    sql: str


_PIECE = "FROM pieces p JOIN cycles c ON c.piece = p.id"

KINDS: tuple[_Kind, ...] = (
    _Kind(
        "lot",
        "SELECT l.bench, l.code AS lot, l.article, l.quantity, l.holder, l.pins,"
        " l.pin_moves, l.torque_tool, l.torque_nmm, l.role, l.opened_utc, e.closed_utc,"
        " e.reason AS closed_because,"
        " e.role AS closed_by, e.counts AS account, l.rules_sha256, l.bench_sha256"
        " FROM lots l LEFT JOIN lot_ends e ON e.lot = l.id WHERE l.id = ?",
    ),
    _Kind(
        "text",
        "WITH named AS (SELECT rules_sha256 AS sha256 FROM lots WHERE id = ?1"
        " UNION SELECT rules_sha256 FROM lot_rules WHERE lot = ?1"
        " UNION SELECT bench_sha256 FROM lots WHERE id = ?1"
        f" UNION SELECT k.rules_sha256 {_PIECE} JOIN clampings k ON k.cycle = c.id"
        " WHERE p.lot = ?1"
        f" UNION SELECT k.bench_sha256 {_PIECE} JOIN clampings k ON k.cycle = c.id"
        " WHERE p.lot = ?1)"
        " SELECT t.sha256, t.kind AS of, t.name, t.text FROM texts t JOIN named USING (sha256)"
        " ORDER BY t.kind, t.first_utc, t.sha256",
    ),
    _Kind(
        "order",
        "SELECT grade, quantity, role, at_utc FROM orders WHERE lot = ? ORDER BY id",
    ),
    _Kind(
        "rules",
        "SELECT revision, rules_sha256, before_revision, before_sha256, piece AS kept_by_piece,"
        " reason, role, at_utc, clock_synced, seq FROM lot_rules WHERE lot = ? ORDER BY id",
    ),
    _Kind(
        "box",
        "SELECT bin, label, capacity, role, at_utc FROM boxes WHERE lot = ? ORDER BY id",
    ),
    _Kind(
        "set-aside",
        "SELECT finding, pieces, reason, role, at_utc, clock_synced FROM visual_findings"
        " WHERE lot = ? ORDER BY id",
    ),
    _Kind(
        "piece",
        "SELECT s.number AS piece, p.tray_cell, s.status, s.grade, s.bin, s.why, s.reason,"
        " s.retries, s.cycle_number AS cycles, p.began_utc, s.graded_utc"
        " FROM piece_status s JOIN pieces p ON p.id = s.piece WHERE s.lot = ?"
        " ORDER BY s.number",
    ),
    _Kind(
        "cycle",
        "SELECT p.number AS piece, c.number AS cycle, c.kind AS opened_as,"
        " c.reason AS opened_because, c.role AS opened_by, c.opened_utc, e.how, e.reason AS"
        f" ended_because, e.at_utc AS ended_utc {_PIECE}"
        " LEFT JOIN cycle_ends e ON e.cycle = c.id WHERE p.lot = ? ORDER BY c.id",
    ),
    _Kind(
        "clamping",
        "SELECT p.number AS piece, c.number AS cycle, k.number AS clamping, k.result,"
        " k.tir_nm, k.seen_nm AS seen_at_least_nm, k.invalid, k.meets, k.mode, k.proof,"
        " k.loosening, k.loosening_nm AS loosening_size_nm,"
        " k.loosening_ns / 1000000 AS loosening_ms, CASE WHEN k.loosening <> 'not-observed'"
        " THEN (k.started_ns - k.loosening_at_ns) / 1000000 END AS loosening_before_ms,"
        " k.evaluation, k.rules_sha256,"
        f" k.bench_sha256, k.at_utc, k.clock_synced, k.seq {_PIECE}"
        " JOIN clampings k ON k.cycle = c.id WHERE p.lot = ? ORDER BY k.id",
    ),
    _Kind(
        "position",
        "SELECT p.number AS piece, c.number AS cycle, k.number AS clamping, o.position,"
        " o.indicator, o.driver, o.driver_version, o.tir_nm, o.seen_nm AS seen_at_least_nm,"
        " o.turns_nm, o.samples, o.closure_nm, o.invalid, d.amplitude_nm AS eccentricity_nm,"
        " d.direction_udeg, d.form_nm, d.noise_nm, d.drift_nm, d.gap_udeg, d.loss_1_nm,"
        f" d.loss_2_nm, d.loss_3_nm {_PIECE}"
        " JOIN clampings k ON k.cycle = c.id JOIN clamping_positions o ON o.clamping = k.id"
        " LEFT JOIN clamping_diagnoses d ON d.clamping = k.id AND d.position = o.position"
        " WHERE p.lot = ? ORDER BY k.id, o.position",
    ),
    _Kind(
        "verdict",
        "SELECT p.number AS piece, c.number AS cycle, v.grade, v.bin, v.why, v.reason,"
        " v.decision_rule, v.rules_revision, v.rules_sha256, v.loosening_observed, v.at_utc,"
        f" v.clock_synced, v.seq {_PIECE} JOIN verdicts v ON v.cycle = c.id"
        " WHERE p.lot = ? ORDER BY v.id",
    ),
    _Kind(
        "put-away",
        "SELECT p.number AS piece, c.number AS cycle, a.bin, a.expected,"
        " a.is_right AS right, a.by, b.label AS box, a.at_utc, a.clock_synced, a.seq"
        f" {_PIECE} JOIN put_aways a ON a.cycle = c.id LEFT JOIN boxes b ON b.id = a.box"
        " WHERE p.lot = ? ORDER BY a.id",
    ),
    _Kind(
        "correction",
        "SELECT p.number AS piece, c.number AS cycle, x.what, x.reason, x.role, x.at_utc,"
        " x.clock_synced, x.seq FROM corrections x LEFT JOIN pieces p ON p.id = x.piece"
        " LEFT JOIN cycles c ON c.id = x.cycle WHERE x.lot = ? ORDER BY x.id",
    ),
)
"""Kinds of record in the order in which they are written."""

READINGS = "readings"
"""Kind of the records that hold every reading of a sweep."""


def lot_records(
    db: sqlite3.Connection, lot_id: int, *, with_readings: bool
) -> Iterator[tuple[str, ExportRecord]]:
    """Return kind and record of everything the lot has, in the order of ``KINDS``.

    Args:
        db: The record.
        lot_id: Row of the lot.
        with_readings: Whether every reading comes too (kind ``READINGS``).
    """
    for kind in KINDS:
        cursor = db.execute(kind.sql, (lot_id,))
        names = [column[0] for column in cursor.description]
        for row in cursor:
            yield kind.name, dict(map(_edge, names, row))
    if with_readings:
        yield from _readings(db, lot_id)


def _edge(name: str, value: Any) -> tuple[str, Any]:
    """Return name and value as they leave: nanometres as µm, JSON as what it says."""
    if name == "turns_nm":
        return "turns_um", [nm_to_um(turn) for turn in json.loads(value)]
    if name.endswith("_nm"):
        return name.removesuffix("nm") + "um", None if value is None else nm_to_um(value)
    if name in ("decision_rule", "account", "pins") and value is not None:
        return name, json.loads(value)
    if name == "meets":
        return name, value.split()
    if name in ("right", "loosening_observed"):
        return name, bool(value)
    return name, value


def _readings(db: sqlite3.Connection, lot_id: int) -> Iterator[tuple[str, ExportRecord]]:
    rows = db.execute(
        f"SELECT p.number, c.number, k.number, k.sweep {_PIECE}"
        " JOIN clampings k ON k.cycle = c.id WHERE p.lot = ? ORDER BY k.id",
        (lot_id,),
    )
    for piece, cycle, clamping, blob in rows:
        for indicator, position, sweep in sweep_blob.decode(blob):
            first_ns = sweep.at_ns[0] if sweep.at_ns else 0
            yield READINGS, {
                "piece": piece, "cycle": cycle, "clamping": clamping, "position": position,
                "indicator": indicator, "cut": sweep.cut,
                "at_ms": _ms(sweep.at_ns, first_ns),
                "um": [nm_to_um(value) for value in sweep.value_nm],
                "index_ms": _ms(sweep.index_ns, first_ns),
                "second_index_ms": _ms(sweep.second_ns, first_ns),
                "angle_deg": [udeg / 1_000_000 for udeg in sweep.angle_udeg],
            }  # fmt: skip


def _ms(times_ns: Sequence[int], zero_ns: int) -> list[float]:
    return [(at - zero_ns) / 1_000_000 for at in times_ns]
