"""Last byte → lamp, beside a plain script: ``pytest -m long -s`` on this file prints it.

Five runs of each in turn, with the same frames on lines of the same pace, mosquitto and a
subscriber of its own each time. A lamp counts when it goes on, from the moment just before the
last frame of the sweep is written.
"""

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from statistics import median

import pytest

from tests.mosquitto_process import running_mosquitto
from tests.system.line_player import percentile, playing, waited_ms
from tests.system.mqtt_listener import MQTT_5, MqttListener, listening
from tests.system.service_process import ROOT, running_service
from tests.system.shop import bench_file
from tests.system.test_measurements import CELLS, LOT, ORDER, REMOVAL

pytestmark = [pytest.mark.system, pytest.mark.long]

RUNS, VERDICTS, SPEED, WITHIN_S = 5, 20, 20.0, 300.0


@contextmanager
def ours(folder: Path, broker_url: str, port: int) -> Iterator[None]:
    path = bench_file(folder, broker_url, ("b1",), REMOVAL, ORDER, LOT, CELLS)
    with running_service(path, SPEED):
        yield


@contextmanager
def plain(folder: Path, broker_url: str, port: int) -> Iterator[None]:
    words = [str(folder / "b1" / "indicator"), str(port), str(folder / "plain.db")]
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.plain_script", *words],
        cwd=ROOT, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    try:
        yield
        assert process.poll() is None
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


Runner = Callable[[Path, str, int], AbstractContextManager[None]]


def lit_at_s(listener: MqttListener) -> list[float]:
    """Return when lamps went on: not when they were told so again."""
    lit: set[str] = set()
    found = []
    for message in listener.heard():
        if not message.topic.startswith("b1/lamp/"):
            continue
        if message.text == "on" and message.topic not in lit:
            lit.add(message.topic)
            found.append(message.at_s)
        elif message.text == "off":
            lit.discard(message.topic)
    return found


def run(runner: Runner, folder: Path) -> list[float]:
    """Return the latencies of one run in milliseconds."""
    (folder / "b1").mkdir(parents=True)
    with (
        running_mosquitto() as broker,
        listening(broker.port, *MQTT_5) as listener,
        playing(folder / "b1" / "indicator", SPEED, 1000) as left_ns,
        runner(folder, broker.url, broker.port),
    ):
        deadline = time.monotonic() + WITHIN_S
        while len(lit_at_s(listener)) < VERDICTS:
            assert time.monotonic() < deadline, f"{len(lit_at_s(listener))} lamps"
            time.sleep(0.5)
        return [waited_ms(left_ns, at_s) for at_s in lit_at_s(listener)]


def told(name: str, runs: list[list[float]]) -> str:
    medians = ", ".join(f"{median(one):.2f}" for one in runs)
    worst = ", ".join(f"{percentile(one, 99):.2f}" for one in runs)
    every = [each for one in runs for each in one]
    return (
        f"{name:6} {len(every)} lamps: median {median(every):.2f} ms (runs {medians}),"
        f" p99 {percentile(every, 99):.2f} ms (runs {worst})"
    )


def test_a_lamp_is_lit_as_soon_as_a_plain_script_lights_it(tmp_path: Path) -> None:
    """To within the scatter of runs, at the median and at the largest of each run."""
    ours_ms, plain_ms = list[list[float]](), list[list[float]]()
    for number in range(RUNS):
        plain_ms.append(run(plain, tmp_path / f"plain-{number}"))
        ours_ms.append(run(ours, tmp_path / f"ours-{number}"))
        print(f"\n{told('plain', plain_ms)}\n{told('ours', ours_ms)}", flush=True)
    for of in (median, max):
        assert min(of(one) for one in ours_ms) <= max(of(one) for one in plain_ms)
