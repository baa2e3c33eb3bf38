"""The register of instruments in the store: entries are only ever added.

Uses are never stored: they are the clampings that the record has of a pin, a holder, an
indicator, a torque tool, and the checks that it has of a master.
"""

import sqlite3
from dataclasses import replace
from datetime import date
from typing import Any

from daemon.store.record import Stamp
from rules.instruments import (
    MASTERS,
    Calibrated,
    Entered,
    Instrument,
    InstrumentFact,
    Register,
    Used,
    Withdrawn,
    fold,
    step,
)  # fmt: skip

__all__ = ["register_of", "with_uses", "write"]

_VALUES = (
    "certificate", "due", "form_nm", "tir_nm", "expanded_uncertainty_nm", "diameter_nm",
    "gripping_length_nm", "measuring_force_mn", "height_nm",
)  # fmt: skip


def register_of(db: sqlite3.Connection) -> Register:
    """Return the register as it stands; its uses are not counted here."""
    rows = db.execute(
        f"SELECT what, instrument, kind, reason, role, {', '.join(_VALUES)}"
        " FROM instruments ORDER BY id"
    )
    return fold(_fact(*row) for row in rows)


def with_uses(db: sqlite3.Connection) -> Register:
    """Return the register with the uses that the record has of each: asks all of it."""
    register = register_of(db)
    rows = db.execute("SELECT instrument, clampings, checks FROM instrument_uses").fetchall()
    uses = {name: checks if _is_master(register, name) else n for name, n, checks in rows}
    return {name: replace(one, uses=uses.get(name, 0)) for name, one in register.items()}


def _is_master(register: Register, name: str) -> bool:
    return name in register and register[name].kind in MASTERS


def write(db: sqlite3.Connection, fact: InstrumentFact, bench: str, at: Stamp) -> None:
    """Add one entry, inside the caller's transaction.

    Raises:
        InstrumentError: If it does not fit the register; nothing is written then.
    """
    after = step(register_of(db), fact)
    values: dict[str, Any] = {}
    match fact:
        case Entered(instrument, role):
            values = {"instrument": instrument.id, "what": "entered", "role": role}
            values |= {name: getattr(instrument, name) for name in _VALUES}
        case Calibrated():
            values = {"instrument": fact.id, "what": "calibrated", "role": fact.role}
            values |= {name: getattr(fact, name) for name in _VALUES}
        case Withdrawn():
            values = {"instrument": fact.id, "what": "withdrawn", "role": fact.role}
            values |= {"reason": fact.reason.strip()}
        case Used():
            raise AssertionError("uses are counted from the facts, never stored")
    values["kind"] = after[values["instrument"]].kind
    values["due"] = due.isoformat() if (due := values.get("due")) is not None else None
    values["certificate"] = values.get("certificate") or None
    row = {
        "reason": "", **values, "bench": bench, "at_utc": at.utc, "clock_synced": at.synced
    }  # fmt: skip
    db.execute(
        f"INSERT INTO instruments ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",
        tuple(row.values()),
    )


def _fact(
    what: str, name: str, kind: Any, reason: str, role: str, *values: Any
) -> InstrumentFact:  # fmt: skip
    if what == "withdrawn":
        return Withdrawn(name, reason, role)
    given = dict(zip(_VALUES, values, strict=True))
    given["certificate"] = given["certificate"] or ""
    if given["due"] is not None:
        given["due"] = date.fromisoformat(given["due"])
    if what == "entered":
        return Entered(Instrument(name, kind, **given), role)
    return Calibrated(name, role=role, **given)
