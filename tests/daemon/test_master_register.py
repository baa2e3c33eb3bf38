"""Masters and torque tools in the register: values of a check, due dates, uses."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.clock import rfc3339
from daemon.commands import carry_out
from daemon.messages import Command, Reply
from daemon.rule_watch import RuleWatch
from daemon.store import Stamp
from rules.instruments import Calibrated
from rules.lot_instruments import LotInstruments
from tests.daemon.bench_of_sweeps import AT_CHECK, CHECK, SweepBench

Make = Callable[..., Path]

FROM_REGISTER = "\n".join(
    line for line in CHECK.splitlines() if not line.startswith(("tir_um", "uncertainty_um"))
)
TODAY, YESTERDAY = "2026-11-24", "2026-11-23"
MANDREL = {"tir_um": 0.1, "uncertainty_um": 0.1}
ECCENTRIC = {"tir_um": 5.2, "uncertainty_um": 0.1}
TIGHTENED = ('pins = ["MP-10-1"]', 'pins = ["MP-10-1"]\ntorque_tool = "TT-1"')


def made(make: Make, check: str, *replacements: tuple[str, str]) -> SweepBench:
    return SweepBench(make((AT_CHECK, f"{check}\n{AT_CHECK}"), *replacements))


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[SweepBench]:
    """Return a bench whose masters' values stand in the register alone."""
    one = made(bench_folder, FROM_REGISTER, TIGHTENED)
    yield one
    one.close()


def ask(bench: SweepBench, command: str, **values: Any) -> Reply:
    body = {"id": uuid4().hex, "command": command, "role": "lead", **values}
    return carry_out(Command.model_validate_json(json.dumps(body)), bench.runner, bench.store)


def add(bench: SweepBench, name: str, kind: str | None = None, **more: Any) -> None:
    reply = ask(bench, "instrument-add", instrument={"id": name, "kind": kind, **more})
    assert reply.ok, reply.text


def register_all(bench: SweepBench, **due: str) -> None:
    """Enter what the bench measures with; ``EM_1="2026-11-23"`` is when it was due."""
    kinds: dict[str, tuple[str, dict[str, float]]] = {
        "IND-21": ("indicator", {}), "H-MED-1": ("holder", {}),
        "MP-10-1": ("pin", {"form_um": 0.3}), "TT-1": ("torque-tool", {}),
        "MM-1": ("mandrel", MANDREL), "EM-1": ("eccentric-master", ECCENTRIC),
    }  # fmt: skip
    for name, (kind, values) in kinds.items():
        add(bench, name, kind, certificate=f"C-{name}", due=due.get(name.replace("-", "_")),
            **values)  # fmt: skip


def open_lot(bench: SweepBench, **due: str) -> None:
    """Let the bench file's lot be opened, now that everything is in the register."""
    register_all(bench, **due)
    bench.restart()
    assert bench.runner.lot is not None
    bench.do(bench.tape.rest)


def check_anew(bench: SweepBench) -> None:
    """Make a check that is not due yet."""
    assert ask(bench, "master-check").ok
    bench.seat(0.3, 0.2)
    bench.sensitivity()


def listed(bench: SweepBench) -> dict[str, dict[str, Any]]:
    data = ask(bench, "instrument-list").data
    assert data is not None
    found: Any = data["instruments"]
    return {one["id"]: one for one in found}


def open_next(bench: SweepBench, **more: Any) -> Reply:
    return ask(
        bench, "lot-open", lot="W-2612-A", article="MR-10-MED", bins_empty=True, quantity=60,
        cells=60, holder="H-MED-1", pins=["MP-10-1"], torque_tool="TT-1", **more,
    )  # fmt: skip


# --- whose values a check has ----------------------------------------------------------------


def test_nothing_is_graded_before_the_register_has_the_masters_and_everybody_says_why(
    bench: SweepBench,
) -> None:
    where = f"{bench.config.source.path}: bench.0.check.master.0.tir_um: missing, and MM-1"
    assert bench.runner.lot is None
    assert where in bench.runner.alarms["instrument-unfit"]
    for refused in (ask(bench, "master-check"), open_next(bench)):
        assert (refused.ok, where in refused.text) == (False, True)


def test_where_no_check_can_be_made_the_prompt_calls_the_lead_and_so_does_the_foot(
    bench: SweepBench,
) -> None:
    open_lot(bench)
    add(bench, "EM-1", certificate="C-16", tir_um=20)
    shown = bench.runner.shown.signals
    assert (shown.word, shown.prompt, shown.waits_for) == ("master-check", "call", "lead")
    why = "bench.0.check.master.1: master EM-1: run-out 20.0 µm; accepted is"
    assert why in shown.reason
    assert why in ask(bench, "master-check").text
    bench.press_foot()
    assert bench.runner.fault is None
    assert bench.runner._state.check is None
    assert "help-called" in bench.runner.alarms


def test_the_values_of_a_check_are_those_of_the_register(bench: SweepBench) -> None:
    open_lot(bench)
    bench.check()
    rows = bench.rows("SELECT master, result, low_um, high_um FROM checks_um ORDER BY seq")
    assert rows == [("MM-1", "good", 0.001, 0.6), ("EM-1", "good", 4.9, 5.5)]
    told = bench.rows("SELECT body FROM events WHERE kind = 'master-check' ORDER BY seq")
    masters = [json.loads(str(body))["data"].get("master") for (body,) in told]
    named = {"id": "EM-1", "subject": "eccentric-master", "height_um": None}
    assert masters[-1] == named | ECCENTRIC


def test_a_new_certificate_counts_from_the_next_check_on_and_never_within_one(
    bench: SweepBench,
) -> None:
    open_lot(bench)
    bench.press_foot()
    bench.seat(0.3, 0.2)
    add(bench, "EM-1", certificate="C-13", tir_um=4.2, uncertainty_um=0.05)
    bench.sensitivity()
    assert bench.rows("SELECT result, high_um FROM checks_um ORDER BY seq")[-1] == ("good", 5.5)
    bench.clock.seconds += 1.5
    bench.tick()
    check_anew(bench)
    last = bench.rows("SELECT result, reason FROM checks_um ORDER BY seq")[-1]
    assert last[0] == "failed"
    assert "of the certificate's 4.2 µm; good is 3.85 to 4.55 µm" in str(last[1])


def test_a_certificate_that_another_bench_entered_is_taken_up_too(bench: SweepBench) -> None:
    register_all(bench)
    fact = Calibrated("EM-1", "C-14", None, "lead", tir_nm=4_000)
    at = Stamp(rfc3339(bench.clock.utc()), "yes", "boot-1", bench.clock.now_ns())
    bench.store.keep_instrument(fact, bench.runner.by, at)
    bench.clock.seconds += 1.5
    bench.tick()
    check = bench.runner.config.rules.check
    assert check is not None
    assert check.of("sensitivity").master.tir_nm == 4_000


def test_a_contradiction_is_told_by_file_and_key_in_check_alarm_and_refusals(
    bench_folder: Make,
) -> None:
    bench = made(bench_folder, CHECK, TIGHTENED)
    register_all(bench)  # EM-1 has 5.2 there, the file 5.1
    path = bench.config.source.path
    where = f"{path}: bench.0.check.master.1.tir_um: 5.1 µm, and the register has 5.2 µm"
    assert where in bench.runner.alarms["instrument-unfit"]
    assert where in ask(bench, "master-check").text
    told = CliRunner().invoke(app, ["check", str(path)])
    assert told.exit_code == 2
    assert f"{where} for EM-1 by certificate C-EM-1; accepted is the same" in told.output
    bench.restart()
    assert where in bench.runner.alarms["instrument-unfit"]  # and the service comes up
    add(bench, "EM-1", certificate="C-15", tir_um=5.1)
    assert bench.runner.alarms.keys() == {"check-due"}
    assert CliRunner().invoke(app, ["check", str(path)]).exit_code == 0
    bench.close()


def test_a_changed_rule_file_that_a_master_of_the_register_does_not_suit_is_not_taken(
    bench: SweepBench,
) -> None:
    """EM-1 is 5.2 µm: 0.8 to 1.5 times a tightest limit of 4 µm, not one of 7 µm."""
    open_lot(bench)
    path = bench.config.benches[0].rules_path
    first = path.read_text(encoding="utf-8")
    watch = RuleWatch(bench.config, "b1", lambda: bench.runner.config.register)

    def look() -> None:
        for _ in range(2):
            news = watch.look()
            if news is not None:
                bench.runner.take_rule_file(news)

    look()
    wide = first.replace("limit_um = 4.0", "limit_um = 7.0")
    path.write_text(wide.replace('revision = "7"', 'revision = "8"'), encoding="utf-8")
    look()
    fault = bench.runner.alarms["rule-file-fault"]
    assert "bench.0.check.master.1: master EM-1: run-out 5.2 µm; accepted is 5.6 to" in fault
    assert "revision '7'" in fault
    told = ask(bench, "lot-rules", revision="8", reason="agreed anew")
    assert (told.ok, "master EM-1" in told.text) == (False, True)
    assert "instrument-unfit" not in bench.runner.alarms
    add(bench, "EM-1", certificate="C-9", tir_um=8.0, uncertainty_um=0.1)
    look()
    assert "rule-file-fault" not in bench.runner.alarms
    assert ask(bench, "lot-rules", revision="8", reason="agreed anew").ok
    add(bench, "EM-1", certificate="C-10", tir_um=5.2, uncertainty_um=0.1)
    look()  # what is in force is not taken back: the master is what does not suit
    assert "rule-file-fault" not in bench.runner.alarms
    assert "master EM-1: run-out 5.2 µm" in bench.runner.alarms["instrument-unfit"]


def test_check_says_what_the_register_has_to_have_before_there_is_one(
    bench_folder: Make,
) -> None:
    path = bench_folder((AT_CHECK, f"{FROM_REGISTER}\n{AT_CHECK}"))
    told = CliRunner().invoke(app, ["check", str(path)])
    assert told.exit_code == 0, told.output
    assert "before the register of instruments has MM-1, EM-1" in told.output


# --- overdue ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "says"),
    [("EM_1", "eccentric-master EM-1"), ("MM_1", "mandrel MM-1"), ("TT_1", "torque-tool TT-1")],
)
def test_an_overdue_master_or_torque_tool_blocks_a_new_lot_and_warns_in_an_open_one(
    bench: SweepBench, name: str, says: str
) -> None:
    open_lot(bench)
    bench.check()
    add(bench, name.replace("_", "-"), due=YESTERDAY)
    late = f"{says}: calibration was due on {YESTERDAY}"
    assert late in bench.runner.alarms["instrument-unfit"]
    bench.piece(5.0)
    assert bench.rows("SELECT status FROM piece_status") == [("put-away",)]
    check_anew(bench)
    assert ask(bench, "lot-close", reason="done", unproved="not sold").ok
    refused = open_next(bench)
    assert (refused.ok, late in refused.text) == (False, True)
    add(bench, name.replace("_", "-"), certificate="C-20", due="2027-11-30")
    assert open_next(bench).ok


def test_once_one_is_registered_the_masters_have_to_be(bench_folder: Make) -> None:
    bench = made(bench_folder, CHECK)
    assert bench.runner.instruments.unregistered()[-2:] == ("MM-1", "EM-1")
    add(bench, "IND-21", "indicator")
    blocks = bench.runner.instruments.fitness(LotInstruments()).blocks
    assert blocks == ("MM-1 is not in the register", "EM-1 is not in the register")
    bench.close()


# --- uses ------------------------------------------------------------------------------------


def test_a_use_of_a_master_is_a_check_made_on_it_and_of_a_torque_tool_a_clamping(
    bench: SweepBench,
) -> None:
    open_lot(bench)
    bench.check()
    bench.piece(2.0, 2.0, 2.0)
    assert ask(bench, "master-check").ok
    assert ask(bench, "master-check-stop", reason="it rang").ok  # nothing was seated
    found = listed(bench)
    assert (found["EM-1"]["checks"], found["MM-1"]["checks"]) == (1, 1)
    assert (found["EM-1"]["clampings"], "checks" in found["TT-1"]) == (0, False)
    assert (found["TT-1"]["clampings"], found["IND-21"]["clampings"]) == (3, 3)
    told = CliRunner().invoke(
        app, ["instrument", "list", "--store", str(bench.config.store_path)]
    )
    assert "1 checks" in next(line for line in told.output.splitlines() if "EM-1" in line)


def test_which_pieces_rest_on_a_master_or_a_torque_tool_can_be_asked(bench: SweepBench) -> None:
    open_lot(bench)
    bench.check()
    bench.piece(5.0)
    check_anew(bench)
    bench.piece(5.0)
    for name in ("EM-1", "MM-1", "TT-1", "H-MED-1", "MP-10-1", "IND-21"):
        rows = bench.rows(f"SELECT piece FROM graded_with WHERE instrument = '{name}'")
        assert sorted(rows) == [(1,), (2,)], name
    (kept,) = bench.rows("SELECT torque_tool FROM lots")
    assert kept == ("TT-1",)
