"""One bench at work: a step is adopted when it is recorded, and never before."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.config import load
from rules.bench import Abandoned, CommandRefusedError, RetryAsked
from tests.daemon.bench_of_values import ValueBench, value_bench

Make = Callable[..., Path]

ALL_OFF: dict[str, str] = {}


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


def verdicts(bench: ValueBench) -> list[tuple[object, ...]]:
    return bench.rows("SELECT piece, cycle, grade, bin FROM verdicts_um ORDER BY seq")


class TestAtWork:
    def test_a_bench_of_finished_values_asks_for_the_first_at_once(
        self, bench: ValueBench
    ) -> None:
        """They come at a key press: silence says nothing about the indicator."""
        assert (bench.word, bench.runner.shown.signals.prompt) == ("clamping", "clamp")
        assert bench.lamps == ALL_OFF

    def test_a_bench_of_sweeps_comes_up_and_waits_for_its_indicator(
        self, bench_folder: Make
    ) -> None:
        bench = ValueBench(load(bench_folder()))
        assert bench.word == "coming-up"
        assert bench.runner.shown.signals.waits_for == "indicator"
        bench.close()

    def test_values_become_clampings_a_verdict_a_lamp_and_a_put_away(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0", "2.5")
        assert (bench.word, bench.lamps) == ("clamping", ALL_OFF)
        bench.values("3.2")
        assert (bench.word, bench.lamps) == ("put-away", {"1": "on"})
        assert bench.runner.shown.signals.waits_for == "operator"
        bench.placed("1")
        assert (bench.word, bench.lamps) == ("clamping", ALL_OFF)
        assert verdicts(bench) == [(1, 1, "grade-1", "1")]
        assert bench.runner.lot is not None
        assert dict(bench.runner.lot.put_away) == {"grade-1": 1}

    def test_a_wrong_bin_flashes_and_the_right_one_stays_lit(self, bench: ValueBench) -> None:
        bench.values("5.0")
        bench.placed("1")
        assert (bench.word, bench.lamps) == ("blocked", {"2": "on", "1": "fast"})
        assert set(bench.runner.alarms) == {"wrong-bin"}
        bench.placed("2")
        assert (bench.word, bench.lamps) == ("clamping", ALL_OFF)
        assert bench.runner.alarms == {}

    def test_a_value_before_the_put_away_is_nobodys_clamping(self, bench: ValueBench) -> None:
        bench.values("5.0", "2.0")
        assert set(bench.runner.alarms) == {"not-put-away"}
        assert bench.rows("SELECT count(*) FROM clampings") == [(1,)]
        assert bench.lamps == {"2": "on"}

    def test_a_value_sooner_than_a_hand_can_reclamp_is_a_repeat(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0")
        bench.clock.seconds -= 29
        bench.value("2.0")
        assert bench.rows("SELECT count(*) FROM clampings") == [(1,)]
        (body,) = bench.rows("SELECT body FROM events ORDER BY seq DESC LIMIT 1")[0]
        assert json.loads(str(body))["data"]["reason"].startswith("too-soon")

    def test_a_lost_indicator_interrupts_the_cycle_and_blocks_the_bench(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0", "2.0")
        bench.lose("usb1 is gone")
        assert bench.word == "blocked"
        assert "usb1 is gone" in bench.runner.shown.signals.reason
        assert bench.rows("SELECT how, reason FROM cycle_ends") == [
            ("interrupted", "usb1 is gone")
        ]
        bench.find()
        bench.values("2.0", "2.0", "2.0")
        assert verdicts(bench) == [(1, 2, "grade-1", "1")]
        assert bench.rows("SELECT kind FROM cycles ORDER BY number") == [
            ("first",), ("after-interruption",),
        ]  # fmt: skip

    def test_a_pieces_lamp_stays_lit_while_the_indicator_is_away(
        self, bench: ValueBench
    ) -> None:
        bench.values("5.0")
        bench.lose()
        assert (bench.word, bench.lamps) == ("put-away", {"2": "on"})
        bench.placed("2")
        assert (bench.word, bench.lamps) == ("blocked", ALL_OFF)

    def test_since_is_when_the_word_the_piece_or_the_clamping_changed(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0")
        first = bench.runner.shown.since
        bench.clock.seconds += 100
        bench.tick()
        assert bench.runner.shown.since == first
        bench.values("2.0")
        assert bench.runner.shown.since > first

    def test_an_order_that_is_filled_stops_the_next_piece(self, bench_folder: Make) -> None:
        filled = ('order = { "grade-1" = 36 }', 'order = { "grade-2" = 1 }')
        bench = value_bench(bench_folder, filled, rest="")
        bench.values("5.0")
        bench.placed("2")
        assert bench.word == "order-filled"
        bench.values("5.0")
        assert bench.rows("SELECT count(*) FROM pieces") == [(1,)]
        bench.close()

    def test_a_lot_without_further_pieces_calls_the_lead(self, bench_folder: Make) -> None:
        bench = value_bench(
            bench_folder,
            ('quantity = 120\norder = { "grade-1" = 36 }', "quantity = 1"),
        )
        bench.values("5.0")
        bench.placed("2")
        assert (bench.word, bench.runner.shown.signals.prompt) == ("blocked", "call")
        bench.close()

    def test_a_command_that_makes_no_sense_changes_nothing(self, bench: ValueBench) -> None:
        bench.values("2.0")
        before = (bench.runner.shown, list(bench.rows("SELECT * FROM events")))
        for asked in (RetryAsked("chip", "lead"), RetryAsked(" ", "lead")):
            with pytest.raises(CommandRefusedError):
                bench.handle(asked, "id-1")
        assert (bench.runner.shown, bench.rows("SELECT * FROM events")) == before
        assert not bench.store.knows_inbound("b1", "id-1")

    def test_an_inbound_id_is_kept_with_what_it_caused_even_if_that_is_nothing(
        self, bench: ValueBench
    ) -> None:
        bench.values("5.0")
        bench.placed("2", "press-1")
        bench.placed("2", "press-2")
        assert bench.store.knows_inbound("b1", "press-1")
        assert bench.store.knows_inbound("b1", "press-2")


class TestRecordFirst:
    def test_when_a_lamp_is_shown_its_verdict_is_in_the_file_already(
        self, bench: ValueBench
    ) -> None:
        """Asked over a connection of its own: what it sees is committed."""
        path = bench.config.store_path
        seen: list[tuple[dict[str, str], int]] = []

        def look() -> None:
            with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as db:
                (count,) = db.execute("SELECT count(*) FROM verdicts").fetchone()
            db.close()
            seen.append((bench.lamps, count))

        bench.runner.on_change = look
        bench.values("5.0")
        bench.placed("2")
        bench.values("13.0")
        assert seen[0] == ({"2": "on"}, 1)
        assert seen[-1] == ({"N": "on"}, 2)

    def test_facts_are_told_after_their_commit_and_readings_without_facts_are_not(
        self, bench: ValueBench
    ) -> None:
        told: list[int] = []
        bench.runner.on_facts = lambda facts: told.append(len(facts))
        bench.values("2.0", "2.0", "2.0")
        bench.tick()
        bench.tick()
        assert told == [1, 1, 2]


class TestWhenNoRecordCanBeKept:
    def test_the_step_is_not_adopted_and_the_bench_is_in_fault_with_its_lamps_off(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0", "2.0")
        bench.break_disk()
        assert not bench.value("2.0")
        assert (bench.word, bench.lamps) == ("fault", ALL_OFF)
        assert "readonly" in (bench.runner.fault or "")
        assert bench.runner.shown.signals.prompt == "call"
        assert verdicts(bench) == []
        assert bench.rows("SELECT count(*) FROM clampings") == [(2,)]

    def test_a_lit_lamp_goes_out_in_fault_and_on_again_after_it(
        self, bench: ValueBench
    ) -> None:
        bench.values("5.0")
        assert bench.lamps == {"2": "on"}
        bench.break_disk()
        assert not bench.placed("2")
        assert (bench.word, bench.lamps) == ("fault", ALL_OFF)
        bench.mend_disk()
        assert bench.runner.recover()
        assert (bench.word, bench.lamps) == ("put-away", {"2": "on"})

    def test_nothing_is_graded_in_fault_and_the_cycle_starts_again_after_it(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0", "2.0")
        bench.break_disk()
        assert not bench.value("2.0")
        assert not bench.value("9.9")
        assert not bench.runner.recover()
        bench.mend_disk()
        assert bench.runner.recover()
        assert bench.runner.fault is None
        bench.values("2.0", "2.0")
        assert verdicts(bench) == []
        bench.values("2.0")
        assert verdicts(bench) == [(1, 2, "grade-1", "1")]

    def test_the_fault_itself_is_recorded_once_it_can_be(self, bench: ValueBench) -> None:
        bench.values("2.0")
        bench.break_disk()
        bench.value("2.0")
        bench.mend_disk()
        bench.runner.recover()
        ((what, reason, role),) = bench.rows("SELECT what, reason, role FROM corrections")
        assert (what, role) == ("store-fault", "service")
        assert str(reason).endswith("attempt to write a readonly database")
        assert bench.rows("SELECT how FROM cycle_ends") == [("interrupted",)]

    def test_a_piece_begun_by_the_failing_step_was_never_begun(self, bench: ValueBench) -> None:
        bench.break_disk()
        assert not bench.value("2.0")
        bench.mend_disk()
        bench.runner.recover()
        bench.values("5.0")
        assert verdicts(bench) == [(1, 1, "grade-2", "2")]

    def test_no_number_of_the_sequence_is_missing_after_it(self, bench: ValueBench) -> None:
        bench.values("2.0")
        bench.break_disk()
        bench.value("2.0")
        bench.mend_disk()
        bench.runner.recover()
        bench.values("5.0")
        seqs = [row[0] for row in bench.rows("SELECT seq FROM events ORDER BY seq")]
        assert seqs == list(range(1, len(seqs) + 1))

    def test_a_line_lost_by_the_failing_step_is_still_lost_after_it(
        self, bench: ValueBench
    ) -> None:
        """The line says it once; the bench must not wait for readings that can't come."""
        bench.values("2.0")
        bench.break_disk()
        assert not bench.lose("unplugged")
        assert bench.word == "fault"
        bench.mend_disk()
        bench.runner.recover()
        assert bench.word == "blocked"
        assert "unplugged" in bench.runner.shown.signals.reason
        bench.find()
        assert bench.word == "clamping"

    def test_a_line_lost_or_back_during_the_fault_is_known_after_it(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0")
        bench.break_disk()
        bench.value("2.0")
        bench.lose("unplugged")
        bench.mend_disk()
        bench.runner.recover()
        assert bench.word == "blocked"
        bench.break_disk()
        assert not bench.placed("2")
        assert not bench.find()
        bench.mend_disk()
        bench.runner.recover()
        assert bench.word == "clamping"
        assert bench.runner.alarms == {}

    def test_a_command_in_fault_is_not_taken(self, bench: ValueBench) -> None:
        bench.values("5.0")
        bench.break_disk()
        bench.placed("2")
        assert not bench.handle(Abandoned("dropped", "lead"), "id-1")
        bench.mend_disk()
        bench.runner.recover()
        assert bench.word == "put-away"
        assert not bench.store.knows_inbound("b1", "id-1")

    def test_recovering_without_a_fault_is_nothing(self, bench: ValueBench) -> None:
        bench.values("2.0")
        before = bench.rows("SELECT count(*) FROM events")
        assert bench.runner.recover()
        assert bench.rows("SELECT count(*) FROM events") == before

    def test_a_disk_that_is_really_full_is_a_fault_and_room_mends_it(
        self, bench: ValueBench
    ) -> None:
        """SQLite's own limit of pages is its own error of a full disk: SQLITE_FULL."""
        bench.values("2.0")
        with bench.store.reading() as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            (pages,) = db.execute("PRAGMA page_count").fetchone()
            db.execute(f"PRAGMA max_page_count = {pages}")
        while bench.runner.fault is None:
            bench.value("5.0")
            bench.placed("2")
        assert bench.runner.fault.endswith("database or disk is full")
        assert (bench.word, bench.lamps) == ("fault", ALL_OFF)
        with bench.store.reading() as db:
            db.execute("PRAGMA max_page_count = 1000000")
        assert bench.runner.recover()
        assert bench.word in ("clamping", "put-away")


class TestAfterARestart:
    def test_a_verdict_that_waits_is_shown_again_with_its_lamp(self, bench: ValueBench) -> None:
        bench.values("5.0")
        bench.restart()
        assert bench.lamps == {"2": "on"}
        bench.placed("2")
        assert bench.runner.lot is not None
        assert dict(bench.runner.lot.put_away) == {"grade-2": 1}

    def test_a_wrong_bin_is_still_wrong(self, bench: ValueBench) -> None:
        bench.values("5.0")
        bench.placed("1")
        bench.restart()
        assert bench.lamps == {"2": "on", "1": "fast"}
        assert set(bench.runner.alarms) == {"wrong-bin"}

    def test_an_open_cycle_is_interrupted_once_and_the_piece_keeps_its_number(
        self, bench: ValueBench
    ) -> None:
        bench.values("2.0", "2.0")
        bench.restart()
        bench.restart()
        assert bench.rows("SELECT how FROM cycle_ends") == [("interrupted",)]
        bench.values("2.0", "2.0", "2.0")
        assert verdicts(bench) == [(1, 2, "grade-1", "1")]

    def test_the_lot_of_the_file_is_opened_once(self, bench: ValueBench) -> None:
        bench.restart()
        bench.restart()
        assert bench.rows("SELECT code FROM lots") == [("W-2611-A",)]

    def test_a_closed_lot_of_the_file_is_not_opened_again(self, bench: ValueBench) -> None:
        bench.runner.close_lot("tray empty", "lead", {})
        assert bench.runner.lot is None
        bench.restart()
        assert bench.runner.lot is None
        assert bench.rows("SELECT code FROM lots") == [("W-2611-A",)]

    def test_without_a_lot_a_value_is_recorded_and_belongs_to_nobody(
        self, bench: ValueBench
    ) -> None:
        bench.runner.close_lot("tray empty", "lead", {})
        bench.values("5.0")
        assert bench.word == "no-lot"
        assert bench.rows("SELECT count(*) FROM pieces") == [(0,)]
        (body,) = bench.rows("SELECT body FROM events ORDER BY seq DESC LIMIT 1")[0]
        assert json.loads(str(body))["data"]["reason"].startswith("no-lot")


def test_a_lot_is_not_closed_with_a_piece_in_work_or_in_hand(bench: ValueBench) -> None:
    for um in ("2.0", "5.0"):
        bench.values(um)
        with pytest.raises(CommandRefusedError, match="piece 1 is in work or not put away"):
            bench.runner.close_lot("x", "lead", {})


def test_the_lot_a_bench_goes_by_is_the_one_the_record_tells_anew(bench: ValueBench) -> None:
    """A commit hands its own view on; asked again, the store makes it from the rows."""
    for values, bin_id in ((("5.0",), "2"), (("2.0", "2.0", "2.0"), "1"), (("30.0",), "N")):
        for value in values:
            bench.values(value)
            assert bench.runner.lot == bench.store.lot("b1")
        assert bench.placed(bin_id)
        assert bench.runner.lot == bench.store.lot("b1")
    assert bench.runner.lot is not None
    assert bench.runner.lot.next_piece == 4
    assert bench.runner.lot.put_away == {"grade-1": 1, "grade-2": 1}


def test_an_alarms_time_is_that_of_its_coming_and_goes_with_it(bench: ValueBench) -> None:
    bench.values("5.0")
    bench.placed("1")
    since = bench.runner.alarm_since["wrong-bin"]
    bench.clock.seconds += 60
    bench.placed("N")
    assert bench.runner.alarm_since["wrong-bin"] == since
    bench.placed("2")
    assert bench.runner.alarm_since == {}


def test_every_record_says_whether_the_clock_was_right_and_which_boot_it_was(
    bench: ValueBench,
) -> None:
    bench.clock.is_synced = "unknown"
    bench.values("5.0")
    assert bench.rows("SELECT clock_synced, boot FROM clampings") == [("unknown", "boot-1")]
    assert bench.rows("SELECT proof, mode, loosening FROM clampings") == [
        ("none", "single-value", "not-observed")
    ]
    assert bench.rows("SELECT loosening_observed FROM verdicts") == [(0,)]
