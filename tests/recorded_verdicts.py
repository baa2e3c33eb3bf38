"""What a store says of every verdict, without its times: the same for every replay."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

_VERDICTS = """SELECT l.bench, l.code AS lot, p.number AS piece, c.number AS cycle, c.kind,
    v.grade, v.bin, v.why, v.reason, v.decision_rule, v.rules_sha256, v.loosening_observed,
    v.cycle AS cycle_row FROM verdicts v JOIN cycles c ON c.id = v.cycle
    JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot ORDER BY l.bench, v.id"""

_CLAMPINGS = """SELECT number, result, tir_nm, seen_nm, invalid, meets, loosening
    FROM clampings WHERE cycle = ? ORDER BY number"""

_PUT_AWAYS = """SELECT bin, expected, is_right, by FROM put_aways WHERE cycle = ? ORDER BY id"""


def verdicts(store: Path) -> list[dict[str, Any]]:
    """Return every verdict with its clampings and put-aways, by bench and in order."""
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as db:
        db.row_factory = sqlite3.Row
        found = [dict(row) for row in db.execute(_VERDICTS)]
        for verdict in found:
            cycle = (verdict.pop("cycle_row"),)
            verdict["clampings"] = [dict(row) for row in db.execute(_CLAMPINGS, cycle)]
            verdict["put_aways"] = [dict(row) for row in db.execute(_PUT_AWAYS, cycle)]
    return found
