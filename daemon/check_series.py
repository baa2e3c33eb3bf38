"""What the record says of a bench's checks and holder over time, as panels to be drawn."""

import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.config import BenchConfig
from daemon.picture.check_page import CheckPanel, CheckPoint, CheckSheet
from daemon.run_out_watch import run_out_watch
from rules.length import nm_to_um

_CHECKS_MOST = 2_000
"""So many rows of checks are drawn, the newest."""


def check_sheet(db: sqlite3.Connection, one: BenchConfig, zone: ZoneInfo) -> CheckSheet:
    """Return what is to be drawn of a bench; checks that had to be made again are left out."""
    panels = (*_readings(db, one, zone), *_zeros(db, one, zone), *_holder(db, one, zone))
    return CheckSheet(one.id, panels, zone.key)


def _readings(db: sqlite3.Connection, one: BenchConfig, zone: ZoneInfo) -> Iterator[CheckPanel]:
    rows = db.execute(
        "SELECT kind, master, position, at_utc, reading_um, result, low_um, high_um"
        " FROM checks_um WHERE bench = ? AND result <> 'invalid' AND reading_um IS NOT NULL"
        " ORDER BY seq DESC LIMIT ?",
        (one.id, _CHECKS_MOST),
    ).fetchall()
    found = defaultdict(list)
    for row in reversed(rows):
        found[row[:3]].append(row[3:])
    for (kind, master, position), points in sorted(found.items()):
        *_, low_um, high_um = points[-1]
        drawn = tuple(CheckPoint(_at(at, zone), um, result) for at, um, result, *_ in points)
        yield CheckPanel(
            f"{kind} on {master}{_of(position)}, µm", drawn,
            None if kind == "run-out" else low_um, high_um,
        )  # fmt: skip


def _zeros(db: sqlite3.Connection, one: BenchConfig, zone: ZoneInfo) -> Iterator[CheckPanel]:
    rows = db.execute(
        "SELECT kind, position, at_utc, drift_um FROM checks_um"
        " WHERE bench = ? AND drift_um IS NOT NULL ORDER BY seq DESC LIMIT ?",
        (one.id, _CHECKS_MOST),
    ).fetchall()
    most_nm = one.rules.check.zero_drift_nm if one.rules.check is not None else None
    most_um = None if most_nm is None else nm_to_um(most_nm)
    found = defaultdict(list)
    for kind, position, at, drift_um in reversed(rows):
        found[kind, position].append(CheckPoint(_at(at, zone), drift_um, "good"))
    for (kind, position), points in sorted(found.items()):
        title = f"zero drift since the good check before, {kind}{_of(position)}, µm"
        low_um = None if most_um is None else -most_um
        yield CheckPanel(title, tuple(points), low_um, most_um)


def _holder(db: sqlite3.Connection, one: BenchConfig, zone: ZoneInfo) -> Iterator[CheckPanel]:
    watch = run_out_watch(one)
    watch.load(db, None)
    for series in watch.series():
        points = tuple(
            CheckPoint(_at(p.at, zone), float(p.share_um), "", float(p.uncertainty_um))
            for p in series.points
        )
        limit_um = None if series.limit_um is None else float(series.limit_um)
        title = f"holder's share of the run-out{_of(series.position)}, µm"
        yield CheckPanel(title, points, None, limit_um)


def _at(utc: str, zone: ZoneInfo) -> datetime:
    return datetime.fromisoformat(utc).astimezone(zone)


def _of(position: str | None) -> str:
    return f", {position}" if position else ""
