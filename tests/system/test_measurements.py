"""Figures of the service at work and idle, as commands: ``pytest -m long -s`` prints them.

The bounds are far above what was measured: they catch a mishap, the printed figures count.
"""

import os
import statistics
import time
from pathlib import Path

import pytest

from tests.mosquitto_process import running_mosquitto
from tests.system.deadline import until
from tests.system.line_player import percentile, playing, waited_ms
from tests.system.mqtt_listener import MQTT_5, listening
from tests.system.record_reader import count
from tests.system.service_process import ServiceProcess, running_service
from tests.system.shop import bench_file

pytestmark = [pytest.mark.system, pytest.mark.long]

VERDICTS = 200
SPEED = 20.0
"""400 readings a second on the line: twenty benches' worth."""

REMOVAL = ("[bench.lot]", '[bench.put_away]\nby = ["removal"]\n\n[bench.lot]')
ORDER = ('{ "grade-1" = 36 }', '{ "grade-1" = 1000 }')
LOT = ("quantity = 120", "quantity = 1000")
CELLS = ("cells = 120", "cells = 1000")


def sync_ms(folder: Path) -> float:
    """Return what a write of 4 KiB made durable costs on this disk now, the median of 100."""
    found = []
    with (folder / "sync").open("wb", buffering=0) as file:
        for _ in range(100):
            begun = time.perf_counter()
            file.write(bytes(4096))
            os.fdatasync(file.fileno())
            found.append(1000 * (time.perf_counter() - begun))
    return statistics.median(found)


def test_latency_from_the_last_byte_to_the_verdict_at_a_subscriber(tmp_path: Path) -> None:
    with running_mosquitto() as broker, listening(broker.port, *MQTT_5) as listener:
        path = bench_file(tmp_path, broker.url, ("b1",), REMOVAL, ORDER, LOT, CELLS)
        (tmp_path / "b1").mkdir()
        with (
            playing(tmp_path / "b1" / "indicator", SPEED, 1000) as left_ns,
            running_service(path, SPEED) as service,
        ):
            store = tmp_path / "millrace.db"
            before_ms = sync_ms(tmp_path)
            graded = "SELECT count(*) FROM verdicts"
            until(lambda: count(store, graded) > VERDICTS, "verdicts", 1500)
            assert service.stop() == 0
            heard = [m for m in listener.heard() if m.topic == "b1/event/verdict"]
            written = list(left_ns)
    print(f"fdatasync of 4 KiB: {before_ms:.2f} ms before, {sync_ms(tmp_path):.2f} ms after")
    found_ms = [waited_ms(written, message.at_s) for message in heard]
    print(
        f"last byte → verdict at the subscriber, {len(found_ms)} verdicts:"
        f" median {statistics.median(found_ms):.2f} ms, p99 {percentile(found_ms, 99):.2f} ms,"
        f" largest {max(found_ms):.2f} ms"
    )
    assert len(found_ms) >= VERDICTS
    assert statistics.median(found_ms) < 50


def idle_figures(service: ServiceProcess, seconds: float) -> tuple[float, float]:
    before_s, since_s = service.cpu_s(), time.monotonic()
    until(lambda: time.monotonic() - since_s > seconds, "idle time", seconds + 10)
    share = (service.cpu_s() - before_s) / (time.monotonic() - since_s)
    return 100 * share, service.resident_mb()


@pytest.mark.parametrize("is_open", [True, False], ids=["streaming", "no line open"])
def test_processor_and_memory_of_the_idle_service(tmp_path: Path, is_open: bool) -> None:
    with running_mosquitto() as broker, listening(broker.port, *MQTT_5) as listener:
        path = bench_file(tmp_path, broker.url, ("b1",), REMOVAL)
        (tmp_path / "b1").mkdir()
        link = tmp_path / "b1" / ("indicator" if is_open else "elsewhere")
        with playing(link, 1, 0), running_service(path) as service:
            listener.wait_for_message("b1/state", lambda m: True)
            wanted = "loosen" if is_open else "blocked"
            listener.wait_for_message("b1/state", lambda m: m.json["state"] == wanted)
            until(lambda: service.cpu_s() > 0, "a running service")
            idle_figures(service, 15)  # what a start costs afterwards is no idleness
            percent, resident_mb = idle_figures(service, 60)
            print(f"idle: {percent:.2f} % of a processor, {resident_mb:.1f} MB resident")
            assert service.stop() == 0
    assert percent < 20
    assert resident_mb < 300


def test_time_from_start_to_online(tmp_path: Path) -> None:
    found_ms = []
    with running_mosquitto() as broker, listening(broker.port, *MQTT_5) as listener:
        path = bench_file(tmp_path, broker.url, ("b1", "b2"))
        for _ in range(12):
            after, started_s = listener.count, time.time()
            with running_service(path) as service:
                online = listener.wait_for_message(
                    "b2/link", lambda m: m.text == "online", after
                )
                found_ms.append(1000 * (online.at_s - started_s))
                assert service.stop() == 0
    print(
        f"start → online: first (new store) {found_ms[0]:.0f} ms, then median"
        f" {statistics.median(found_ms[1:]):.0f} ms, largest {max(found_ms[1:]):.0f} ms"
    )
    assert statistics.median(found_ms) < 5000
