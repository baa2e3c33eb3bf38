"""How fast one core decodes; run with ``pytest -m long -s`` on a quiet machine."""

import os
import pty
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
import serial

from drivers.ascii_line_specimens import PLAIN
from drivers.conformance import Specimen
from drivers.conformance.trial import Trial
from rules.reading import Reading
from tests.drivers.test_conformance import SPECIMENS

CHUNK_BYTES = 115  # what gathers in 10 ms at 115200
FRAMES = 30_000
PTY_FRAMES = 20_000
RUNS = 5
LEAST_PER_S = {"modbus-rtu": 30_000}
USUAL_LEAST_PER_S = 100_000


def listening_rate(specimen: Specimen) -> float:
    """Return readings per second of CPU time from an unasked stream."""
    frames = [frame.raw for frame in specimen.good]
    stream = b"".join(frames[number % len(frames)] for number in range(FRAMES))
    chunks = [stream[at : at + CHUNK_BYTES] for at in range(0, len(stream), CHUNK_BYTES)]
    driver = Trial.primed(specimen).driver
    begin = time.process_time()
    readings = sum(len(driver.feed(chunk)) for chunk in chunks)
    spent_s = time.process_time() - begin
    assert readings == FRAMES
    return readings / spent_s


def polled_rate(specimen: Specimen) -> float:
    """Return readings per second of CPU time, each asked for."""
    frames = [frame.raw for frame in specimen.good]
    driver = Trial.primed(specimen).driver
    begin = time.process_time()
    for number in range(FRAMES):
        assert driver.next_request() is not None
        (result,) = driver.feed(frames[number % len(frames)])
        assert isinstance(result, Reading)
    return FRAMES / (time.process_time() - begin)


@pytest.mark.long
@pytest.mark.parametrize(
    ("name", "specimen"), SPECIMENS, ids=[specimen.name for _, specimen in SPECIMENS]
)
def test_a_core_decodes_enough_readings_a_second(name: str, specimen: Specimen) -> None:
    rate = polled_rate if Trial(specimen).is_polled else listening_rate
    best = max(rate(specimen) for _ in range(RUNS))
    print(f"\n{best:,.0f} readings/s {specimen.name}")
    crc_rate = 30_000 if specimen.guard == "crc" else USUAL_LEAST_PER_S
    assert best >= LEAST_PER_S.get(name, crc_rate)


@contextmanager
def fed_port(data: bytes) -> Iterator[serial.Serial]:
    """Yield an open port on a pseudo-terminal into which a thread writes the data."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)

    def write() -> None:
        at = 0
        while at < len(data):
            at += os.write(ours, data[at : at + 4096])

    with serial.Serial(os.ttyname(theirs), timeout=5) as port:  # opening drops what waits
        writer = threading.Thread(target=write)
        writer.start()
        yield port
        writer.join()
    os.close(ours)
    os.close(theirs)


def plain_rate(data: bytes) -> float:
    """Return values a second of ``readline()`` and ``float()``."""
    with fed_port(data) as port:
        begin = time.perf_counter()
        for _ in range(PTY_FRAMES):
            float(port.readline()[:9])
        return PTY_FRAMES / (time.perf_counter() - begin)


def driver_rate(data: bytes) -> float:
    """Return readings a second of the driver, fed with what has come."""
    driver = Trial.primed(PLAIN).driver
    with fed_port(data) as port:
        begin = time.perf_counter()
        readings = 0
        while readings < PTY_FRAMES:
            results = driver.feed(port.read(port.in_waiting or 1))
            assert all(isinstance(result, Reading) for result in results)
            readings += len(results)
        return PTY_FRAMES / (time.perf_counter() - begin)


@pytest.mark.long
def test_from_a_pseudo_terminal_the_driver_beats_readline_and_float() -> None:
    data = b"+012.3456 mm .\r\n" * PTY_FRAMES
    rates = [(plain_rate(data), driver_rate(data)) for _ in range(RUNS)]
    plain, ours = sorted(rates)[RUNS // 2]
    print(f"\nreadline and float {plain:,.0f}/s, the driver {ours:,.0f}/s")
    assert ours > plain
