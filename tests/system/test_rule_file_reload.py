"""A rule file edited under the running service: alarms over MQTT, and a command that tells."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench_at_work import BY_SPEED, RULES, bench_table, service, write_bench_file
from tests.mosquitto_process import running_mosquitto
from tests.system.service_process import ROOT

pytestmark = pytest.mark.system

NO_LINE = (
    '[[line]]\nid = "usb1"\nport = "not-there"\nbaud = 9600\nframing = "8N1"\n'
    'driver = "ascii-line"\noptions = { pattern = "{value}", unit = "mm", decimals = 4 }\n'
)


def told(path: Path, revision: str) -> "subprocess.CompletedProcess[str]":
    words = ["lot", "rules", revision, "--reason", "limit agreed anew", "--role", "lead"]
    return subprocess.run(
        [sys.executable, "-m", "daemon.cli", *words, "--config", str(path)],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip


def test_an_edit_is_seen_told_and_gone_by_without_a_restart(tmp_path: Path) -> None:
    with running_mosquitto() as broker:
        path = write_bench_file(
            tmp_path, broker.url, [NO_LINE, bench_table("b1", "usb1", BY_SPEED)]
        )
        rules = tmp_path / "rules.toml"
        with service(path, broker.port) as at_work:
            at_work.until(lambda: at_work.state_is_told, "it is up")
            rules.write_text(RULES.replace("limit_um = 4.0", 'limit_um = "four"'))
            at_work.until(lambda: "rule-file-fault" in at_work.alarms("b1"), "fault told")
            assert "rules.toml: grade.0.limit_um: " in at_work.alarms("b1")["rule-file-fault"]
            refused = told(path, "1")
            assert refused.returncode != 0
            assert "grade.0.limit_um" in refused.stdout + refused.stderr
            rules.write_text(RULES.replace('revision = "1"', 'revision = "2"'))
            at_work.until(lambda: "rules-differ" in at_work.alarms("b1"), "difference told")
            assert "rule-file-fault" not in at_work.alarms("b1")
            assert told(path, "2").returncode == 0
            at_work.until(lambda: "rules-differ" not in at_work.alarms("b1"), "settled")
            rows = at_work.rows("SELECT before_revision, revision, role FROM lot_rules")
            assert rows == [("1", "2", "lead")]
            assert at_work.stop() == 0
