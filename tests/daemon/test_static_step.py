"""A static step at the real bench: asked for by its file, prompted, recorded, told of."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.config import load
from daemon.errors import ConfigError
from rules.capture_model import Seen
from rules.reading import Reading
from tests.daemon.bench_of_sweeps import AT_CHECK, CHECK, SweepBench
from tests.daemon.bench_of_values import SINGLE_VALUES
from tests.daemon.test_bench_checks import ask, checks, statuses
from tests.daemon.test_master_register import add, listed

Make = Callable[..., Path]

BLOCK = """[[bench.check.master]]
id = "GB-1"
subject = "gauge-block"
height_um = 50
uncertainty_um = 0.1

"""
TOP = (2.0, 2.0, 2.0)
ECCENTRIC = CHECK[CHECK.index('[[bench.check.master]]\nid = "EM-1"') :]


def bench_with(make: Make, *changes: tuple[str, str]) -> SweepBench:
    check = CHECK + BLOCK
    for old, new in changes:
        assert old in check
        check = check.replace(old, new)
    return SweepBench(make((AT_CHECK, check + AT_CHECK)))


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[SweepBench]:
    made = bench_with(bench_folder)
    yield made
    made.close()


def lie(bench: SweepBench, value_um: float) -> None:
    """Let the stylus lie on a face for a second and a half: 20 readings a second."""
    tape = bench.tape
    for _ in range(30):
        tape.now_ns += 50_000_000
        bench.clock.seconds = (tape.now_ns - 10**12) / 10**9
        bench.handle(Seen("IND-21", Reading(round(value_um * 1000)), tape.now_ns))
    tape._due_ns = float(tape.now_ns)


def faces(bench: SweepBench, *values_um: float) -> None:
    """Set the stylus on each face and press the foot switch."""
    for value_um in values_um:
        lie(bench, value_um)
        bench.do(lambda: bench.tape.edge("foot"))
        bench.tape.now_ns += 300_000_000
        bench.do(lambda: bench.tape.edge("foot", is_on=False))
        lie(bench, value_um)


def check_with_step(bench: SweepBench, *values_um: float) -> None:
    assert ask(bench, "master-check").ok
    bench.seat(0.3, 0.2)
    bench.sensitivity()
    faces(bench, *values_um)


def events(bench: SweepBench, what: str) -> list[dict[str, Any]]:
    rows = bench.rows("SELECT body FROM events WHERE kind = 'master-check' ORDER BY seq")
    data = [json.loads(str(body))["data"] for (body,) in rows]
    return [one for one in data if one.get("what") == what]


def test_the_bench_asks_for_it_after_the_other_two_and_grades_only_then(
    bench: SweepBench,
) -> None:
    bench.press_foot()
    bench.seat(0.3, 0.2)
    bench.sensitivity()
    shown = bench.runner.shown.signals
    assert (shown.word, shown.prompt) == ("master-check", "check")
    assert "the spindle stands; set the stylus beside gauge block GB-1" in shown.text
    bench.clamp(2.0)  # a turning pin is no face
    assert bench.rows("SELECT count(*) FROM clampings") == [(0,)]
    faces(bench, -25, 25)
    assert checks(bench)[-1] == ("static-step", "good")
    bench.piece(*TOP)
    (said,) = bench.rows("SELECT checks_asked, span FROM piece_spans")
    assert said == ("run-out sensitivity static-step", "open")


def test_record_event_and_status_have_it(bench: SweepBench) -> None:
    check_with_step(bench, -25, 25.1)
    row = bench.rows(
        "SELECT master, reading_um, low_um, high_um, zero_um FROM checks_um"
        " WHERE kind = 'static-step'"
    )
    assert row == [("GB-1", 50.1, 49.7, 50.3, None)]
    (figures,) = bench.rows("SELECT figures FROM checks WHERE kind = 'static-step'")[0]
    assert json.loads(str(figures))[0]["certificate_nm"] == 50_000
    told = events(bench, "checked")[-1]
    assert told["master"] == {
        "id": "GB-1", "subject": "gauge-block", "tir_um": 0.0, "uncertainty_um": 0.1,
        "height_um": 50.0,
    }  # fmt: skip
    assert [set(seat[0]["um"]) for seat in told["seats"]] == [{-25.0}, {25.1}]
    status = ask(bench, "master-status").data
    assert status["asked"] == ["run-out", "sensitivity", "static-step"]
    last = status["checks"][0]
    assert (last["kind"], last["result"], last["reading_um"]) == ("static-step", "good", 50.1)
    seats = bench.rows(
        "SELECT count(*) FROM check_seats s JOIN checks k ON k.id = s.of_check"
        " WHERE k.kind = 'static-step'"
    )
    assert seats == [(2,)]


def test_the_status_says_which_face_is_awaited(bench: SweepBench) -> None:
    check_with_step(bench, -25)
    status = ask(bench, "master-status")
    assert "a static-step check is being made, seat 2" in status.text


def test_a_failed_step_takes_the_span_back_though_all_else_was_good(bench: SweepBench) -> None:
    check_with_step(bench, -25, 25)
    bench.piece(*TOP)
    check_with_step(bench, -12.5, 12.5)
    assert checks(bench)[-1] == ("static-step", "failed")
    assert statuses(bench) == ["hold"]
    assert set(bench.runner.alarms) >= {"check-failed"}
    assert "50 % of the certificate's 50.0 µm" in events(bench, "span-held")[0]["reason"]


def test_without_the_step_the_span_stays_open_and_a_restart_asks_for_all_anew(
    bench: SweepBench,
) -> None:
    check_with_step(bench, -25)
    assert ask(bench, "master-check-stop", reason="no block at hand").ok
    assert checks(bench)[-1] == ("static-step", "invalid")
    assert bench.word == "master-check"
    assert ask(bench, "master-check").ok
    assert "beside gauge block GB-1" in bench.runner.shown.signals.text  # the rest is good
    bench.restart()
    bench.do(bench.tape.rest)
    assert ask(bench, "master-check").ok
    assert "mandrel MM-1" in bench.runner.shown.signals.text


def test_readings_of_a_face_do_not_show_one_by_one(bench: SweepBench) -> None:
    check_with_step(bench)
    shown: list[str] = []
    bench.runner.on_change = lambda: shown.append(bench.runner.shown.signals.text)
    faces(bench, -25)
    assert [text.split(":")[0] for text in shown] == ["Hands off", "Static step"]


# --- the file and the register ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (ECCENTRIC, "", "bench.0.check.master: a static step alone shows neither averaging nor"
         " play; accepted is a gauge block beside an eccentric master, never instead of it"),
        ("height_um = 50", "tir_um = 50", "bench.0.check.master.2.tir_um: a gauge block has"),
        ("height_um = 50", "height_um = 1", "bench.0.check.master.2: master GB-1: height 1.0"),
        ("height_um = 50", "height_um = 800", "less than the 800.0 µm that a window is wide"),
        ("height_um = 50", "height_um = 0", "bench.0.check.master.2.height_um: got 0"),
        ("tir_um = 5.1", "tir_um = 5.1\nheight_um = 5", "bench.0.check.master.1.height_um"),
        ('"GB-1"', '"GB-1"\nunknown = 1', "bench.0.check.master.2.unknown: unknown key"),
    ],
)  # fmt: skip
def test_a_file_that_asks_for_it_wrongly_is_refused_by_its_key(
    bench_folder: Make, old: str, new: str, fault: str
) -> None:
    check = CHECK + BLOCK
    assert old in check
    path = bench_folder((AT_CHECK, check.replace(old, new) + AT_CHECK))
    with pytest.raises(ConfigError) as refused:
        load(path)
    assert any(fault in line for line in refused.value.faults), refused.value.faults


def test_a_height_may_stand_in_the_register_alone(bench_folder: Make) -> None:
    bench = bench_with(bench_folder, ("height_um = 50\nuncertainty_um = 0.1\n", ""))
    missing = "bench.0.check.master.2.height_um: missing, and GB-1 is in no register"
    assert missing in ask(bench, "master-check").text
    short: dict[str, Any] = {"id": "GB-1", "kind": "gauge-block", "tir_um": 50}
    assert "its height and U are needed" in ask(bench, "instrument-add", instrument=short).text
    add(bench, "GB-1", "gauge-block", certificate="C-1", height_um=49.98, uncertainty_um=0.05)
    check_with_step(bench, -25, 24.98)
    assert checks(bench)[-1] == ("static-step", "good")
    found = listed(bench)["GB-1"]
    assert (found["height_um"], found["checks"]) == (49.98, 1)
    told = CliRunner().invoke(
        app, ["instrument", "list", "--store", str(bench.config.store_path)]
    )
    assert "height 49.98 µm, uncertainty 0.05 µm" in told.output
    (kept,) = bench.rows("SELECT height_um FROM instruments_now WHERE instrument = 'GB-1'")
    assert kept == (49.98,)
    bench.close()


def test_a_height_that_contradicts_the_register_is_told_by_its_key(bench: SweepBench) -> None:
    add(bench, "GB-1", "gauge-block", certificate="C-1", height_um=49.98, uncertainty_um=0.1)
    where = "bench.0.check.master.2.height_um: 50.0 µm, and the register has 49.98 µm"
    assert where in bench.runner.alarms["instrument-unfit"]
    assert where in ask(bench, "master-check").text


def test_a_bench_of_finished_values_can_not_be_asked_for_it(bench_folder: Make) -> None:
    check = (CHECK + BLOCK).replace("zero_drift_um = 2\n", "")
    path = bench_folder((AT_CHECK, check + AT_CHECK), SINGLE_VALUES)
    with pytest.raises(ConfigError) as refused:
        load(path)
    (fault,) = refused.value.faults
    assert "bench.0.check.master.2: finished values say nothing at standstill" in fault


def test_a_face_that_is_not_said_in_time_gives_the_check_up(bench: SweepBench) -> None:
    check_with_step(bench, 0.0)
    bench.do(bench.tape.pause, 1.0)
    bench.tick()
    bench.do(bench.tape.pause, 601.0)
    bench.tick()
    assert checks(bench)[-1] == ("static-step", "invalid")
    (reason,) = bench.rows("SELECT reason FROM checks ORDER BY seq DESC LIMIT 1")[0]
    assert reason == (
        "broken off: static-step, seat 2, did not begin within 10 min after seat 1"
    )
    assert bench.word == "master-check"
    assert str(reason).removeprefix("broken off: ") in bench.runner.shown.signals.reason
    # Run-out and sensitivity stay good: only the step is made anew.
    bench.press_foot()
    assert "Static step" in bench.runner.shown.signals.text
    faces(bench, 0.0, 50.0)
    assert checks(bench)[-1] == ("static-step", "good")
    assert bench.runner.check_status().level == "good"
