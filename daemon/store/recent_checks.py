"""The last master checks of a bench as its retained topic has them."""

import json
import sqlite3
from typing import Any

from daemon.messages import CheckedPosition, RecentCheck
from daemon.store.event_data import um
from rules.length import nm_to_um


def recent_checks(db: sqlite3.Connection, bench: str, most: int) -> list[RecentCheck]:
    """Return at most so many checks of all lots, newest first."""
    rows = db.execute(
        "SELECT at_utc, kind, result, reason, master, figures FROM checks WHERE bench = ?"
        " ORDER BY seq DESC LIMIT ?",
        (bench, most),
    )
    return [
        RecentCheck(
            at=at,
            kind=kind,
            result=result,
            reason="" if result == "good" else reason,
            master=master,
            positions=[_position(figure) for figure in json.loads(figures)],
        )
        for at, kind, result, reason, master, figures in rows
    ]


def _position(figure: dict[str, Any]) -> CheckedPosition:
    return CheckedPosition(
        position=figure["position"],
        result=figure["result"],
        reading_um=um(figure["reading_nm"]),
        low_um=nm_to_um(figure["low_nm"]),
        high_um=nm_to_um(figure["high_nm"]),
        drift_um=um(figure["drift_nm"]),
    )
