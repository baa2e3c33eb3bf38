"""A bench that has to be checked: when it asks, what it grades, what it says."""

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from daemon import snapshot
from daemon.bench_warnings import warnings_of
from daemon.commands import carry_out
from daemon.config import load
from daemon.errors import ConfigError
from daemon.messages import Command
from tests.daemon.bench_of_sweeps import AT_CHECK, CHECK, SweepBench, sweep_bench
from tests.daemon.bench_of_values import HandClock, value_bench

Make = Callable[..., Path]

ALL_SLOW = dict.fromkeys(("1", "2", "H", "N"), "slow")
TOP = (2.0, 2.0, 2.0)


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[SweepBench]:
    made = sweep_bench(bench_folder)
    yield made
    made.close()


def ask(bench: SweepBench, command: str, **values: object) -> Any:
    number = bench.rows("SELECT count(*) FROM inbound")[0][0]
    body = {"id": f"c{number}-{command}", "command": command, "role": "lead", **values}
    return carry_out(Command.model_validate(body), bench.runner, bench.store)


def check_begun(bench: SweepBench) -> None:
    """Begin a check though none is due."""
    bench.clock.seconds += 60
    assert ask(bench, "master-check").ok


def check_now(bench: SweepBench) -> None:
    """Make a whole check though none is due."""
    check_begun(bench)
    bench.seat(0.3, 0.2)
    bench.sensitivity()


def checks(bench: SweepBench) -> list[tuple[object, ...]]:
    return bench.rows("SELECT kind, result FROM checks ORDER BY seq")


def statuses(bench: SweepBench) -> list[object]:
    return [row[0] for row in bench.rows("SELECT status FROM piece_status ORDER BY number")]


def order_state(bench: SweepBench) -> str:
    assert bench.runner.lot is not None
    return bench.runner.lot.order_state


def test_nothing_is_graded_before_a_good_check(bench: SweepBench) -> None:
    assert (bench.word, bench.lamps) == ("master-check", ALL_SLOW)
    assert bench.runner.shown.signals.prompt == "check"
    assert set(bench.runner.alarms) == {"check-due"}
    bench.clamp(2.0)
    assert bench.rows("SELECT count(*) FROM clampings") == [(0,)]
    (body,) = bench.rows("SELECT body FROM events WHERE kind = 'clamping'")[0]
    assert json.loads(str(body))["data"]["reason"].startswith("check-due")


def test_the_foot_begins_a_check_and_a_good_one_opens_the_bench(bench: SweepBench) -> None:
    bench.press_foot()
    assert "mandrel MM-1" in bench.runner.shown.signals.text
    assert bench.lamps == {}
    bench.seat(0.3, 0.2)
    assert "eccentric master EM-1" in bench.runner.shown.signals.text
    bench.seat(5.1, 0.1)
    assert "by half a turn" in bench.runner.shown.signals.text
    bench.seat(5.1, 0.6)
    assert checks(bench) == [("run-out", "good"), ("sensitivity", "good")]
    assert bench.runner.alarms == {}
    bench.piece(*TOP)
    (said,) = bench.rows("SELECT checks_asked, span FROM piece_spans")
    assert said == ("run-out sensitivity", "open")


def test_seats_that_were_not_turned_over_are_taken_again(bench: SweepBench) -> None:
    bench.press_foot()
    bench.seat(0.3, 0.2)
    bench.seat(5.1, 0.1)
    bench.seat(5.1, 0.1)
    assert checks(bench)[-1] == ("sensitivity", "invalid")
    bench.sensitivity()
    assert checks(bench)[-1] == ("sensitivity", "good")
    assert bench.word != "master-check"


def test_a_check_with_the_indicator_in_inch_fails_and_takes_the_span_back(
    bench: SweepBench,
) -> None:
    bench.check()
    bench.piece(*TOP)
    bench.piece(5.0)
    ask(bench, "master-check")
    bench.seat(0.3, 0.2)
    bench.scale = 1 / 25.4
    bench.sensitivity()
    assert checks(bench)[-1] == ("sensitivity", "failed")
    (reason,) = bench.rows("SELECT reason FROM checks ORDER BY seq DESC LIMIT 1")[0]
    assert "5 % of the certificate's 5.1 µm" in str(reason)
    assert statuses(bench) == ["hold", "hold"]
    assert set(bench.runner.alarms) >= {"check-failed"}
    assert bench.runner.lot is not None
    assert bench.runner.lot.put_away == {}
    assert bench.word == "master-check"
    said = [json.loads(str(r[0]))["data"] for r in bench.rows("SELECT body FROM events")]
    (held,) = [data for data in said if data.get("what") == "span-held"]
    assert (held["pieces"], held["boxes"]) == ([1, 2], ["A-1-001", "A-2-001"])
    recent = snapshot.recent(bench.runner, bench.store)
    kinds = [(each.kind, each.result) for each in recent.checks]
    assert kinds[:2] == [("sensitivity", "failed"), ("run-out", "good")]
    assert recent.checks[0].reason == reason
    (read,) = recent.checks[0].positions
    assert read.reading_um == pytest.approx(5.1 / 25.4, abs=0.1)
    assert read.low_um < 5.1 < read.high_um
    assert (recent.checks[1].reason, recent.zero_drift_um) == ("", 2.0)
    # Back to mm: the bench is fit again, the held pieces stay so.
    bench.scale = 1.0
    bench.check()
    assert bench.word != "master-check"
    assert statuses(bench) == ["hold", "hold"]


def test_a_mandrel_that_reads_exactly_zero_fails(bench: SweepBench) -> None:
    bench.tape.noise_um = 0.0
    bench.press_foot()
    bench.seat(0.0, 0.0)
    assert checks(bench) == [("run-out", "failed")]


def test_pieces_make_it_due_warned_of_before_and_only_between_pieces(
    bench: SweepBench,
) -> None:
    bench.check()
    for _ in range(3):
        bench.piece(5.0)
    assert set(bench.runner.alarms) == {"check-soon"}
    bench.piece(5.0)
    assert set(bench.runner.alarms) == {"check-due"}
    assert bench.word == "master-check"
    bench.check()
    assert (bench.runner.alarms, statuses(bench)) == ({}, ["put-away"] * 4)
    assert bench.rows("SELECT DISTINCT span FROM piece_spans") == [("good",)]


def test_time_makes_it_due_within_a_piece_which_is_finished(bench: SweepBench) -> None:
    bench.check()
    bench.clamp(2.0)
    bench.do(bench.tape.pause, 8 * 3600.0)
    bench.tick()
    assert set(bench.runner.alarms) == {"check-due"}
    bench.piece(2.0, 2.0)
    assert statuses(bench) == ["put-away"]
    assert bench.word == "master-check"


@pytest.mark.parametrize("years", [-10, 10])
def test_a_clock_step_of_ten_years_within_a_span_moves_no_due_time(
    bench: SweepBench, monkeypatch: pytest.MonkeyPatch, years: int
) -> None:
    bench.check()
    bench.piece(5.0)
    before = bench.runner.check_status()
    true_utc = bench.clock.utc
    monkeypatch.setattr(bench.clock, "utc", lambda: true_utc() + timedelta(days=3652 * years))
    bench.piece(5.0)
    after = bench.runner.check_status()
    assert (before.level, after.level, after.open_pieces) == ("good", "good", 2)
    assert before.minutes_left is not None
    assert after.minutes_left is not None
    assert 0 <= before.minutes_left - after.minutes_left <= 2
    ask(bench, "master-check")
    bench.seat(0.3, 0.2)
    bench.sensitivity()
    assert bench.rows("SELECT DISTINCT span FROM piece_spans") == [("good",)]


def test_a_restart_and_a_lost_indicator_make_a_check_due(bench: SweepBench) -> None:
    bench.check()
    bench.piece(5.0)
    bench.restart()
    assert bench.runner.check_status().reasons == ["the service started anew"]
    bench.do(bench.tape.rest)
    bench.check()
    assert bench.runner.check_status().level == "good"
    bench.lose()
    bench.find()
    assert "connected anew" in bench.runner.check_status().reasons[0]
    causes = bench.rows("SELECT cause FROM disturbances ORDER BY seq")
    assert [cause for (cause,) in causes] == ["lot-change", "restart", "restart", "reconnect"]


def test_another_pin_is_told_by_command(bench: SweepBench) -> None:
    bench.check()
    assert ask(bench, "master-changed", changed="pin").ok
    assert bench.runner.check_status().reasons == ["another pin is in use"]


def test_another_pin_within_a_span_takes_back_what_the_one_before_measured(
    bench: SweepBench,
) -> None:
    bench.check()
    bench.piece(*TOP)
    check_now(bench)
    bench.piece(*TOP)
    told_pin = ask(bench, "master-changed", changed="pin", reason="dropped")
    assert "1 pieces were measured since the last good check and are on hold" in told_pin.text
    left = "1 piece is on hold: the pin was changed before a good check closed the span"
    assert bench.runner.alarms["span-unproved"].startswith(left)
    assert ask(bench, "box-change", bin="1", box="A-1-002").ok
    bench.check()
    bench.piece(*TOP)
    check_now(bench)
    # Piece 1 was released, and lies in one box with piece 2.
    assert statuses(bench) == ["hold", "hold", "put-away"]
    spans = bench.rows("SELECT span FROM piece_spans ORDER BY seq")
    assert spans == [("good",), ("unproved",), ("good",)]
    assert bench.runner.lot is not None
    assert bench.runner.lot.put_away == {"grade-1": 1}
    bench.restart()
    assert "span-unproved" in bench.runner.alarms
    values = {"box": "A-1-001", "action": "concession", "reason": "the pin measures 0.2 µm"}
    assert ask(bench, "box-dispose", **values).ok
    assert "span-unproved" not in bench.runner.alarms


def test_a_pin_that_is_to_leave_asks_for_its_closing_check(bench: SweepBench) -> None:
    bench.check()
    assert "may leave" in ask(bench, "master-leaving", changed="pin").text
    assert bench.runner.check_status().level == "good"
    bench.piece(*TOP)
    bench.clamp(2.0)
    assert ask(bench, "master-leaving", changed="pin", reason="worn").ok
    assert bench.word == "loosen"  # the piece in work is finished
    bench.piece(2.0, 2.0)
    assert bench.word == "master-check"
    assert "its closing check comes first" in bench.runner.check_status().reasons[0]
    bench.check()
    assert ask(bench, "master-changed", changed="pin").text.endswith("a master check is due")
    assert statuses(bench) == ["put-away", "put-away"]
    assert bench.runner.check_status().level == "due"


def test_a_piece_in_work_while_the_pin_is_changed_is_held_by_its_verdict(
    bench: SweepBench,
) -> None:
    bench.check()
    bench.clamp(2.0)
    assert ask(bench, "master-changed", changed="pin").ok
    bench.piece(2.0, 2.0)
    assert statuses(bench) == ["hold"]
    assert bench.rows("SELECT span FROM piece_spans") == [("unproved",)]


def test_another_indicator_in_the_bench_file_leaves_the_span_unproved(
    bench_folder: Make,
) -> None:
    path = bench_folder((AT_CHECK, CHECK + AT_CHECK))
    bench = SweepBench(path)
    bench.check()
    bench.piece(*TOP)
    bench.restart()
    assert statuses(bench) == ["put-away"]
    path.write_text(path.read_text(encoding="utf-8").replace("IND-21", "IND-30"), "utf-8")
    bench.config = load(path)
    (warned,) = [text for text in warnings_of(bench.config) if "IND-30, and" in text]
    assert warned.startswith("bench b1: far: IND-21 → IND-30, and 1 pieces wait")
    bench.restart()
    assert statuses(bench) == ["hold"]
    assert not [text for text in warnings_of(bench.config) if "IND-30, and" in text]
    bench.restart()
    said = bench.rows("SELECT text FROM disturbances WHERE cause = 'indicator-change'")
    assert said == [("far: IND-21 → IND-30",)]
    bench.close()


def test_a_house_that_asks_for_no_check_after_a_change_says_so_and_is_warned(
    bench_folder: Make,
) -> None:
    some = CHECK.replace("warn_percent", 'causes = ["restart", "holder-change"]\nwarn_percent')
    path = bench_folder((AT_CHECK, some + AT_CHECK))
    bench = SweepBench(path)
    bench.check()
    bench.piece(*TOP)
    assert ask(bench, "master-changed", changed="pin").ok
    refused = ask(bench, "master-leaving", changed="pin")
    assert (refused.ok, "leaves out 'instrument-leaving'" in refused.text) == (False, True)
    assert (statuses(bench), bench.runner.check_status().level) == (["put-away"], "good")
    bench.close()
    (warned,) = [text for text in warnings_of(load(path)) if "causes leaves out" in text]
    assert "indicator-change, pin-change" in warned


def test_a_lot_with_an_open_span_cant_be_closed(bench: SweepBench) -> None:
    bench.check()
    bench.piece(5.0)
    values = {"reason": "done", "counted": 119, "unproved": "scrapped"}
    refused = ask(bench, "lot-close", **values)
    assert (refused.ok, "closing check" in refused.text) == (False, True)
    bench.clock.seconds += 60
    assert ask(bench, "master-check").ok
    bench.seat(0.3, 0.2)
    bench.sensitivity()
    assert ask(bench, "lot-close", **values, lot="again").ok


def test_a_filled_order_asks_for_its_closing_check(bench_folder: Make) -> None:
    order = ('order = { "grade-1" = 36 }', 'order = { "grade-1" = 1 }')
    bench = sweep_bench(bench_folder, order)
    bench.check()
    bench.piece(*TOP)
    assert bench.word == "master-check"
    assert "the order is filled" in bench.runner.shown.signals.reason
    assert order_state(bench) == "filled-check-due"
    bench.check()
    assert order_state(bench) == "filled"
    bench.close()


def test_no_piece_is_begun_while_a_box_on_hold_stands_in_a_bin(bench_folder: Make) -> None:
    order = ('order = { "grade-1" = 36 }', 'order = { "grade-1" = 1 }')
    bench = sweep_bench(bench_folder, order)
    bench.check()
    bench.piece(*TOP)
    ask(bench, "master-check")
    bench.seat(3.0, 0.2)
    assert order_state(bench) == "open"
    assert bench.runner.alarms["box-held"] == "change the box of bin 1: A-1-001 is on hold"
    assert bench.word == "master-check"
    bench.check()
    shown = bench.runner.shown.signals
    assert (shown.word, shown.prompt, shown.waits_for) == ("blocked", "change-box", "operator")
    assert (bench.lamps, shown.reason) == (
        {"1": "slow"},
        "change the box of bin 1: A-1-001 is on hold",
    )
    bench.clamp(2.0)
    assert bench.rows("SELECT count(*) FROM pieces") == [(1,)]
    (body,) = bench.rows("SELECT body FROM events WHERE kind = 'clamping' ORDER BY seq")[-1]
    assert json.loads(str(body))["data"]["reason"].startswith("box-held: a box on hold stands")
    (box,) = [b for b in snapshot.lot(bench.runner, bench.store).boxes if b.bin == "1"]
    assert box.held
    bench.restart()
    assert "box-held" in bench.runner.alarms
    bench.do(bench.tape.rest)
    bench.check()
    assert bench.word == "blocked"
    back = ask(bench, "box-change", bin="1", box="A-1-001")
    assert (back.ok, "is on hold and belongs set apart" in back.text) == (False, True)
    bench.clock.seconds += 1
    assert carry_out(
        Command(id="n", command="box-change", role="lead", bin="1", box="A-1-002"),
        bench.runner, bench.store,
    ).ok  # fmt: skip
    assert "box-held" not in bench.runner.alarms
    bench.piece(*TOP)
    assert statuses(bench) == ["hold", "put-away"]
    assert (order_state(bench), told(bench, "order-filled")) == ("filled-check-due", 2)
    bench.close()


def test_a_box_that_the_lead_releases_takes_pieces_again(bench: SweepBench) -> None:
    bench.check()
    bench.piece(*TOP)
    bench.piece(5.0)
    ask(bench, "master-check")
    bench.seat(3.0, 0.2)
    bench.check()
    assert (bench.word, bench.lamps) == ("blocked", {"1": "slow", "2": "slow"})
    for box in ("A-1-001", "A-2-001"):
        values = {"box": box, "action": "release", "reason": "the chip came after them"}
        assert ask(bench, "box-dispose", **values).ok
    assert (bench.word, bench.runner.alarms) == ("loosen", {})


def told(bench: SweepBench, what: str) -> int:
    said = [json.loads(str(r[0]))["data"] for r in bench.rows("SELECT body FROM events")]
    return sum(data.get("what") == what for data in said)


def test_nothing_is_taken_to_be_measured_again_while_a_check_is_due(bench_folder: Make) -> None:
    by_cell = (AT_CHECK, f'[bench.put_away]\nidentity = "tray"\n\n{CHECK}{AT_CHECK}')
    bench = SweepBench(bench_folder(by_cell))
    bench.check()
    bench.piece(*TOP)
    assert ask(bench, "master-changed", changed="pin").ok
    again = {"piece": 1, "action": "re-measure", "reason": "doubtful"}
    refused = ask(bench, "piece-dispose", **again)
    assert (refused.ok, "a master check is due (another pin" in refused.text) == (False, True)
    assert bench.rows("SELECT max(number) FROM cycles") == [(1,)]
    bench.check()
    assert ask(bench, "piece-dispose", **again).ok
    bench.close()


def test_the_foot_begins_no_check_within_a_sweep(bench: SweepBench) -> None:
    bench.do(lambda: bench.tape.reclamp(2.0).turn(1.6, stop=False))
    assert bench.runner.is_measuring
    bench.do(lambda: bench.tape.edge("foot").turn(0.2, stop=False).edge("foot", is_on=False))
    assert (bench.runner.is_measuring, bench.word) == (True, "master-check")
    bench.do(bench.tape.turn, 2.0)
    bench.press_foot()
    assert "mandrel MM-1" in bench.runner.shown.signals.text


def test_a_check_with_a_change_of_the_bench_between_its_seats_begins_anew(
    bench: SweepBench,
) -> None:
    bench.press_foot()
    bench.seat(0.3, 0.2)
    bench.seat(5.1, 0.1)
    assert ask(bench, "master-changed", changed="holder", reason="dropped").ok
    assert "another holder is in use: begun anew" in bench.runner.shown.signals.text
    assert "mandrel MM-1" in bench.runner.shown.signals.text
    bench.seat(0.3, 0.2)
    bench.sensitivity()
    assert checks(bench) == [("run-out", "good"), ("run-out", "good"), ("sensitivity", "good")]
    assert bench.runner.check_status().level == "good"


LATE = "did not begin within 10 min after"


def test_a_seat_that_comes_too_late_gives_the_check_up_and_fails_nothing(
    bench: SweepBench,
) -> None:
    bench.check()
    bench.piece(*TOP)
    check_begun(bench)
    bench.seat(0.3, 0.2)
    bench.seat(5.1, 0.1)
    bench.do(bench.tape.pause, 590.0)
    bench.tick()
    assert "by half a turn" in bench.runner.shown.signals.text
    bench.do(bench.tape.pause, 11.0)
    bench.tick()
    assert checks(bench)[-1] == ("sensitivity", "invalid")
    (said,) = bench.rows("SELECT reason, role FROM checks ORDER BY seq DESC LIMIT 1")
    assert said == (f"broken off: sensitivity, seat 2, {LATE} seat 1", "service")
    # Nothing was due, nothing is: the next clamping is a piece's, and no master's.
    assert (bench.word, statuses(bench)) == ("loosen", ["put-away"])
    bench.piece(*TOP)
    assert bench.rows("SELECT span FROM piece_spans") == [("open",), ("open",)]


def test_a_check_that_is_due_and_was_left_is_asked_for_anew_with_the_reason(
    bench: SweepBench,
) -> None:
    bench.press_foot()
    bench.do(bench.tape.pause, 1.0)
    bench.tick()
    bench.do(bench.tape.pause, 601.0)
    bench.tick()
    assert (bench.word, bench.lamps) == ("master-check", ALL_SLOW)
    left = f"the last one was broken off: run-out, seat 1, {LATE} the check was begun"
    assert bench.runner.shown.signals.reason.endswith(left)
    assert bench.runner.alarms["check-due"].endswith(left)
    bench.restart()
    bench.do(bench.tape.rest)
    assert bench.runner.shown.signals.reason.endswith(left)
    bench.check()
    assert bench.runner.check_status().reasons == []
    assert ask(bench, "master-changed", changed="pin").ok
    assert bench.runner.shown.signals.reason == "another pin is in use"


def test_a_seat_after_the_machine_slept_is_not_taken(bench: SweepBench) -> None:
    bench.press_foot()
    bench.seat(0.3, 0.2)
    bench.seat(5.1, 0.1)
    bench.do(bench.tape.pause, 4 * 3600.0)
    bench.seat(5.1, 0.6)
    assert checks(bench) == [("run-out", "good"), ("sensitivity", "invalid")]
    assert LATE in bench.runner.shown.signals.reason
    bench.press_foot()
    assert "eccentric master EM-1" in bench.runner.shown.signals.text
    bench.sensitivity()
    assert bench.runner.check_status().level == "good"


def test_a_seat_without_a_result_makes_the_one_before_it_no_younger(bench: SweepBench) -> None:
    bench.press_foot()
    bench.seat(0.3, 0.2)
    bench.seat(5.1, 0.1)
    bench.do(bench.tape.pause, 400.0)
    bench.do(lambda: bench.tape.reclamp(5.1, 0.6).turn(0.7).lift(3.0))
    assert checks(bench)[-1] == ("sensitivity", "invalid")
    assert "by half a turn" in bench.runner.shown.signals.text
    bench.do(bench.tape.pause, 220.0)
    bench.tick()
    assert LATE in bench.runner.shown.signals.reason


def test_how_late_a_seat_may_come_is_settable(bench_folder: Make) -> None:
    patient = CHECK.replace("warn_percent", "seats_within_s = 1800\nwarn_percent")
    bench = SweepBench(bench_folder((AT_CHECK, patient + AT_CHECK)))
    bench.press_foot()
    bench.seat(0.3, 0.2)
    bench.do(bench.tape.pause, 1200.0)
    bench.tick()
    bench.sensitivity()
    assert bench.runner.check_status().level == "good"
    bench.close()


def test_a_check_broken_off_is_on_record_and_changes_nothing(bench: SweepBench) -> None:
    bench.press_foot()
    assert ask(bench, "master-check-stop", reason="master is away").ok
    assert checks(bench) == [("run-out", "invalid")]
    assert not ask(bench, "master-check-stop", reason="again").ok
    assert bench.runner.check_status().level == "due"


def test_a_zero_that_moved_too_far_between_two_good_checks_is_an_alarm(
    bench: SweepBench,
) -> None:
    bench.check()
    bench.tape.base_um = 3.0
    ask(bench, "master-check")
    bench.seat(0.3, 0.2)
    assert "zero moved by" in bench.runner.alarms["zero-drift"]
    bench.sensitivity()
    drift = bench.rows("SELECT drift_um FROM checks_um ORDER BY seq")
    assert [None if d is None else round(float(str(d))) for (d,) in drift] == [
        None, None, 3, 3,
    ]  # fmt: skip


def test_status_says_how_much_is_left_and_lists_the_checks(bench: SweepBench) -> None:
    bench.check()
    bench.piece(5.0)
    told = ask(bench, "master-status")
    assert told.text.startswith("fit to judge: 3 pieces or 47")
    assert [check["kind"] for check in told.data["checks"]] == ["sensitivity", "run-out"]
    state = snapshot.state(bench.runner.shown, None, 1.0, check=bench.runner.check_status())
    assert state.check is not None
    assert (state.check.span, state.check.open_pieces) == ("open", 1)


def test_a_bench_without_masters_grades_and_states_it(bench_folder: Make) -> None:
    bench = value_bench(bench_folder)
    bench.values("5.0")
    assert bench.rows("SELECT checks_asked, span FROM piece_spans") == [("", "unassured")]
    assert bench.runner.check_status().level == "off"
    (body,) = bench.rows("SELECT body FROM events WHERE kind = 'verdict'")[0]
    assert json.loads(str(body))["data"]["checks_asked"] == []
    bench.close()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("tir_um = 5.1", "tir_um = 20", "bench.0.check.master.1: master EM-1: run-out 20.0 µm"),
        ("tir_um = 0.1", "tir_um = 3", "bench.0.check.master.0: master MM-1"),
        ('"solid-mandrel"', '"eccentric-master"', "two for sensitivity"),
        ("every_hours = 8", 'shift_starts = ["6"]', 'accepted are times such as "06:00"'),
    ],
)
def test_check_names_a_master_that_proves_nothing(
    bench_folder: Make, old: str, new: str, said: str
) -> None:
    path = bench_folder((AT_CHECK, CHECK.replace(old, new) + AT_CHECK))
    with pytest.raises(ConfigError) as caught:
        load(path)
    assert said in str(caught.value)


def test_the_end_of_summer_time_within_a_span_neither_starts_a_shift_nor_moves_the_hours(
    bench_folder: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In Europe/Berlin clocks go back from 03:00 to 02:00 on 2026-10-25, at 01:00 UTC."""
    shift = ("every_hours = 8", 'every_hours = 24\nshift_starts = ["02:30", "06:00"]')
    start = datetime(2026, 10, 25, 0, 35, tzinfo=UTC)  # 02:35 in summer time
    monkeypatch.setattr(
        HandClock, "utc", lambda clock: start + timedelta(seconds=clock.seconds)
    )
    bench = SweepBench(bench_folder((AT_CHECK, CHECK.replace(*shift) + AT_CHECK)))
    bench.check()
    bench.piece(5.0)
    bench.clock.seconds = 65 * 60  # 02:40 in winter time: 02:30 comes twice
    bench.tick()
    status = bench.runner.check_status()
    assert (status.level, status.open_pieces) == ("good", 1)
    assert status.minutes_left is not None
    assert 22 * 60 + 50 < status.minutes_left < 23 * 60
    bench.clock.seconds = (4 * 60 + 26) * 60  # 06:01 in winter time
    bench.tick()
    assert bench.runner.check_status().reasons == ["a shift began"]
    bench.close()
