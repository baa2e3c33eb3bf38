"""What belongs to no piece is on record one by one, as long as hands make it."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from rules.capture_model import Seen
from rules.reading import Reading
from tests.daemon.bench_of_sweeps import SweepBench
from tests.daemon.bench_of_values import INDICATOR, ValueBench, value_bench

Make = Callable[..., Path]


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


def refused(bench: ValueBench) -> list[str]:
    """Return the reasons of what was told and belongs to no piece."""
    bodies = bench.rows("SELECT body FROM events WHERE kind = 'clamping' ORDER BY seq")
    data = [json.loads(str(body))["data"] for (body,) in bodies]
    return [one["reason"] for one in data if not one["counts"]]


def stream(bench: ValueBench, values: int) -> None:
    """Let an indicator send finished values by itself, twenty a second."""
    for _ in range(values):
        bench.clock.seconds += 0.05
        assert bench.handle(Seen(INDICATOR, Reading(2_000), bench.clock.now_ns()))


def test_a_stream_of_finished_values_is_counted_and_does_not_fill_the_record(
    bench: ValueBench,
) -> None:
    stream(bench, 5_000)
    assert bench.rows("SELECT count(*) FROM clampings") == [(1,)]  # the first; none of the rest
    told = refused(bench)
    assert len(told) == 3 + 11  # 1, 2, 3, then 4, 8 … 4096 of 4999
    assert [";" in reason for reason in told] == [False] * 3 + [True] * 11
    assert told[-1] == (
        "too-soon: sooner than a hand can re-clamp: taken as a repeat of the last value; "
        "number 4096 in a row, the first 3 and each doubling is told"
    )


def test_a_clamping_that_counts_begins_the_row_anew(bench: ValueBench) -> None:
    stream(bench, 10)
    told = len(refused(bench))
    bench.value("2.0")
    stream(bench, 1)
    (newest,) = refused(bench)[told:]
    assert ";" not in newest


def test_values_while_a_piece_waits_name_it_and_each_piece_has_its_own_row(
    bench: ValueBench,
) -> None:
    bench.value("5.0")
    bench.values(*["2.0"] * 9)
    told = refused(bench)
    assert len(told) == 5  # 1, 2, 3, 4, 8
    assert told[0] == "before-put-away: the last piece is not put away (piece 1)"
    assert told[-1].startswith(f"{told[0]}; number 8 in a row")
    assert bench.placed("2")
    bench.values("5.0", "2.0")
    assert refused(bench)[len(told) :] == [told[0].replace("piece 1", "piece 2")]


def test_sweeps_while_a_piece_waits_too(bench_folder: Make) -> None:
    bench = SweepBench(bench_folder())
    bench.clamp(5.0)
    assert bench.lamps == {"2": "on"}
    for _ in range(6):
        bench.clamp(2.0)
    told = refused(bench)
    assert [reason.partition(";")[0] for reason in told] == [
        "before-put-away: the last piece is not put away (piece 1)"
    ] * 4
    assert set(bench.runner.alarms) >= {"not-put-away"}
    assert bench.lamps == {"2": "on"}
    bench.close()
