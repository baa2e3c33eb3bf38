"""Finished values anew: the flag that came with one is kept with it, not in the row alone."""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon.recompute.cycles import recompute
from daemon.recompute.findings import Findings
from daemon.store.read_only import reading_only
from daemon.store.stored import lots
from rules.capture_model import Seen
from rules.reading import Flag, Reading
from tests.daemon.bench_of_values import INDICATOR, ValueBench, value_bench


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


def spoken(bench: ValueBench, value_nm: int | None, *flags: Flag) -> None:
    bench.clock.seconds += 30
    reading = Reading(value_nm, flags=frozenset(flags))
    assert bench.handle(Seen(INDICATOR, reading, bench.clock.now_ns()))


def anew(bench: ValueBench) -> Findings:
    with reading_only(bench.config.store_path) as db:
        return recompute(db, lots(db), lambda: None)


def test_a_value_flagged_over_range_is_over_range_again(bench: ValueBench) -> None:
    spoken(bench, 2_000, "over-range")
    spoken(bench, None, "over-range")
    spoken(bench, -100)
    found = anew(bench)
    assert found.is_fine, found.differences
    assert found.clampings == 3
    with bench.store.reading() as db:
        rows = db.execute("SELECT invalid FROM clamping_positions ORDER BY clamping").fetchall()
    assert [row[0] for row in rows] == ["over-range", "over-range", "negative-value"]


@pytest.mark.parametrize(
    ("flags", "invalid", "tir_nm"), [(("over-range",), None, 2_000), ((), "over-range", None)]
)
def test_a_row_that_does_not_go_with_its_flag_is_found(
    bench: ValueBench, flags: tuple[Flag, ...], invalid: str | None, tir_nm: int | None
) -> None:
    spoken(bench, 2_000, *flags)
    assert anew(bench).is_fine
    with closing(sqlite3.connect(bench.config.store_path)) as db, db:
        db.execute("UPDATE clamping_positions SET invalid = ?, tir_nm = ?", (invalid, tir_nm))
    found = anew(bench)
    assert {difference.what for difference in found.differences} >= {"invalid", "tir_nm"}
