"""How the findings of the demo's shift ask the record."""

import sqlite3
from dataclasses import dataclass

from daemon.demo.shift_plan import NORTH

__all__ = ["OF_PIECE", "Finding", "one"]

OF_PIECE = f"p.number = ? AND p.lot = (SELECT id FROM lots WHERE bench = '{NORTH}')"
"""A piece of the North bench, by number."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that has to be so, and whether it is; None: this seed gave no chance for it."""

    text: str
    is_so: bool | None


def one(db: sqlite3.Connection, sql: str, *values: object) -> int:
    """Return the one number that a question gives; 0 for none."""
    (found,) = db.execute(sql, values).fetchone()
    return int(found or 0)
