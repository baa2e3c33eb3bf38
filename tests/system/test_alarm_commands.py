"""Alarms from the command line to a running service, and over its restart.

The bench's line has no port here: its indicator is lost, and that is the alarm.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from daemon.cli import app
from tests.daemon.bench_of_values import value_bench
from tests.mosquitto_process import running_mosquitto
from tests.system.mqtt_listener import listening
from tests.system.service_process import running_service

pytestmark = pytest.mark.system

CODE = "indicator-lost"


def alarm(bench_file: Path, *words: str) -> Result:
    where = ["--config", str(bench_file), "--bench", "b1"]
    return CliRunner().invoke(app, ["alarm", *words, *where])


def listed(bench_file: Path) -> dict[str, Any]:
    done = alarm(bench_file, "list", "--json", "--all")
    assert done.exit_code == 0, done.stderr
    found = json.loads(done.stdout)
    data: dict[str, Any] = found.get("data", found)
    return data


def test_an_alarm_is_acknowledged_shelved_and_kept_so_over_a_restart(
    bench_folder: Callable[..., Path],
) -> None:
    with running_mosquitto() as broker, listening(broker.port) as listener:
        bench = value_bench(bench_folder, ("mqtt://127.0.0.1:1883", broker.url))
        bench.close()
        path = bench.config.source.path

        def told(state: str) -> dict[str, Any]:
            heard = listener.wait_for_message(
                f"b1/alarm/{CODE}", lambda m: bool(m.text) and m.json["state"] == state
            )
            found: dict[str, Any] = heard.json
            return found

        with running_service(path) as service:
            assert told("raised")["waits_for"] == "operator"
            assert alarm(path, "ack", CODE, "--role", "lead").exit_code == 0
            assert told("acknowledged")["role"] == "lead"
            again = alarm(path, "ack", CODE, "--role", "operator")
            assert again.exit_code != 0
            assert "acknowledged by lead" in again.stderr
            unknown = alarm(path, "ack", "no-such-alarm", "--role", "lead")
            assert "accepted are" in unknown.stderr
            why = ("--role", "lead", "--reason", "cable is ordered", "--for-min", "60")
            assert alarm(path, "shelve", CODE, *why).exit_code == 0
            until = told("shelved")["until"]
            assert service.stop() == 0
        after = listener.count
        with running_service(path) as service:
            listener.wait_for_message(
                f"b1/alarm/{CODE}", lambda m: bool(m.text) and m.json["stands"], after
            )
            data = listed(path)
            (shown,) = [one for one in data["alarms"] if one["code"] == CODE]
            assert (shown["state"], shown["reason"], shown["until"]) == (
                "shelved", "cable is ordered", until,
            )  # fmt: skip
            journal = [one["state"] for one in data["journal"] if one["code"] == CODE]
            assert journal[::-1][:3] == ["raised", "acknowledged", "shelved"]
            text = alarm(path, "list").stdout
            assert f"shelved until {until}" in text
            assert service.stop() == 0
