"""`reclamp watch` before a real broker: what stands in the terminal, also without it."""

import json
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.bench_publisher import publishing
from tests.board_hall import clamp
from tests.mosquitto_process import running_mosquitto

pytestmark = pytest.mark.system

COMMAND = [sys.executable, "-m", "daemon.cli", "watch", "--once", "--broker"]
WAIT_S = 20.0


def watch(port: int, *options: str) -> str:
    done = subprocess.run(
        [*COMMAND, f"mqtt://127.0.0.1:{port}", *options],
        capture_output=True, text=True, timeout=WAIT_S, env={"COLUMNS": "100", "TZ": "UTC"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_it_tells_a_bench_for_people_and_for_programs_and_a_broker_that_is_gone() -> None:
    with running_mosquitto() as broker, publishing(broker.port, "b1", "North bench") as bench:
        clamp(bench)
        with ThreadPoolExecutor() as both:
            told = both.submit(watch, broker.port)
            for_programs = both.submit(watch, broker.port, "--json")
        assert "North bench" in told.result()
        assert "16 of 36 grade 1" in told.result()
        found = json.loads(for_programs.result())
        assert found["b1"]["state"]["state"] == "clamping"
        assert found["b1"]["lot"]["measured"] == 31
        broker.stop()
        assert f"NO BROKER at 127.0.0.1:{broker.port}" in watch(broker.port)
