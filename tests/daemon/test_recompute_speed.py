"""100 000 stored pieces anew: how long it takes on one core."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daemon.recompute.cycles import recompute
from daemon.store.read_only import reading_only
from daemon.store.stored import lots
from tests.daemon.measured import measured

MEASURED = 2_000
PIECES = 100_000
TARGET_S = 60.0

_COPIES = (
    "INSERT INTO pieces SELECT id + {0}, lot, number + {0}, tray_cell, began_utc FROM pieces"
    " WHERE id <= {1}",
    "INSERT INTO cycles SELECT id + {0}, piece + {0}, number, kind, reason, role, opened_utc"
    " FROM cycles WHERE id <= {1}",
    "INSERT INTO cycle_ends SELECT cycle + {0}, how, reason, at_utc FROM cycle_ends"
    " WHERE cycle <= {1}",
    "INSERT INTO verdicts SELECT id + {0}, cycle + {0}, grade, bin, why, reason,"
    " decision_rule, rules_revision, rules_sha256, loosening_observed, at_utc, clock_synced,"
    " seq, checks_asked, meets FROM verdicts WHERE id <= {1}",
    "INSERT INTO clampings SELECT id + {2}, cycle + {0}, number, result, tir_nm, seen_nm,"
    " invalid, meets, mode, proof, loosening, loosening_nm, loosening_ns, rules_sha256,"
    " bench_sha256, evaluation, started_ns, ended_ns, boot, at_utc, clock_synced, seq, sweep,"
    " loosening_at_ns FROM clampings WHERE id <= {3}",
    "INSERT INTO clamping_positions SELECT clamping + {2}, position, indicator, driver,"
    " driver_version, tir_nm, seen_nm, turns_nm, samples, closure_nm, invalid"
    " FROM clamping_positions WHERE clamping <= {3}",
)


def grown(path: Path) -> None:
    """Copy the measured pieces under new numbers until there are enough of them."""
    with closing(sqlite3.connect(path)) as db, db:
        (clampings,) = db.execute("SELECT max(id) FROM clampings").fetchone()
        for copy in range(1, PIECES // MEASURED):
            for sql in _COPIES:
                db.execute(sql.format(copy * MEASURED, MEASURED, copy * clampings, clampings))


@pytest.mark.long
@pytest.mark.parametrize("proof", ["index", "speed"])
def test_a_hundred_thousand_pieces_are_computed_anew_within_a_minute(
    bench_folder: Callable[..., Path], proof: str
) -> None:
    by_speed = ('proof = "index"', 'proof = "speed"\nturn_s = 2.4')
    shop = measured(bench_folder(*[by_speed] * (proof == "speed")), MEASURED)
    grown(shop.config.store_path)
    with reading_only(shop.config.store_path) as db:
        start = time.process_time()
        found = recompute(db, lots(db), lambda: None)
        took_s = time.process_time() - start
    print(f"{proof}: {found.pieces} pieces, {found.clampings} clampings in {took_s:.1f} s CPU")
    assert found.is_fine, found.differences[:5]
    assert (found.pieces, found.verdicts) == (PIECES, PIECES)
    assert took_s < TARGET_S
