"""What the torque tool was set to: said at a lot's opening, and on the record of each piece."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.bench_warnings import warnings_of
from daemon.cli import app
from daemon.commands import carry_out
from daemon.config import load
from daemon.errors import ConfigError
from daemon.messages import Command, Reply
from daemon.rule_watch import RuleWatch
from tests.daemon.bench_of_values import SINGLE_VALUES, ValueBench, value_bench

Make = Callable[..., Path]

SAID = ('pins = ["MP-10-1"]', 'pins = ["MP-10-1"]\ntorque_tool = "TT-1"\ntorque_nmm = 40000')
"""Of the lot in the bench file."""


def asks_for(folder: Path, nmm: int, revision: str = "7") -> None:
    """Let the rule file ask for a torque."""
    path = folder / "mr-10-med.rules.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(("torque_nmm", "revision"))]
    head = [f'revision = "{revision}"', f"torque_nmm = {nmm}"]
    path.write_text("\n".join([*head, *kept, ""]), encoding="utf-8")


def asked_bench(make: Make) -> ValueBench:
    path = make(SINGLE_VALUES, SAID)
    asks_for(path.parent, 40_000)
    return ValueBench(load(path))


def ask(bench: ValueBench, command: str, **values: object) -> Reply:
    number = bench.rows("SELECT count(*) FROM inbound")[0][0]
    body = {"id": f"c{number}-{bench.clock.seconds}", "command": command, "role": "lead"}
    bench.clock.seconds += 1
    return carry_out(Command.model_validate({**body, **values}), bench.runner, bench.store)


def cli(*words: str) -> str:
    done = CliRunner().invoke(app, list(words))
    assert done.exit_code in (0, 1), done.output
    return done.output


def test_the_setting_stands_on_the_record_of_the_lot_and_of_each_piece(
    bench_folder: Make, tmp_path: Path
) -> None:
    bench = asked_bench(bench_folder)
    bench.values("5.0")
    shown = ask(bench, "piece-show", piece=1)
    assert shown.data is not None
    assert (shown.data["torque_tool"], shown.data["torque_nmm"]) == ("TT-1", 40_000)
    (body,) = bench.rows("SELECT body FROM events WHERE kind = 'lot' ORDER BY seq")[0]
    opened = json.loads(str(body))["data"]
    assert (opened["torque_tool"], opened["torque_nmm"]) == ("TT-1", 40_000)
    store = str(bench.config.store_path)
    bench.close()
    told = "tightened at 40 N·m, torque tool TT-1"
    assert told in cli("piece", "show", "1", "--store", store)
    assert json.loads(cli("piece", "show", "1", "--store", store, "--json"))["torque_nmm"] == (
        40_000
    )
    assert told in cli("lot", "report", "--store", store)
    assert json.loads(cli("lot", "report", "--store", store, "--json"))["torque_nmm"] == 40_000
    target = tmp_path / "lot.jsonl"
    cli("store", "export", str(target), "--store", store)
    rows = [json.loads(row) for row in target.read_text(encoding="utf-8").splitlines()]
    (lot,) = [row for row in rows if row.get("torque_tool")]
    assert lot["torque_nmm"] == 40_000


def test_a_lot_is_opened_only_at_the_torque_the_rule_file_asks_for(bench_folder: Make) -> None:
    bench = asked_bench(bench_folder)
    done = {"reason": "done", "counted": 120, "unproved": "not sold"}
    assert ask(bench, "lot-close", **done).ok
    lot = {"article": "MR-10-MED", "quantity": 60, "cells": 60, "bins_empty": True}
    refused = ask(bench, "lot-open", lot="W-2", torque_nmm=35_000, **lot)
    assert (refused.ok, "set to 35 N·m; accepted is" in refused.text) == (False, True)
    told = ask(bench, "lot-open", lot="W-2", **lot)
    assert told.ok
    assert "nobody said that the torque tool is set to 40 N·m" in told.text
    assert "torque" not in bench.runner.alarms.get("instrument-unfit", "")
    assert bench.rows("SELECT code, torque_nmm FROM lots ORDER BY id") == [
        ("W-2611-A", 40_000), ("W-2", None),
    ]  # fmt: skip
    bench.close()


def test_an_open_lot_is_not_told_to_go_by_rules_with_another_torque(
    bench_folder: Make,
) -> None:
    bench = value_bench(bench_folder, SAID)
    folder = bench.config.source.path.parent
    watch = RuleWatch(bench.config, "b1")
    watch.look()
    for nmm, revision, is_taken in ((45_000, "8", False), (40_000, "9", True)):
        asks_for(folder, nmm, revision)
        for news in (watch.look(), watch.look()):
            if news is not None:
                bench.runner.take_rule_file(news)
        told = ask(bench, "lot-rules", revision=revision, reason="agreed anew")
        assert told.ok == is_taken, told.text
        assert is_taken or "accepted is what the rule file asks for, 45 N·m" in told.text
    bench.close()


def test_check_names_a_lot_set_otherwise_and_warns_of_one_that_does_not_say(
    bench_folder: Make,
) -> None:
    path = bench_folder(SAID)
    asks_for(path.parent, 45_000)
    with pytest.raises(ConfigError) as caught:
        load(path)
    assert "bench.0.lot.torque_nmm: the torque tool is set to 40 N·m" in str(caught.value)
    silent = bench_folder(name="silent.toml")
    asks_for(silent.parent, 45_000)
    warned = [text for text in warnings_of(load(silent)) if "torque" in text]
    assert warned == [
        "bench b1: nobody said that the torque tool is set to 45 N·m (torque_nmm)"
    ]
