"""The ten questions that the record must answer, each asked as a person would.

They are those of the trade's auditors; the values expected are counted by hand from what
each test does at the bench.
"""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.commands import carry_out
from daemon.config import load
from daemon.messages import Command, Reply
from rules.bench import RetryAsked
from tests.daemon.bench_of_values import ValueBench, value_bench
from tests.make_readme import README

DAY_S = 86_400.0


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


def ask(bench: ValueBench, *words: str) -> list[dict[str, Any]]:
    told = told_by(bench, "ask", *words)
    found: list[dict[str, Any]] = json.loads(told)
    return found


def told_by(bench: ValueBench, *words: str, form: str = "--json") -> str:
    store = str(bench.config.store_path)
    told = CliRunner().invoke(app, ["store", *words, "--store", store, form])
    assert told.exit_code == 0, told.output
    return told.output


def send(bench: ValueBench, command: str, **values: Any) -> Reply:
    body = {"id": f"{command}-{bench.clock.seconds}", "command": command, "role": "lead"}
    asked = Command.model_validate_json(json.dumps({**body, **values}))
    return carry_out(asked, bench.runner, bench.store)


def grade_one(bench: ValueBench) -> None:
    bench.values("2.0", "2.0", "2.0")
    assert bench.placed("1")


def test_1_which_pieces_were_graded_with_an_instrument_between_two_times(
    bench: ValueBench,
) -> None:
    grade_one(bench)
    bench.clock.seconds += DAY_S
    grade_one(bench)
    bench.clock.seconds += DAY_S
    grade_one(bench)
    between = ("--since", "2026-11-25", "--until", "2026-11-26T00:00+01:00")
    for instrument in ("IND-21", "MP-10-1", "H-MED-1"):
        found = ask(bench, "graded-with", f"instrument={instrument}", *between)
        assert [(row["piece"], row["grade"]) for row in found] == [(2, "grade-1")]
    assert ask(bench, "graded-with", "instrument=IND-99") == []


def test_2_and_3_what_is_on_hold_and_why_and_which_box_holds_a_piece(
    bench: ValueBench,
) -> None:
    grade_one(bench)
    assert send(bench, "box-change", bin="1", box="BX-2").ok
    grade_one(bench)
    bench.value("11.9")
    assert bench.placed("2")
    boxes = ask(bench, "boxes", "lot=W-2611-A")
    assert [(row["piece"], row["bin"]) for row in boxes] == [(1, "1"), (2, "1"), (3, "2")]
    assert [row["box"] for row in ask(bench, "boxes", "piece=2")] == ["BX-2"]
    assert ask(bench, "boxes", "piece=1")[0]["box"] != "BX-2"
    assert ask(bench, "on-hold") == []
    bench.values("-3.0", "-3.0", "-3.0")  # no run-out is negative: never a result
    assert bench.placed("H")
    (held,) = ask(bench, "on-hold")
    assert (held["piece"], held["bin"], held["why"]) == (4, "H", "invalid")
    assert held["reason"]


def test_4_the_limit_when_it_was_graded_and_not_todays(
    bench: ValueBench,
) -> None:
    grade_one(bench)
    rules = bench.config.source.path.with_name("mr-10-med.rules.toml")
    text = rules.read_text(encoding="utf-8")
    assert "limit_um = 4.0" in text
    rules.write_text(text.replace("limit_um = 4.0", "limit_um = 4.2"), encoding="utf-8")
    bench.close()
    later = ValueBench(load(bench.config.source.path))
    body = {"id": "q4", "command": "lot-rules", "revision": "7", "reason": "r", "role": "lead"}
    assert carry_out(Command.model_validate(body), later.runner, later.store).ok
    grade_one(later)
    found = ask(later, "limits", "grade=grade-1")
    assert [(row["piece"], row["tolerance_limit_um"]) for row in found] == [
        (1, 4.0), (2, 4.2)
    ]  # fmt: skip
    assert len({row["rules_sha256"] for row in found}) == 2
    later.close()


def test_5_and_7_changed_grades_by_whom_and_retries_by_role_and_lot(
    bench: ValueBench,
) -> None:
    grade_one(bench)
    bench.value("11.0")  # a chip: grade 2 after one clamping
    assert bench.handle(RetryAsked("chip on the taper", "lead"))
    grade_one(bench)
    (changed,) = ask(bench, "changes")
    assert (changed["piece"], changed["what"]) == (2, "retry")
    assert (changed["grade_before"], changed["grade_after"]) == ("grade-2", "grade-1")
    assert (changed["role"], changed["reason"]) == ("lead", "chip on the taper")
    (retries,) = ask(bench, "retries", "lot=W-2611-A")
    assert (retries["role"], retries["retries"], retries["pieces"]) == ("lead", 1, 2)


def test_6_when_the_last_good_master_check_was(bench: ValueBench) -> None:
    with bench.store.reading() as db:
        for seq, (kind, result, utc) in enumerate(
            (
                ("run-out", "good", "2026-11-24T06:00:00.000Z"),
                ("sensitivity", "good", "2026-11-24T06:01:00.000Z"),
                ("run-out", "good", "2026-11-24T08:00:00.000Z"),
                ("run-out", "failed", "2026-11-24T09:00:00.000Z"),
            ),
            start=9_001,
        ):
            db.execute(
                "INSERT INTO checks (bench, lot, kind, result, figures, role, at_utc,"
                " clock_synced, seq) VALUES ('b1', NULL, ?, ?, '[]', 'lead', ?, 'yes', ?)",
                (kind, result, utc, seq),
            )
    found = ask(bench, "good-checks", "bench=b1")
    assert [(row["kind"], row["at_utc"][11:16]) for row in found] == [
        ("sensitivity", "06:01"), ("run-out", "08:00")
    ]  # fmt: skip
    assert ask(bench, "good-checks", "bench=b2") == []


def test_8_in_is_out_for_an_open_lot_and_for_a_closed_one(bench: ValueBench) -> None:
    grade_one(bench)
    bench.value("13.0")
    assert bench.placed("N")
    for cell in (110, 111):
        bench.clock.seconds += 1
        assert send(bench, "lot-visual", finding="burr", cell=cell, reason="seen").ok
    (row,) = ask(bench, "balance", "lot=W-2611-A")
    assert (row["quantity"], row["begun"], row["unmeasured"]) == (120, 2, 116)
    assert (row["put_away"], row["nonconforming"], row["set_aside"]) == (1, 1, 2)
    closed = send(
        bench, "lot-close", reason="end", unproved="not sold", counted=115,
        mismatch="one fell under the bench",
    )  # fmt: skip
    assert closed.ok, closed.text
    (row,) = ask(bench, "balance", "lot=W-2611-A")
    assert (row["unmeasured"], row["accounted"], row["difference"]) == (115, 119, -1)
    assert "one fell under the bench" in row["closed_because"]


def test_9_what_was_graded_while_a_calibration_was_overdue_or_the_clock_in_doubt(
    bench: ValueBench,
) -> None:
    due = {"certificate": "C-1", "due": "2026-11-24"}
    for name, kind in (("IND-21", "indicator"), ("H-MED-1", "holder")):
        assert send(bench, "instrument-add", instrument={"id": name, "kind": kind, **due}).ok
        bench.clock.seconds += 1
    pin = {"id": "MP-10-1", "kind": "pin", "form_um": 0.3}
    assert send(bench, "instrument-add", instrument=pin).ok
    grade_one(bench)
    assert ask(bench, "unfit") == []
    bench.clock.seconds += DAY_S
    bench.runner.look_at_instruments()
    grade_one(bench)
    bench.restart()  # the alarm goes on, and is not raised twice
    grade_one(bench)
    found = ask(bench, "unfit")
    assert [(row["piece"], row["code"]) for row in found] == [
        (2, "instrument-unfit"), (3, "instrument-unfit")
    ]  # fmt: skip
    assert "IND-21: calibration was due on 2026-11-24" in found[0]["text"]
    for name in ("IND-21", "H-MED-1"):
        entry = {"id": name, "certificate": "C-2", "due": "2027-11-24"}
        bench.clock.seconds += 1
        assert send(bench, "instrument-add", instrument=entry).ok
    grade_one(bench)
    assert [row["piece"] for row in ask(bench, "unfit")] == [2, 3]
    bench.clock.is_synced = "no"
    bench.runner.look_at_instruments()
    grade_one(bench)
    bench.clock.is_synced = "yes"
    bench.restart()  # what stood is over: it returns, or it would stand for ever
    grade_one(bench)
    found = ask(bench, "unfit", "code=clock-doubt")
    assert [(row["piece"], row["clock_synced"]) for row in found] == [(5, "no")]


def test_10_what_the_board_showed_at_a_time(bench: ValueBench) -> None:
    grade_one(bench)  # 06:00:00 to 06:01:35
    bench.value("5.0")  # 06:02:05: grade 2, in hand
    then = told_by(bench, "then", "2026-11-24T06:02:06")
    assert bench.placed("1") is not None  # wrong bin, 06:02:10
    wrong = json.loads(told_by(bench, "then", "2026-11-24T07:02:12+01:00"))
    assert bench.placed("2")
    grade_one(bench)
    before = json.loads(told_by(bench, "then", "2026-11-24T06:01:36"))
    assert (before["lot"], before["piece"]) == ("W-2611-A", None)
    assert before["counts"] == {"put-away": {"grade-1": 1}}
    assert before["ordered"] == {"grade-1": 36}
    again = told_by(bench, "then", "2026-11-24T06:02:06")
    assert json.loads(then) == json.loads(again)  # later facts change nothing of it
    now = json.loads(again)
    assert (now["piece"], now["bin"], now["clampings"]) == (2, "2", 1)
    assert now["alarms"] == {}
    assert wrong["lies_in_bin"] == "1"
    assert "wrong-bin" in wrong["alarms"]
    text = told_by(bench, "then", "2026-11-24T06:02:06", form="--bench=b1")
    assert "grade-1: 1 of 36 ordered" in text
    assert "piece 2: waits for its put-away in bin 2; 1 clampings" in text
    none = json.loads(told_by(bench, "then", "2026-11-24T05:00"))
    assert (none["lot"], none["seq"]) == (None, 0)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["ask", "nothing"], "accepted are graded-with, on-hold"),
        (["ask", "boxes", "colour=red"], "no column 'colour'; accepted are bench, lot, piece"),
        (["ask", "boxes", "piece"], "accepted is COLUMN=VALUE"),
        (["ask", "boxes", "--since", "noon"], "accepted is a time like"),
        (["then", "2026-11-24T06:00", "--bench", "b9"], "got 'b9', accepted are b1"),
    ],
)
def test_a_question_that_can_not_be_put_says_what_can(
    bench: ValueBench, words: list[str], says: str
) -> None:
    store = ["--store", str(bench.config.store_path)]
    told = CliRunner().invoke(app, ["store", *words, *store])
    assert told.exit_code == 2
    assert says in " ".join(told.output.split())


def test_the_readme_names_a_command_and_a_view_for_each_of_the_ten() -> None:
    text = README.read_text(encoding="utf-8")
    listed = CliRunner().invoke(app, ["store", "ask"]).output.splitlines()
    assert len(listed) == 9
    for line in listed:
        name, view = line.split()[0], line.rpartition("view ")[2].rstrip(")")
        assert f"`reclamp store ask {name}" in text
        assert f"`{view}`" in text
    assert "`reclamp store then" in text
