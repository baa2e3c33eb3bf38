"""A line at work on a pseudo-terminal: asking, late answers, silence, plugs, bad drivers."""

import asyncio
import logging
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from decimal import Decimal
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from daemon.clock import SystemClock
from daemon.config import LineConfig
from daemon.config_sections import LineSection
from daemon.line import LineDecoder, Routed, Seat
from daemon.line_runner import LineRunner
from daemon.recording import Recorder, read_recording
from daemon.registry import FoundDriver
from drivers import BadFrame, LineSettings, MakeDriver, Reading
from drivers.ascii_line import make as make_line
from drivers.ascii_poll import make as make_poll
from rules.capture_model import LineBack, LineLost, Seen
from tests.far_end import FarEnd, far_end

WAIT_S = 15.0
POLLED = {"request": "say\r", "unit": "mm", "terminator": "CR"}


class Bench:
    """What the benches on the line are told."""

    def __init__(self) -> None:
        self.events: list[Any] = []

    def take(self, routed: Routed) -> None:
        self.events.append(routed[1])

    @property
    def values_mm(self) -> list[float]:
        return [
            (e.reading.value_nm or 0) / 1_000_000 for e in self.events if isinstance(e, Seen)
        ]

    def of(self, kind: type) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    async def until(self, holds: Callable[[], object], why: str) -> None:
        deadline = time.monotonic() + WAIT_S
        while not holds():
            assert time.monotonic() < deadline, f"not within {WAIT_S:g} s: {why}"
            await asyncio.sleep(0.005)


def runner_of(
    bench: Bench,
    port: str,
    make: MakeDriver = make_poll,
    recorder: Recorder | None = None,
    silent_s: float = 0.6,
    **section: object,
) -> LineRunner:
    table = {
        "id": "usb1", "port": port, "driver": "x", "open_wait_s": 0, "answer_wait_s": 0.2,
        "request_every_s": 0.02, "options": POLLED if make is make_poll else {}, **section,
    }  # fmt: skip
    exact = {k: Decimal(str(v)) if isinstance(v, float) else v for k, v in table.items()}
    found = FoundDriver("test-driver", make, "test", "1")
    config = LineConfig(LineSection.model_validate(exact), found, silent_s)
    decoder = LineDecoder(config, [Seat("IND-21", "", "b1")])
    return LineRunner(decoder, SystemClock(), bench.take, recorder)


@asynccontextmanager
async def running(runner: LineRunner) -> AsyncIterator[None]:
    stopping = asyncio.Event()
    task = asyncio.create_task(runner.run(stopping))
    try:
        yield
    finally:
        stopping.set()
        await asyncio.wait_for(task, 10)


class Indicator:
    """Answers request number n with n mm, as long as it is told to."""

    def __init__(self) -> None:
        self.asked = 0
        self.is_silent = False
        self.late_s: dict[int, float] = {}
        self.end: FarEnd | None = None
        self._timers: list[threading.Timer] = []

    def __call__(self, data: bytes) -> bytes:
        answer = b""
        for _ in range(data.count(b"say\r")):
            self.asked += 1
            frame = b"+%d.000\r" % self.asked
            if self.is_silent:
                continue
            if self.asked in self.late_s:
                timer = threading.Timer(self.late_s[self.asked], self._send, [frame])
                timer.start()
                self._timers.append(timer)
                continue
            answer += frame
        return answer

    def forget(self) -> None:
        """Send nothing late any more."""
        for timer in self._timers:
            timer.cancel()
            timer.join()

    def _send(self, frame: bytes) -> None:
        assert self.end is not None
        self.end.send(frame)


class TestAsking:
    async def test_every_answer_brings_the_next_request(self) -> None:
        bench, indicator = Bench(), Indicator()
        with far_end(indicator) as end:
            async with running(runner_of(bench, end.path)):
                await bench.until(lambda: len(bench.values_mm) >= 20, "twenty readings")
        assert bench.values_mm == [float(n) for n in range(1, len(bench.values_mm) + 1)]

    async def test_it_asks_no_faster_than_the_file_says(self) -> None:
        bench, indicator = Bench(), Indicator()
        with far_end(indicator) as end:
            async with running(runner_of(bench, end.path, request_every_s=0.1)):
                await bench.until(lambda: bench.values_mm, "the first reading")
                first = indicator.asked
                await asyncio.sleep(1.0)
                asked = indicator.asked - first
        assert 6 <= asked <= 10

    async def test_a_late_answer_never_answers_the_next_request(self) -> None:
        """Answer 5 comes after its timeout: it is dropped, and every later one is its own."""
        bench, indicator = Bench(), Indicator()
        indicator.late_s = {5: 0.3}
        with far_end(indicator) as end:
            indicator.end = end
            runner = runner_of(bench, end.path, silent_s=0)
            async with running(runner):
                await bench.until(lambda: len(bench.values_mm) >= 12, "twelve readings")
        values = bench.values_mm
        assert 5.0 not in values
        assert values == [float(n) for n in range(1, int(values[-1]) + 1) if n != 5]
        assert runner.decoder.bad_frames == 1

    async def test_a_missing_answer_is_asked_for_again_and_loses_nobody(self) -> None:
        bench, indicator = Bench(), Indicator()
        indicator.late_s = {3: 60.0}
        with far_end(indicator) as end:
            async with running(runner_of(bench, end.path, silent_s=0.6)):
                await bench.until(lambda: len(bench.values_mm) >= 6, "six readings")
                indicator.forget()
        assert bench.of(LineLost) == []

    async def test_an_indicator_that_only_speaks_is_never_asked(self) -> None:
        bench = Bench()
        with far_end() as end:
            end.send_each((b"+0.001 mm\r\n" for _ in count()), 0.02)
            runner = runner_of(bench, end.path, make_line, options={"unit": {"mm": "mm"},
                               "pattern": "{value} {unit}"})  # fmt: skip
            async with running(runner):
                await bench.until(lambda: len(bench.values_mm) > 20, "twenty readings")
            assert end.heard == b""


class TestSilence:
    async def test_an_indicator_that_stops_answering_is_lost_and_back_when_it_answers(
        self,
    ) -> None:
        bench, indicator = Bench(), Indicator()
        with far_end(indicator) as end:
            async with running(runner_of(bench, end.path, silent_s=0.6)):
                await bench.until(lambda: len(bench.values_mm) >= 3, "three readings")
                indicator.is_silent = True
                since = time.monotonic()
                await bench.until(lambda: bench.of(LineLost), "it is lost")
                took_s = time.monotonic() - since
                await asyncio.sleep(0.5)
                assert len(bench.of(LineLost)) == 1
                indicator.is_silent = False
                await bench.until(lambda: bench.of(LineBack), "it is back")
        assert 0.4 < took_s < 1.6
        assert bench.of(LineLost)[0].reason == "line usb1: no reading any more"

    async def test_a_line_that_may_be_silent_is_never_lost_for_it(self) -> None:
        bench, indicator = Bench(), Indicator()
        with far_end(indicator) as end:
            async with running(runner_of(bench, end.path, silent_s=0)):
                await bench.until(lambda: len(bench.values_mm) >= 3, "three readings")
                indicator.is_silent = True
                await asyncio.sleep(1.5)
        assert bench.of(LineLost) == []


class TestPlugs:
    async def test_unplugged_and_plugged_in_again_under_the_same_name(
        self, tmp_path: Path
    ) -> None:
        bench, name = Bench(), tmp_path / "by-id"
        first, second = FarEnd(Indicator()), FarEnd(Indicator())
        name.symlink_to(first.path)
        async with running(runner_of(bench, str(name))):
            await bench.until(lambda: len(bench.values_mm) >= 3, "three readings")
            name.unlink()
            since = time.monotonic()
            first.close()
            await bench.until(lambda: bench.of(LineLost), "it is lost")
            assert time.monotonic() - since < 2.0
            before = len(bench.values_mm)
            name.symlink_to(second.path)
            await bench.until(lambda: bench.of(LineBack), "it is back")
            await bench.until(lambda: len(bench.values_mm) > before + 3, "readings again")
        second.close()
        assert len(bench.of(LineLost)) == 1
        assert "is gone" in bench.of(LineLost)[0].reason

    @pytest.mark.parametrize("what", ["missing", "unplugged", "idle"])
    async def test_waiting_costs_next_to_nothing(self, what: str, tmp_path: Path) -> None:
        """No busy loop: less than a tenth of a core, whatever the port does."""
        bench, end = Bench(), FarEnd()
        name = tmp_path / "by-id"
        if what != "missing":
            name.symlink_to(end.path)
        async with running(runner_of(bench, str(name), make_line, options={"unit": "mm"})):
            await asyncio.sleep(0.3)
            if what == "unplugged":
                name.unlink()
            end.close() if what == "unplugged" else None
            await asyncio.sleep(0.2)
            start = time.process_time()
            await asyncio.sleep(1.5)
            spent = (time.process_time() - start) / 1.5
        if what != "unplugged":
            end.close()
        print(f"{what}: {spent:.1%} of a core")
        assert spent < 0.1
        assert len(bench.of(LineLost)) == (what != "idle")

    async def test_a_port_that_is_not_there_is_lost_with_what_to_look_at(
        self, tmp_path: Path
    ) -> None:
        bench = Bench()
        async with running(runner_of(bench, str(tmp_path / "none"))):
            await bench.until(lambda: bench.of(LineLost), "it is lost")
        assert bench.of(LineLost)[0].reason == (
            f"{tmp_path / 'none'} is not there: is the adapter plugged in?"
        )


class Faulty:
    """A driver that keeps no contract: it raises at every third call of what it is told to."""

    line = LineSettings()

    def __init__(self, where: str) -> None:
        self._where = where
        self._calls = 0

    def _count(self, where: str) -> None:
        if where == self._where:
            self._calls += 1
            if self._calls % 3 == 0:
                raise ZeroDivisionError("one day it does")

    def feed(self, chunk: bytes) -> list[Reading | BadFrame]:
        self._count("feed")
        return [Reading(1_000)] * chunk.count(b"\r")

    def next_request(self) -> bytes | None:
        self._count("next_request")
        return b"say\r"

    def timed_out(self) -> None:
        self._count("timed_out")


class TestDriversThatRaise:
    @pytest.mark.parametrize("where", ["feed", "next_request", "timed_out"])
    async def test_its_line_is_lost_with_its_name_and_comes_back_by_itself(
        self, where: str, caplog: pytest.LogCaptureFixture
    ) -> None:
        bench, indicator = Bench(), Indicator()
        if where == "timed_out":
            indicator.late_s = dict.fromkeys(range(3, 9), 1.0)
        caplog.set_level(logging.ERROR)
        with far_end(indicator) as end:
            indicator.end = end
            async with running(
                runner_of(bench, end.path, lambda options: Faulty(where), silent_s=0)
            ):
                await bench.until(lambda: bench.of(LineLost), "it is lost")
                await bench.until(lambda: bench.of(LineBack), "it is back")
            indicator.forget()
        assert bench.of(LineLost)[0].reason == (
            "driver test-driver failed: ZeroDivisionError: one day it does"
        )
        assert "line usb1: driver test-driver failed" in caplog.text
        assert "Traceback" in caplog.text


async def test_what_came_and_what_was_sent_is_recorded_in_order(tmp_path: Path) -> None:
    bench, indicator = Bench(), Indicator()
    recorder = Recorder(tmp_path / "r")
    with far_end(indicator) as end:
        async with running(runner_of(bench, end.path, recorder=recorder)):
            await bench.until(lambda: len(bench.values_mm) >= 5, "five readings")
    recorder.close()
    entries = list(read_recording(tmp_path / "r"))
    assert entries[0].what == "opened"
    assert {entry.where for entry in entries} == {"usb1"}
    assert [e.data for e in entries if e.what == ">"][:5] == [b"say\r"] * 5
    heard = b"".join(e.data for e in entries if e.what == "<")
    assert heard.startswith(b"+1.000\r+2.000\r")
