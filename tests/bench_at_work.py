"""The real service on real lines: processes of `reclamp run` and `reclamp simulate`.

with simulated_line("usb1", "modbus-rtu", "--port", "rfc2217:0") as line:
    ... line.table ... line.tell("unplug")
with service(bench_file, broker.port) as at_work:
    ... at_work.until(lambda: at_work.state("b1"), "it speaks")
"""

import json
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from queue import Queue
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

__all__ = ["AtWork", "SimulatedLine", "service", "simulated_line"]

WAIT_S = 30.0


class SimulatedLine:
    """One ``reclamp simulate`` process; its line can be opened when the context begins.

    Attributes:
        table: The ``[[line]]`` table it printed, with its id replaced.
        url: What the service opens.
    """

    def __init__(self, line_id: str, *words: str) -> None:
        command = [sys.executable, "-m", "daemon.cli", "simulate", *words]
        self._process = subprocess.Popen(
            [*command, "--json", "--control"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        self._said: Queue[dict[str, Any]] = Queue()
        self._reader = threading.Thread(target=self._collect, daemon=True)
        self._reader.start()
        ready = self.said()
        self.url = str(ready["port"])
        self.table = str(ready["line"]).replace('id = "simulated"', f'id = "{line_id}"')

    def said(self) -> dict[str, Any]:
        """Return the next object from its standard output."""
        return self._said.get(timeout=WAIT_S)

    def tell(self, word: str) -> None:
        """Say a control word."""
        assert self._process.stdin is not None
        self._process.stdin.write(word + "\n")
        self._process.stdin.flush()

    def end(self) -> dict[str, Any]:
        """End it in order; return its summary."""
        self.tell("stop")
        summary = self.said()
        assert self._process.wait(WAIT_S) == 0
        return summary

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._reader.join()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()

    def _collect(self) -> None:
        assert self._process.stdout is not None
        for text in self._process.stdout:
            self._said.put(json.loads(text))


@contextmanager
def simulated_line(line_id: str, *words: str) -> Iterator[SimulatedLine]:
    """Run a simulated line for the length of the context."""
    line = SimulatedLine(line_id, *words)
    try:
        yield line
    finally:
        line.close()


class AtWork:
    """One ``reclamp run`` process, and what it publishes.

    Attributes:
        store: Its record.
        log: What it says on standard error.
    """

    def __init__(self, bench_file: Path, mqtt_port: int, speed: float, *words: str) -> None:
        self.store = bench_file.with_name("bench.db")
        self.log = bench_file.with_name("service.log")
        self._topics: dict[str, bytes] = {}
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._heard
        self._client.on_connect = lambda client, *_: client.subscribe("reclamp/#")
        self._client.connect("127.0.0.1", mqtt_port)
        self._client.loop_start()
        with self.log.open("w") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "daemon.cli", "run", str(bench_file), *words,
                 "--speed", str(speed)],
                stderr=log,
            )  # fmt: skip

    def state(self, bench: str) -> dict[str, Any]:
        """Return the bench's state as published last; empty before the first."""
        found: dict[str, Any] = json.loads(self._topics.get(f"reclamp/{bench}/state", b"{}"))
        return found

    @property
    def state_is_told(self) -> bool:
        """Return whether any bench has said how it stands: the record is made by then."""
        return any(topic.endswith("/state") for topic in list(self._topics))

    def alarms(self, bench: str) -> dict[str, str]:
        """Return the texts of the alarms that stand, by code."""
        start = f"reclamp/{bench}/alarm/"
        return {
            topic.removeprefix(start): str(json.loads(payload)["text"])
            for topic, payload in list(self._topics.items())
            if topic.startswith(start) and payload
        }

    def until(self, holds: Callable[[], object], why: str, wait_s: float = WAIT_S) -> None:
        """Wait until something holds.

        Raises:
            AssertionError: If it does not in time, with the service's own log.
        """
        deadline = time.monotonic() + wait_s
        while not holds():
            ended = self._process.poll()
            assert ended is None, f"the service ended with {ended}: {self.log.read_text()}"
            in_time = time.monotonic() < deadline
            assert in_time, f"{why}; {dict(self._topics)}; {self.log.read_text()}"
            time.sleep(0.05)

    def rows(self, query: str, *values: object) -> list[tuple[Any, ...]]:
        """Return rows of its record, read beside it; none while it is still being made."""
        if not self.state_is_told:
            return []
        with closing(sqlite3.connect(f"file:{self.store}?mode=ro", uri=True, timeout=10)) as db:
            return db.execute(query, values).fetchall()

    def stop(self) -> int:
        """End it in order; return its exit code."""
        self._process.send_signal(signal.SIGTERM)
        return self._process.wait(WAIT_S)

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._client.disconnect()
        self._client.loop_stop()

    def _heard(self, client: mqtt.Client, data: object, message: mqtt.MQTTMessage) -> None:
        self._topics[message.topic] = bytes(message.payload)


@contextmanager
def service(
    bench_file: Path, mqtt_port: int, *words: str, speed: float = 1.0
) -> Iterator[AtWork]:
    """Run the service for the length of the context."""
    at_work = AtWork(bench_file, mqtt_port, speed, *words)
    try:
        yield at_work
    finally:
        at_work.close()


RULES = """\
revision = "1"
[cycle]
clampings = 3
[[grade]]
id = "grade-1"
limit_um = 4.0
guard_um = 0.8
clampings = 3
bin = "1"
[[grade]]
id = "grade-2"
limit_um = 12.0
clampings = 1
bin = "2"
[nonconforming]
bin = "N"
[hold]
bin = "H"
"""

BY_INDEX = 'mode = "sweep"\nturning = "driven"\nproof = "index"\n'
BY_SPEED = 'mode = "sweep"\nturning = "driven"\nproof = "speed"\nturn_s = 2.4\n'


def bench_table(bench: str, line: str, capture: str, more: str = "") -> str:
    """Return the tables of one bench with one indicator."""
    bins = "".join(
        f'[[bench.bin]]\nid = "{name}"\nshape = "{shape}"\n'
        for name, shape in zip("12HN", ("ring", "square", "pentagon", "bar"), strict=True)
    )
    return (
        f'[[bench]]\nid = "{bench}"\nrules = "rules.toml"\n{more}'
        f'[[bench.indicator]]\nid = "I-{bench}"\nline = "{line}"\nstep_um = 0.1\n'
        f"window_um = [-400, 400]\n[bench.capture]\n{capture}{bins}"
        f'[bench.lot]\ncode = "L-{bench}"\narticle = "MR-10-MED"\nquantity = 120\n'
        'order = { "grade-1" = 36 }\n'
    )


def write_bench_file(folder: Path, mqtt_url: str, tables: Sequence[str]) -> Path:
    """Write a bench file and its rule file; return its path."""
    (folder / "rules.toml").write_text(RULES)
    path = folder / "bench.toml"
    head = (
        f'[site]\nname = "millrace"\n[store]\npath = "bench.db"\n[mqtt]\nurl = "{mqtt_url}"\n'
    )
    path.write_text(head + "\n".join(tables))
    return path
