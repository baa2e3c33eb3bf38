"""The board under load, as a command: ``pytest -m long -s tests/system/test_board_load.py``.

A verdict's age when it stands on the screen runs from just before its state is published to
the second frame after the page has drawn it.
"""

import http.client
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.board_process import running_board
from tests.chromium import open_page, running_chromium
from tests.mosquitto_process import running_mosquitto
from tests.process_figures import cpu_s, resident_mb

pytestmark = [pytest.mark.system, pytest.mark.long]

SETTLE_S, SECONDS = 10.0, 60.0
PAINTED_WHEN = Path(__file__).with_name("painted_when.js").read_text(encoding="utf-8")


@contextmanager
def hall_load(port: int, benches: int, events_hz: float) -> Iterator[None]:
    """Run a hall of benches in a process of its own until the context ends."""
    words = [str(port), str(benches), str(events_hz), "3600"]
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.hall_load", *words], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    try:
        yield
        assert process.poll() is None, "the load ended early"
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


@dataclass
class Server:
    """The board's process over a time.

    Attributes:
        pid: The process.
        most_mb: Largest resident memory seen so far.
    """

    pid: int
    most_mb: float = 0.0

    def __post_init__(self) -> None:
        self._began, self._cpu_s = time.monotonic(), cpu_s(self.pid)

    def look(self) -> float:
        """Return the share of one processor used since the begin."""
        self.most_mb = max(self.most_mb, resident_mb(self.pid))
        return (cpu_s(self.pid) - self._cpu_s) / (time.monotonic() - self._began)


def share(values: list[float], percent: float) -> float:
    return sorted(values)[min(len(values) - 1, int(len(values) * percent / 100))]


# 50 benches at one event a second; 500 at the real pace of an event in ten seconds
@pytest.mark.parametrize(("benches", "events_hz"), [(50, 1.0), (500, 0.1)])
def test_a_verdict_is_on_the_screen_of_a_full_hall_within_300_ms(
    benches: int, events_hz: float
) -> None:
    with (
        running_mosquitto() as broker,
        running_board(broker.port) as board,
        hall_load(broker.port, benches, events_hz),
        running_chromium() as browser,
        open_page(browser, "about:blank") as page,
    ):
        page.add_init_script(PAINTED_WHEN)
        page.goto(f"{board.url}?distance_m=1.5")
        expect(page.locator('.bench[data-condition="live"]')).to_have_count(
            benches, timeout=30_000
        )
        shown = page.locator(".bench:visible").count()
        page.wait_for_timeout(1000 * SETTLE_S)
        page.evaluate("window.painted()")
        server = Server(board.process.pid)
        page.wait_for_timeout(1000 * SECONDS)
        cpu_share = server.look()
        found = page.evaluate("window.painted()")
    ages, frames = found["ages"], found["frames"]
    print(
        f"\n{benches} benches at {events_hz:g} events a second, {shown} on the screen:\n"
        f"  verdict → pixel, {len(ages)} verdicts: median {statistics.median(ages):.0f} ms,"
        f" p99 {share(ages, 99):.0f} ms, largest {max(ages):.0f} ms\n"
        f"  frame: median {statistics.median(frames):.1f} ms, p99 {share(frames, 99):.1f} ms,"
        f" largest {max(frames):.0f} ms\n"
        f"  server: {100 * cpu_share:.0f} % of a processor, {server.most_mb:.0f} MB resident"
    )
    assert len(ages) > 0.5 * SECONDS * shown * events_hz / 4
    assert share(ages, 99) < 300


VIEWERS, MINUTES = 50, 10


def view(url: str, ended: threading.Event, taken: list[int]) -> None:
    """Read a stream to the end of the test."""
    host = url.split("/")[2]
    connection = http.client.HTTPConnection(host, timeout=10)
    connection.request("GET", "/events")
    answer = connection.getresponse()
    count = 0
    while not ended.is_set():
        count += len(answer.read1(65536))
    taken.append(count)
    connection.close()


def test_fifty_viewers_for_ten_minutes_cost_no_memory() -> None:
    ended, taken = threading.Event(), list[int]()
    with (
        running_mosquitto() as broker,
        running_board(broker.port) as board,
        hall_load(broker.port, 10, 1.0),
    ):
        viewers = [
            threading.Thread(target=view, args=(board.url, ended, taken))
            for _ in range(VIEWERS)
        ]
        for viewer in viewers:
            viewer.start()
        try:
            time.sleep(60.0)  # lots and sweeps have grown to their full size by then
            server = Server(board.process.pid)
            resident = []
            for _ in range(MINUTES * 6):
                time.sleep(10.0)
                cpu_share = server.look()
                resident.append(resident_mb(board.process.pid))
        finally:
            ended.set()
            for viewer in viewers:
                viewer.join()
    first, last = resident[: len(resident) // 4], resident[-len(resident) // 4 :]
    grown = statistics.median(last) - statistics.median(first)
    print(
        f"\n{VIEWERS} viewers, 10 benches at one event a second, {MINUTES} min:"
        f" {statistics.median(first):.1f} MB in the first quarter,"
        f" {statistics.median(last):.1f} MB in the last, most {max(resident):.1f} MB;"
        f" {100 * cpu_share:.0f} % of a processor,"
        f" {sum(taken) / VIEWERS / (60 * MINUTES + 60) / 1e3:.0f} kB/s a viewer"
    )
    assert len(taken) == VIEWERS
    assert grown < 1.0
