"""What the retained topics say, made from the adopted state and the store."""

import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon import snapshot
from daemon.messages import RECENT_PIECES
from rules.bench import Abandoned, RetryAsked
from tests.daemon.bench_of_values import ValueBench, value_bench

Make = Callable[..., Path]

limits = st.integers(1, 10**9)
measured = st.dictionaries(st.integers(0, 2 * 10**9), st.integers(1, 50), max_size=40)


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


class TestTheHistogram:
    @given(measured, limits)
    def test_every_value_is_in_one_class(self, values: dict[int, int], limit: int) -> None:
        edges, counts = snapshot.histogram(values, limit)
        assert sum(counts) == sum(values.values())
        assert len(counts) == len(edges) + 1

    @given(measured, limits)
    def test_edges_ascend_to_the_last_limit_exactly(
        self, values: dict[int, int], limit: int
    ) -> None:
        edges, _ = snapshot.histogram(values, limit)
        assert edges[-1] == limit
        assert edges == sorted(set(edges))
        widths = {later - earlier for earlier, later in zip([0, *edges], edges, strict=False)}
        assert max(widths) - min(widths) <= 1

    @given(measured, limits)
    def test_above_the_last_edge_is_what_lies_above_the_limit_and_nothing_else(
        self, values: dict[int, int], limit: int
    ) -> None:
        _, counts = snapshot.histogram(values, limit)
        assert counts[-1] == sum(n for value, n in values.items() if value > limit)

    def test_a_value_equal_to_an_edge_is_below_it(self) -> None:
        edges, counts = snapshot.histogram({500: 1, 501: 1, 12_000: 1, 12_001: 1}, 12_000)
        assert edges[:2] == [500, 1_000]
        assert (counts[0], counts[1], counts[23], counts[24]) == (1, 1, 1, 1)

    def test_a_limit_in_inch_that_no_class_divides_is_still_the_last_edge(self) -> None:
        """0.0004 in is 10.16 µm (1 in = 25.4 mm exactly): 24 classes don't divide it."""
        edges, counts = snapshot.histogram({10_155: 3, 10_160: 2, 10_161: 1}, 10_160)
        assert edges[-1] == 10_160
        assert counts[-2:] == [5, 1]


def test_the_lot_topic_counts_every_piece_once(bench: ValueBench) -> None:
    for um, bin_id in (("5.0", "2"), ("5.0", "2"), ("13.0", "N")):
        bench.values(um)
        bench.placed(bin_id)
    bench.values("2.0", "2.0", "2.0")
    bench.placed("1")
    bench.values("5.0")
    bench.handle(RetryAsked("chip", "lead"))
    bench.handle(Abandoned("dropped", "lead"))
    bench.values("2.0")
    lot = snapshot.lot(bench.runner, bench.store)
    assert {g.grade: (g.put_away, g.pending, g.ordered) for g in lot.grades} == {
        "grade-1": (1, 0, 36), "grade-2": (2, 0, None),
    }  # fmt: skip
    assert (lot.nonconforming, lot.hold, lot.abandoned, lot.open_pieces) == (1, 0, 1, 1)
    assert (lot.measured, lot.pending, lot.retried) == (4, 0, 1)
    assert lot.quantity == 120
    assert lot.unmeasured == 120 - 6
    bench.values("5.0")
    lot = snapshot.lot(bench.runner, bench.store)
    assert (lot.measured, lot.pending, lot.open_pieces) == (5, 1, 0)


def test_the_pace_is_the_median_of_the_last_ten_from_first_clamping_to_put_away(
    bench: ValueBench,
) -> None:
    assert snapshot.lot(bench.runner, bench.store).cycle_s_median is None
    for wait in (900, *range(10, 110, 10)):  # the first one is eleven pieces ago
        bench.values("5.0")
        bench.clock.seconds += wait - 5
        bench.placed("2")
    assert snapshot.lot(bench.runner, bench.store).cycle_s_median == 55.0


def test_a_pace_over_a_restart_of_the_machine_is_none(bench: ValueBench) -> None:
    """Monotonic times compare within one boot only."""
    bench.values("5.0")
    bench._boot = "boot-2"
    bench.restart()
    bench.placed("2")
    assert snapshot.lot(bench.runner, bench.store).cycle_s_median is None


def test_the_recent_topic_lists_the_last_thirty_newest_first(bench: ValueBench) -> None:
    for _ in range(RECENT_PIECES + 3):
        bench.values("5.0")
        bench.placed("2")
    bench.values("2.0", "13.0")
    recent = snapshot.recent(bench.runner, bench.store)
    assert [piece.piece for piece in recent.pieces] == list(range(34, 4, -1))
    newest, before = recent.pieces[:2]
    assert (newest.grade, newest.bin, newest.put_away) == (None, "N", False)
    assert [c.tir_um for c in newest.clampings] == [2.0, 13.0]
    assert (before.grade, before.put_away) == ("grade-2", True)
    assert sum(recent.histogram) == 34  # the first clamping of each piece, and no other
    by_edge = dict(zip(recent.histogram_um, recent.histogram, strict=False))
    assert (by_edge[2.0], by_edge[5.0]) == (1, 33)


def test_without_a_lot_the_topics_say_so(bench: ValueBench) -> None:
    bench.runner.close_lot("end", "lead", {})
    assert snapshot.lot(bench.runner, bench.store).lot is None
    assert snapshot.recent(bench.runner, bench.store).pieces == []
    assert snapshot.state(bench.runner.shown, None, 1.0).state == "no-lot"


def test_the_state_names_piece_cycle_clamping_bin_and_what_was_measured(
    bench: ValueBench,
) -> None:
    def state() -> dict[str, object]:
        said = snapshot.state(bench.runner.shown, "W-2611-A", 1.0)
        return said.model_dump(include={"piece", "cycle", "clamping", "clampings", "bin"})

    nothing = {"piece": None, "cycle": None, "clamping": 1, "clampings": 3, "bin": None}
    assert state() == nothing
    bench.values("2.0")
    assert state() == {**nothing, "piece": 1, "cycle": 1, "clamping": 2}
    bench.lose()
    bench.find()
    assert state() == {**nothing, "piece": 1, "cycle": 2}
    bench.values("5.0")
    assert state() == {"piece": 1, "cycle": 2, "clamping": None, "clampings": None, "bin": "2"}
    bench.placed("2")
    assert state() == nothing


@pytest.mark.parametrize("pieces", [500, pytest.param(10_000, marks=pytest.mark.long)])
def test_what_is_published_after_a_piece_costs_less_than_five_milliseconds(
    pieces: int, bench_folder: Make
) -> None:
    bench = value_bench(
        bench_folder, ('quantity = 120\norder = { "grade-1" = 36 }', "quantity = 20000"),
        ("cells = 120", "cells = 20000"),
    )  # fmt: skip
    with bench.store.reading() as db:
        db.execute("PRAGMA synchronous = OFF")
    for number in range(pieces):
        bench.values(f"{3.3 + number % 80 / 10:.1f}")
        bench.placed("2")

    def fastest_ms(make: Callable[[], object]) -> float:
        best = float("inf")
        for _ in range(15):
            start = time.perf_counter()
            make()
            best = min(best, time.perf_counter() - start)
        return best * 1000

    costs = {
        "lot": fastest_ms(lambda: snapshot.lot(bench.runner, bench.store).model_dump_json()),
        "recent": fastest_ms(
            lambda: snapshot.recent(bench.runner, bench.store).model_dump_json()
        ),
    }
    print(f"{pieces} pieces: " + ", ".join(f"{k} {v:.2f} ms" for k, v in costs.items()))
    counted = Counter(row[0] for row in bench.rows("SELECT status FROM piece_status"))
    bench.close()
    assert counted == {"put-away": pieces}
    assert sum(costs.values()) < 5.0
