"""A verdict is gone through before it is needed, and nothing comes of that."""

import asyncio
import logging
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import cast

import pytest

from daemon.bench import BenchRunner
from daemon.errors import StoreError
from daemon.rehearsal import Rehearsal
from daemon.store.note import Note, is_verdict
from rules.capture import nears_its_end, whole_now
from rules.facts import ClampingFact, CycleEndedFact, Fact
from tests.daemon.bench_of_sweeps import SweepBench, sweep_bench
from tests.rules.bench_tape import INDEX, SPEED, S, captured, tape

Make = Callable[..., Path]


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[SweepBench]:
    made = sweep_bench(bench_folder)
    made.check()
    yield made
    made.close()


def bring_near_a_verdict(bench: SweepBench, tir_um: float) -> None:
    """Turn a clamped collet until the last reading of its sweep is due, and not further."""
    bench.do(lambda: bench.tape.reclamp(tir_um, 0.2))
    for _ in range(200):
        if bench.runner.nears_a_verdict:
            return
        bench.do(lambda: bench.tape.turn(0.02, stop=False))
    raise AssertionError("no verdict came near")


def test_it_is_near_in_the_last_twentieth_of_the_last_turn_alone(bench: SweepBench) -> None:
    near: list[int] = []
    bench.do(lambda: bench.tape.reclamp(20.0, 0.2))
    index_ns: list[int] = []
    for _ in range(300):
        if bench.lamps:
            break
        bench.do(lambda: bench.tape.turn(0.02, stop=False))
        capture = bench.runner._state.capture
        index_ns = list(capture.index_ns) or index_ns
        if bench.runner.nears_a_verdict:
            near.append(bench.clock.now_ns())
    turn_ns = round(bench.tape.period_s * S)
    assert bench.lamps
    assert near
    assert len(index_ns) >= 2
    assert all(at_ns - index_ns[1] >= turn_ns * 0.94 for at_ns in near)
    assert not bench.runner.nears_a_verdict


@pytest.mark.parametrize(("tir_um", "bin_id"), [(20.0, "N"), (9.0, "2")])
def test_it_goes_all_the_way_and_leaves_nothing(
    bench: SweepBench, tir_um: float, bin_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring_near_a_verdict(bench, tir_um)
    found: list[Note] = []
    rehearsed = bench.store.rehearse_note

    def rehearse_note(note: Note) -> None:
        found.append(note)
        rehearsed(note)

    monkeypatch.setattr(bench.store, "rehearse_note", rehearse_note)
    runner = bench.runner
    lit: list[object] = []
    runner.lamps_for = lambda _: lambda: lit.append(bench.lamps)
    with closing(sqlite3.connect(bench.store.path)) as other:

        def is_left() -> tuple[object, ...]:
            (version,) = other.execute("PRAGMA data_version")  # counts what others commit
            return runner._state, runner.shown, runner.lot, version

        runner.rehearse()  # the first one writes down what notes will be under
        before = is_left()
        runner.rehearse()
        assert is_left() == before
    assert lit == []
    _, note = found
    assert is_verdict(note.facts)
    bench.do(lambda: bench.tape.turn(0.3))
    assert bench.lamps == {bin_id: "on"}
    assert verdict(note.facts) == verdict(told(bench))


def told(bench: SweepBench) -> tuple[Fact, ...]:
    ((grade, bin_id),) = bench.rows("SELECT grade, bin FROM verdicts ORDER BY id DESC LIMIT 1")
    return (grade, bin_id)  # type: ignore[return-value]


def verdict(facts: tuple[Fact, ...]) -> tuple[object, ...]:
    ended = [fact for fact in facts if isinstance(fact, CycleEndedFact)]
    if not ended:
        return facts
    assert isinstance(facts[0], ClampingFact)
    assert ended[0].decision is not None
    return ended[0].decision.grade, ended[0].decision.bin


def test_neither_a_check_nor_a_clamping_that_counts_for_nothing_is_rehearsed(
    bench_folder: Make,
) -> None:
    bench = sweep_bench(bench_folder)
    bench.press_foot()
    assert bench.word == "master-check"
    bench.do(lambda: bench.tape.reclamp(0.3, 0.2))
    seen = set()
    for _ in range(150):
        bench.do(lambda: bench.tape.turn(0.02, stop=False))
        seen.add(bench.runner.nears_a_verdict)
    assert seen == {False}
    bench.close()


def test_by_time_alone_a_sweep_nears_its_end_too() -> None:
    written = tape("speed").reclamp(4.0, 0.3).turn(1.95, stop=False)
    state, _ = captured(written.events, SPEED)
    assert state.phase == "sweeping"
    start_ns = state.tracks[0].at_ns[0]
    due_ns = start_ns + 2 * SPEED.sweep.swept_turn_ns * 19 // 20
    assert not nears_its_end(state, due_ns - 1, SPEED)
    assert nears_its_end(state, due_ns, SPEED)
    _, (ended, *_) = whole_now(state, SPEED)
    assert ended.clamping.tir_nm == pytest.approx(4_000, abs=300)  # type: ignore[union-attr]
    assert not nears_its_end(replace(state, phase="done"), due_ns, SPEED)
    by_index, _ = captured(tape().reclamp(4.0, 0.3).turn(1.0).events, INDEX)
    assert not nears_its_end(by_index, start_ns, INDEX)


class Failing:
    """A bench that is near a verdict and can't rehearse it."""

    by = type("By", (), {"bench": "b1"})
    nears_a_verdict = True
    tries = 0

    def rehearse(self) -> None:
        self.tries += 1
        raise ZeroDivisionError


def test_one_that_fails_is_told_once_and_tried_no_more(
    caplog: pytest.LogCaptureFixture,
) -> None:
    failing = Failing()

    async def looked() -> None:
        rehearsal = Rehearsal(cast(BenchRunner, failing))
        for _ in range(5):
            rehearsal.look()
            await asyncio.sleep(0.01)

    with caplog.at_level(logging.ERROR):
        asyncio.run(looked())
    assert failing.tries == 1
    assert [r.getMessage() for r in caplog.records] == ["b1: a verdict can't be rehearsed"]


def test_near_a_verdict_it_is_gone_through_again_and_again(bench: SweepBench) -> None:
    bring_near_a_verdict(bench, 20.0)
    times = 0
    rehearse = bench.runner.rehearse

    def counted() -> None:
        nonlocal times
        times += 1
        rehearse()

    async def looked() -> None:
        rehearsal = Rehearsal(bench.runner)
        rehearsal.look()
        rehearsal.look()  # one row of them, however often it is told
        await asyncio.sleep(0.05)
        bench.do(lambda: bench.tape.turn(0.3))
        assert bench.lamps == {"N": "on"}
        at_the_verdict = times
        await asyncio.sleep(0.02)
        assert times == at_the_verdict

    bench.runner.rehearse = counted  # type: ignore[method-assign]
    asyncio.run(looked())
    assert 5 <= times <= 125


class Held:
    """A bench near a verdict whose file somebody holds, until told otherwise."""

    by = type("By", (), {"bench": "b1"})
    nears_a_verdict = True
    tries = 0

    def rehearse(self) -> None:
        self.tries += 1
        raise StoreError(Path("millrace.db"), "database is locked")


def test_a_file_that_is_held_is_not_waited_for_again_before_the_next_verdict() -> None:
    held = Held()

    async def looked() -> None:
        rehearsal = Rehearsal(cast(BenchRunner, held))
        for _ in range(3):
            rehearsal.look()
            await asyncio.sleep(0.01)
        assert held.tries == 1
        held.nears_a_verdict = False
        rehearsal.look()
        held.nears_a_verdict = True
        rehearsal.look()
        await asyncio.sleep(0.01)
        assert held.tries == 2

    asyncio.run(looked())


def test_the_more_benches_the_seldomer_each_rehearses() -> None:
    async def times(benches: int) -> int:
        counting = Counting()
        Rehearsal(cast(BenchRunner, counting), benches).look()
        await asyncio.sleep(0.05)
        return counting.tries

    alone, of_many = asyncio.run(times(1)), asyncio.run(times(100))  # pauses of 0.4 and 40 ms
    assert 1 <= of_many <= 2 < alone


class Counting:
    """A bench that stays near a verdict and counts."""

    by = type("By", (), {"bench": "b1"})
    nears_a_verdict = True
    tries = 0

    def rehearse(self) -> None:
        self.tries += 1
