"""How many saturated lines one core carries: ``python -m tests.line_load [LINES…]``.

A process of its own writes 115200 baud without a pause into as many pseudo-terminals; this
one reads them as the service does (thread, driver, decoder), bound to one core. Latency runs
from the write of a frame's last byte to the reading on the event loop.
"""

import asyncio
import json
import os
import pty
import resource
import subprocess
import sys
import tempfile
import time
import tty
from dataclasses import dataclass, field
from pathlib import Path

from daemon.clock import SystemClock
from daemon.config import LineConfig
from daemon.config_sections import LineSection
from daemon.line import LineDecoder, Seat
from daemon.registry import find_driver
from daemon.serial_port import Chunk, Opened, PortEvent, SerialPort
from drivers import LineSettings
from rules.capture_model import Seen

BYTES_PER_S = 11_520
"""115200 baud, ten bits a byte."""

BATCH_S = 0.01
SECONDS = 10
FRAME = b"%+09.4f mm %08d\r\n"
FRAME_BYTES = len(FRAME % (0.0, 0))
OPTIONS = {
    "pattern": "{value} {unit} {counter}", "unit": {"mm": "mm"}, "decimals": 4, "digits": 7,
}  # fmt: skip


def batch_end(batch: int) -> int:
    """Return how many bytes have been written when a batch is out."""
    return round((batch + 1) * BATCH_S * BYTES_PER_S)


def write(folder: Path, lines: int) -> None:
    """Make the lines, wait for a word, write for the time; say when each batch went out."""
    ends = [pty.openpty() for _ in range(lines)]
    for number, (_, slave) in enumerate(ends):
        tty.setraw(slave)
        (folder / str(number)).symlink_to(os.ttyname(slave))
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    sys.stdin.readline()
    frames = range(SECONDS * BYTES_PER_S // FRAME_BYTES)
    stream = b"".join(FRAME % (0.0001 * (n % 999), n) for n in frames)
    began, at, sent = time.monotonic_ns(), 0, []
    for batch in range(round(SECONDS / BATCH_S)):
        due = began + round(batch * BATCH_S * 1e9)
        time.sleep(max(0.0, (due - time.monotonic_ns()) / 1e9))
        piece = stream[at : batch_end(batch)]
        at += len(piece)
        sent.append(time.monotonic_ns())
        for master, _ in ends:
            assert os.write(master, piece) == len(piece), "the reader has stalled"
    sys.stdout.write(json.dumps({"sent_ns": sent, "frames": at // FRAME_BYTES}) + "\n")
    sys.stdout.flush()
    sys.stdin.readline()


@dataclass
class Load:
    """What came of one run.

    Attributes:
        lines: How many lines.
        frames: Frames written to each.
        lost: Frames that never became a reading.
        latency_ms: Every reading's latency.
        cpu_share: CPU time of the reader over the time it took.
    """

    lines: int
    frames: int = 0
    lost: int = 0
    cpu_share: float = 0.0
    latency_ms: list[float] = field(default_factory=list)

    def at(self, share: float) -> float:
        """Return the latency that this share of all readings stays below."""
        ordered = sorted(self.latency_ms)
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


@dataclass
class Reader:
    """One line as the service reads it."""

    decoder: LineDecoder
    seen: list[tuple[int, int]] = field(default_factory=list)
    is_open: bool = False

    def take(self, event: PortEvent) -> None:
        match event:
            case Opened(at_ns):
                self.decoder.opened(at_ns)
                self.is_open = True
            case Chunk(at_ns, data):
                events = self.decoder.chunk(at_ns, data)
                now = time.monotonic_ns()
                for _, one in events:
                    if isinstance(one, Seen):
                        self.seen.append((one.reading.counter or 0, now))
            case _:
                raise AssertionError(event)


def decoder(port: Path) -> LineDecoder:
    section = LineSection.model_validate(
        {"id": "x", "port": str(port), "driver": "ascii-line", "options": OPTIONS}
    )
    found = find_driver("ascii-line", Path())
    return LineDecoder(LineConfig(section, found), [Seat("I", "", "b1")])


async def read(folder: Path, writer: "subprocess.Popen[str]", lines: int) -> Load:
    """Read all lines until everything written has had time to come."""
    assert writer.stdin is not None
    assert writer.stdout is not None
    readers = [Reader(decoder(folder / str(number))) for number in range(lines)]
    settings = LineSettings(115200)
    ports = [
        SerialPort(
            str(folder / str(n)), settings, SystemClock(), readers[n].take, open_wait_s=0
        )
        for n in range(lines)
    ]
    for port in ports:
        port.start()
    while not all(reader.is_open for reader in readers):  # noqa: ASYNC110 - in other threads
        await asyncio.sleep(0.05)
    before, began = resource.getrusage(resource.RUSAGE_SELF), time.monotonic()
    writer.stdin.write("go\n")
    writer.stdin.flush()
    told = json.loads(await asyncio.to_thread(writer.stdout.readline))
    after, took = resource.getrusage(resource.RUSAGE_SELF), time.monotonic() - began
    await asyncio.sleep(0.5)
    await asyncio.gather(*(port.stop() for port in ports))
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    load = Load(lines, told["frames"], cpu_share=cpu / took)
    sent = told["sent_ns"]
    for reader in readers:
        numbers = {counter for counter, _ in reader.seen}
        load.lost += told["frames"] - len(numbers)
        for counter, at_ns in reader.seen:
            last_byte = (counter + 1) * FRAME_BYTES
            batch = int((last_byte - 1) / (BATCH_S * BYTES_PER_S))
            while batch_end(batch) < last_byte:
                batch += 1
            load.latency_ms.append((at_ns - sent[batch]) / 1e6)
    return load


def measure(lines: int) -> Load:
    """Run one load; the reader is bound to the first core, the writer to the last."""
    cores = sorted(os.sched_getaffinity(0))
    with tempfile.TemporaryDirectory() as name:
        command = [sys.executable, "-m", "tests.line_load", "write", name, str(lines)]
        writer = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        os.sched_setaffinity(writer.pid, {cores[-1]})
        os.sched_setaffinity(0, {cores[0]})
        try:
            assert writer.stdout is not None
            assert writer.stdout.readline() == "ready\n"
            return asyncio.run(read(Path(name), writer, lines))
        finally:
            os.sched_setaffinity(0, set(cores))
            writer.communicate("end\n", 20)


def main(words: list[str]) -> None:
    if words[:1] == ["write"]:
        write(Path(words[1]), int(words[2]))
        return
    print("lines  frames/s  lost  p50 ms  p99 ms  max ms  core")
    for lines in [int(word) for word in words] or [1, 16, 64]:
        load = measure(lines)
        rate = load.frames * lines / SECONDS
        print(
            f"{lines:5} {rate:9.0f} {load.lost:5} {load.at(0.5):7.1f} {load.at(0.99):7.1f} "
            f"{load.at(1.0):7.1f} {load.cpu_share:5.2f}"
        )


if __name__ == "__main__":
    main(sys.argv[1:])
