"""Master checks with an indicator that sends finished values: what they can prove, and say."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.commands import carry_out
from daemon.config import load
from daemon.errors import ConfigError
from daemon.messages import Command
from rules.capture_model import Edge, Seen
from rules.reading import Reading
from tests.daemon.bench_of_sweeps import AT_CHECK, CHECK
from tests.daemon.bench_of_values import INDICATOR, SINGLE_VALUES, ValueBench, value_bench

Make = Callable[..., Path]

WITHOUT_ZERO = CHECK.replace("zero_drift_um = 2\n", "")
MASTERS = (AT_CHECK, WITHOUT_ZERO + AT_CHECK)


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[ValueBench]:
    made = value_bench(bench_folder, MASTERS)
    yield made
    made.close()


def press_foot(bench: ValueBench) -> None:
    for is_on in (True, False):
        bench.clock.seconds += 0.3
        assert bench.handle(Edge("foot", is_on, bench.clock.now_ns()))


def check(bench: ValueBench, *ums: str) -> None:
    """Begin a check by foot and send these values."""
    press_foot(bench)
    bench.values(*ums)


def checks(bench: ValueBench) -> list[tuple[object, ...]]:
    return bench.rows("SELECT kind, result FROM checks ORDER BY seq")


def reason(bench: ValueBench) -> str:
    return str(bench.rows("SELECT reason FROM checks ORDER BY seq DESC LIMIT 1")[0][0])


def spans(bench: ValueBench) -> list[tuple[object, ...]]:
    return bench.rows("SELECT piece, span FROM piece_spans ORDER BY seq")


def test_the_foot_begins_a_check_before_any_value_came(bench: ValueBench) -> None:
    assert bench.word == "master-check"
    assert "press the foot switch" in bench.runner.shown.signals.text
    press_foot(bench)
    text = bench.runner.shown.signals.text
    assert "seat mandrel MM-1" in text
    assert "send the value" in text
    assert "Lift" not in text  # nothing is seen of the stylus


def test_a_good_check_opens_the_bench_and_says_what_was_not_seen(bench: ValueBench) -> None:
    bench.value("2.0")  # nobody announced it: no piece, and no master
    assert bench.rows("SELECT count(*) FROM clampings") == [(0,)]
    check(bench, "0.4")
    assert reason(bench).endswith("0.001 to 0.6 µm; a finished value: no turn was seen")
    assert "clamp eccentric master EM-1" in bench.runner.shown.signals.text
    bench.value("5.0")
    assert "by half a turn" in bench.runner.shown.signals.text
    bench.value("5.4")
    assert checks(bench) == [("run-out", "good"), ("sensitivity", "good")]
    assert "neither the speed was seen nor that the master was turned over" in reason(bench)
    found = bench.rows("SELECT kind, reading_um, vector_um, zero_um, drift_um FROM checks_um")
    assert found == [("run-out", 0.4, None, None, None), ("sensitivity", 5.2, None, None, None)]
    bench.values("2.0", "2.1", "2.2")
    assert bench.placed("1")
    assert spans(bench) == [(1, "open")]
    for _ in range(3):
        bench.value("5.0")
        assert bench.placed("2")
    assert set(bench.runner.alarms) == {"check-due"}  # after four pieces
    check(bench, "0.4", "5.2", "5.0")
    assert {span for _, span in spans(bench)} == {"good"}
    assert bench.runner.alarms == {}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        (("0.0",), "reads exactly zero"),
        (("0.9",), "reads 0.9 µm, at most 0.6 µm is good"),
        (("-0.3",), "no run-out can be read so: negative-value"),
        (("0.2", "2.5", "2.7"), "51 % of the certificate's 5.1 µm"),  # halved scale
        (("0.4", "0.2", "0.2"), "4 % of the certificate's 5.1 µm"),  # inch taken for mm
        (("0.4", "4.6", "4.7"), "the mean of the two seats' run-outs is 4.65 µm"),  # averages
        (("0.4", "5.1", "-5.1"), "the indicator does not follow"),
    ],
)
def test_a_check_that_failed_takes_its_span_back(
    bench: ValueBench, values: tuple[str, ...], said: str
) -> None:
    check(bench, "0.4", "5.0", "5.4")
    bench.value("5.0")
    assert bench.placed("2")
    body = {"id": "c1", "command": "master-leaving", "role": "lead", "changed": "indicator"}
    assert _carried_out(bench, body)
    check(bench, *values)
    assert checks(bench)[-1][1] == "failed"
    assert said in reason(bench)
    assert spans(bench) == [(1, "failed")]
    assert bench.word == "master-check"
    bench.value("2.0")
    assert bench.rows("SELECT count(*) FROM pieces") == [(1,)]


def _carried_out(bench: ValueBench, body: dict[str, str]) -> bool:
    return carry_out(Command.model_validate(body), bench.runner, bench.store).ok


def test_a_key_pressed_twice_is_no_second_seat(bench: ValueBench) -> None:
    check(bench, "0.4", "5.0")
    bench.clock.seconds += 3
    bench.handle(Seen(INDICATOR, Reading(5_000), bench.clock.now_ns()))
    assert checks(bench) == [("run-out", "good")]
    bench.value("5.2")
    assert checks(bench)[-1] == ("sensitivity", "good")


def test_a_value_out_of_range_is_taken_again(bench: ValueBench) -> None:
    check(bench, "0.4", "5.0")
    bench.clock.seconds += 30
    over = Reading(None, flags=frozenset({"over-range"}))
    bench.handle(Seen(INDICATOR, over, bench.clock.now_ns()))
    assert checks(bench)[-1] == ("sensitivity", "invalid")
    assert "the value is none: over-range" in bench.runner.shown.signals.text
    bench.value("5.2")
    assert checks(bench)[-1] == ("sensitivity", "good")


def test_an_interrupted_check_begins_anew_after_a_restart(bench: ValueBench) -> None:
    check(bench, "0.4", "5.0")
    bench.restart()
    assert bench.word == "master-check"
    bench.value("5.2")
    assert checks(bench) == [("run-out", "good")]
    check(bench, "0.4", "5.0", "5.2")
    assert checks(bench)[1:] == [("run-out", "good"), ("sensitivity", "good")]
    assert bench.word == "clamping"


def test_seats_of_finished_values_are_kept_with_the_check(bench: ValueBench) -> None:
    check(bench, "0.4", "5.0", "5.2")
    assert bench.rows("SELECT count(*) FROM check_seats") == [(3,)]
    (body,) = bench.rows("SELECT body FROM events WHERE kind = 'master-check'")[-1]
    data = json.loads(str(body))["data"]
    assert (data["what"], data["kind"], data["result"]) == ("checked", "sensitivity", "good")
    assert data["positions"][0]["zero_um"] is None


def test_a_limit_for_the_zero_is_refused_as_finished_values_have_none(
    bench_folder: Make,
) -> None:
    path = bench_folder(SINGLE_VALUES, (AT_CHECK, CHECK + AT_CHECK))
    with pytest.raises(ConfigError) as caught:
        load(path)
    assert str(caught.value).endswith(
        "bench.0.check.zero_drift_um: finished values don't say where the zero lies; accepted "
        "is to leave it out"
    )


def test_check_warns_of_what_finished_values_on_a_master_cant_prove(bench_folder: Make) -> None:
    told = CliRunner().invoke(app, ["check", str(bench_folder(SINGLE_VALUES, MASTERS))])
    assert told.exit_code == 0, told.output
    assert "check: finished values on a master prove neither the speed" in told.output
