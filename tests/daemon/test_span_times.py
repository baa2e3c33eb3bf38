"""A span between two checks, while the clock is set, summer time begins or ends, or the service
is started anew: on the real bench runner and its record.

Dates of summer time in Europe/Berlin 2026 (last Sundays of March and October, at 01:00 UTC):
directive 2000/84/EC, from memory.
"""

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.clock import rfc3339
from daemon.commands import carry_out
from daemon.messages import Command, Reply
from tests.daemon.bench_of_sweeps import AT_CHECK, CHECK, SweepBench, sweep_bench
from tests.daemon.bench_of_values import HandClock

Make = Callable[..., Path]

HOUR_S = 3_600.0
TEN_YEARS = timedelta(days=3_652)
SHIFTS = ("every_hours = 8", 'every_hours = 24\nshift_starts = ["06:00", "14:00", "22:00"]')


def ask(bench: SweepBench, command: str, **values: object) -> Reply:
    number = bench.rows("SELECT count(*) FROM inbound")[0][0]
    body = {"id": f"c{number}-{command}", "command": command, "role": "lead", **values}
    return carry_out(Command.model_validate_json(json.dumps(body)), bench.runner, bench.store)


def check(bench: SweepBench, *, is_good: bool = True) -> None:
    """Make a whole check; a bad one is made with the indicator in inch."""
    assert ask(bench, "master-check").ok
    bench.seat(0.3, 0.2)
    bench.scale = 1.0 if is_good else 1 / 25.4
    bench.sensitivity()
    bench.scale = 1.0


def spans(bench: SweepBench) -> list[tuple[object, ...]]:
    return bench.rows("SELECT piece, span FROM piece_spans ORDER BY seq")


def statuses(bench: SweepBench) -> list[object]:
    return [row[0] for row in bench.rows("SELECT status FROM piece_status ORDER BY number")]


def let_pass(bench: SweepBench, hours: float) -> None:
    bench.do(bench.tape.pause, hours * HOUR_S)
    bench.tick()
    bench.runner.look_at_instruments()


def set_clock(bench: SweepBench, monkeypatch: pytest.MonkeyPatch, step: timedelta) -> None:
    """Set the time of day alone: the interval clock runs on."""
    before = bench.clock.utc
    monkeypatch.setattr(bench.clock, "utc", lambda: before() + step)
    bench.runner.look_at_instruments()


def then(bench: SweepBench, at: datetime) -> dict[str, Any]:
    store = str(bench.config.store_path)
    told = CliRunner().invoke(app, ["store", "then", rfc3339(at), "--store", store, "--json"])
    assert told.exit_code == 0, told.output
    found: dict[str, Any] = json.loads(told.output)
    return found


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[SweepBench]:
    made = sweep_bench(bench_folder, SHIFTS)
    yield made
    made.close()


@pytest.fixture
def at_change(bench_folder: Make, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Return a maker of benches whose clock stands shortly before summer time changes."""

    def make(start: datetime, shift_starts: str) -> SweepBench:
        def utc(clock: HandClock) -> datetime:
            return start + timedelta(seconds=clock.seconds)

        monkeypatch.setattr(HandClock, "utc", utc)
        shift = ("every_hours = 8", f"every_hours = 24\nshift_starts = {shift_starts}")
        return SweepBench(bench_folder((AT_CHECK, CHECK.replace(*shift) + AT_CHECK)))

    return make


# --- summer time -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "shift_starts", "quiet_h", "due_h"),
    [
        # 01:35 winter time; 02:00 to 03:00 is skipped, so 05:59 comes 3.4 h later.
        ("2026-03-29T00:35", '["06:00"]', 3.3, 3.6),
        # 02:30 is skipped: that shift begins as the clock shows 03:30.
        ("2026-03-29T00:35", '["02:30"]', 0.8, 1.1),
        # 02:35 summer time; 02:00 to 03:00 comes twice, so 05:59 comes 4.4 h later.
        ("2026-10-25T00:35", '["06:00"]', 4.3, 4.6),
        # 02:30 comes again: it is the same shift.
        ("2026-10-25T00:35", '["02:30"]', 2.5, None),
    ],
    ids=["forward", "forward, shift within", "back", "back, shift within"],
)
def test_a_change_of_summer_time_within_a_span(
    at_change: Any, start: str, shift_starts: str, quiet_h: float, due_h: float | None
) -> None:
    bench = at_change(datetime.fromisoformat(start).replace(tzinfo=UTC), shift_starts)
    bench.clock.seconds = 0.0
    check(bench)
    bench.piece(5.0)
    began_s = bench.clock.seconds
    assert bench.runner.check_status().level == "good"
    let_pass(bench, quiet_h - began_s / HOUR_S)
    status = bench.runner.check_status()
    assert (status.level, status.open_pieces) == ("good", 1)
    assert status.minutes_left is not None  # real hours, whatever the wall shows
    assert abs(status.minutes_left - (24 - quiet_h) * 60) < 10
    bench.piece(5.0)
    if due_h is not None:
        let_pass(bench, due_h - bench.clock.seconds / HOUR_S)
        assert bench.runner.check_status().reasons == ["a shift began"]
        assert bench.word == "master-check"
    check(bench)
    assert spans(bench) == [(1, "good"), (2, "good")]
    assert bench.runner.alarms == {}
    bench.close()


# --- a clock that is set ---------------------------------------------------------------------


@pytest.mark.parametrize("is_good", [True, False])
@pytest.mark.parametrize("step", [TEN_YEARS, -TEN_YEARS], ids=["ahead", "back"])
def test_a_clock_step_of_ten_years_within_a_span(
    bench: SweepBench, monkeypatch: pytest.MonkeyPatch, step: timedelta, is_good: bool
) -> None:
    due = {"certificate": "C-1", "due": "2027-11-30"}
    for name, kind in (("IND-21", "indicator"), ("H-MED-1", "holder")):
        assert ask(bench, "instrument-add", instrument={"id": name, "kind": kind, **due}).ok
    pin = {"id": "MP-10-1", "kind": "pin", "form_um": 0.3}
    assert ask(bench, "instrument-add", instrument=pin).ok
    check(bench)
    bench.piece(5.0)
    before_step = bench.clock.utc()
    set_clock(bench, monkeypatch, step)
    # The alarm, and due dates fail safe: no lot with what nobody can show to be in date.
    assert set(bench.runner.alarms) == {"clock-doubt"}
    assert ("ahead" if step > timedelta() else "before") in bench.runner.alarms["clock-doubt"]
    refused = ask(bench, "lot-open", lot="W-2", article="MR-10-MED", bins_empty=True)
    assert not refused.ok
    # Measuring goes on, in the same span; every record says that its time is in doubt.
    bench.piece(5.0)
    assert bench.runner.check_status().open_pieces == 2
    doubted = bench.rows("SELECT clock_synced FROM verdicts ORDER BY seq")
    assert doubted == [("yes",), ("no",)]
    # A shift may have begun, nobody knows: after the shortest one a check is due.
    let_pass(bench, 7.8)
    assert bench.runner.check_status().level == "good"
    let_pass(bench, 0.3)
    assert "the clock can't be trusted" in bench.runner.check_status().reasons[0]
    check(bench, is_good=is_good)
    assert spans(bench) == [(1, "good" if is_good else "failed"),
                            (2, "good" if is_good else "failed")]  # fmt: skip
    assert statuses(bench) == (["put-away"] if is_good else ["hold"]) * 2
    # Set right again: the alarm ends by itself. The record kept its order throughout.
    set_clock(bench, monkeypatch, -step)
    assert "clock-doubt" not in bench.runner.alarms
    if is_good:
        bench.piece(5.0)
        assert spans(bench)[-1] == (3, "open")
    assert then(bench, before_step)["counts"] == {"put-away": {"grade-2": 1}}
    later = then(bench, before_step + timedelta(hours=1))
    assert later["counts"] == {"put-away": {"grade-2": 2}}
    bench.restart()
    assert spans(bench)[:2] == [(1, "good" if is_good else "failed"),
                                (2, "good" if is_good else "failed")]  # fmt: skip
    assert "clock-doubt" not in bench.runner.alarms


def test_a_step_ahead_is_doubted_over_a_restart_and_a_lead_may_say_that_it_was_right(
    bench: SweepBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.clock.is_synced = "unknown"
    check(bench)
    set_clock(bench, monkeypatch, TEN_YEARS)
    bench.restart()
    bench.runner.look_at_instruments()
    assert "went ahead by 3652 days" in bench.runner.alarms["clock-doubt"]
    assert ask(bench, "instrument-clock-right", reason="it stood at 2016 before").ok
    assert "clock-doubt" not in bench.runner.alarms


def test_a_step_ahead_is_believed_where_the_system_was_synchronised_by_it(
    bench: SweepBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A machine without a clock battery starts in the past, and is set right by the network."""
    bench.clock.is_synced = "unknown"
    bench.runner.look_at_instruments()
    check(bench)
    bench.clock.is_synced = "yes"
    set_clock(bench, monkeypatch, TEN_YEARS)
    assert bench.runner.alarms == {}
    bench.tick()
    assert bench.runner.check_status().reasons == ["a shift began"]  # for all anybody knows


def test_a_check_made_while_the_clock_ran_ahead_holds_off_no_later_shift(
    bench: SweepBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_clock(bench, monkeypatch, timedelta(days=20))  # too little to be doubted
    check(bench)
    bench.piece(5.0)
    set_clock(bench, monkeypatch, timedelta(days=-20))
    assert set(bench.runner.alarms) == {"clock-doubt"}
    assert ask(bench, "instrument-clock-right", reason="as the wall clock").ok
    assert bench.runner.check_status().level == "good"
    let_pass(bench, 8.1)
    assert "a shift may have begun" in bench.runner.check_status().reasons[0]
    check(bench)
    assert (spans(bench), bench.runner.check_status().level) == ([(1, "good")], "good")


# --- restarts --------------------------------------------------------------------------------


@pytest.mark.parametrize("is_good", [True, False])
@pytest.mark.parametrize("boot", ["boot-1", "boot-2"], ids=["service", "machine"])
def test_a_restart_within_a_span_leaves_it_open_until_the_next_check(
    bench: SweepBench, boot: str, is_good: bool
) -> None:
    check(bench)
    bench.piece(5.0)
    bench.piece(2.0, 2.0, 2.0)
    bench.clamp(2.0)  # within a piece
    bench._boot = boot
    bench.restart()
    bench.do(bench.tape.rest)
    assert spans(bench) == [(1, "open"), (2, "open")]
    assert (bench.runner.check_status().open_pieces, bench.word) == (2, "loosen")
    bench.piece(2.0, 2.0, 2.0)  # the piece that was begun is finished: it belongs to the span
    assert spans(bench) == [(1, "open"), (2, "open"), (3, "open")]
    assert "the service started anew" in bench.runner.check_status().reasons
    assert bench.word == "master-check"
    check(bench, is_good=is_good)
    found = "good" if is_good else "failed"
    assert spans(bench) == [(number, found) for number in (1, 2, 3)]
    assert statuses(bench) == (["put-away"] if is_good else ["hold"]) * 3
    assert bench.runner.lot is not None
    bench.restart()  # the record alone says the same
    assert statuses(bench) == (["put-away"] if is_good else ["hold"]) * 3
    assert bench.runner.check_status().open_pieces == 0
