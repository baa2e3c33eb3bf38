"""Alarms on the record: what a restart makes of them, the journal, the commands."""

import json
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from daemon import snapshot
from daemon.inbound import Inbound
from daemon.messages import Reply
from rules.bench import Abandoned, Judged
from rules.capture_model import Edge, Seen
from rules.reading import Reading
from tests.daemon.bench_of_values import INDICATOR, ValueBench, value_bench

JOURNAL = "SELECT code, state FROM alarm_journal ORDER BY seq"


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


def asked(bench: ValueBench, command: str, **values: Any) -> Reply:
    body = {"id": f"c-{bench.clock.seconds}-{command}-{values}", "command": command, **values}
    body["expires"] = (bench.clock.utc() + timedelta(seconds=30)).isoformat()
    message = aiomqtt.Message("r/b1/command", json.dumps(body).encode(), 1, False, 1, None)
    reply = Inbound(bench.runner, bench.store).take("r/b1", message)
    assert reply is not None
    return reply


def call_for_help(bench: ValueBench) -> None:
    for is_on in (True, False):
        bench.clock.seconds += 2
        bench.handle(Edge("foot", is_on, bench.clock.now_ns()))


def later(bench: ValueBench, seconds: float) -> None:
    """Let time pass in ticks of a second."""
    for _ in range(round(seconds)):
        bench.clock.seconds += 1
        bench.tick()


class TestAfterARestart:
    def test_an_alarm_that_stands_no_longer_is_returned_on_the_record(
        self, bench: ValueBench
    ) -> None:
        bench.lose()
        bench.restart()
        assert bench.rows(JOURNAL) == [
            ("indicator-lost", "raised"), ("indicator-lost", "returned"),
        ]  # fmt: skip
        (text,) = bench.rows("SELECT text FROM alarm_journal ORDER BY seq DESC LIMIT 1")[0]
        assert text == "the service started anew"
        bench.restart()
        assert len(bench.rows(JOURNAL)) == 2

    def test_a_call_and_a_wrong_bin_stand_on_since_they_came(self, bench: ValueBench) -> None:
        bench.values("5.0")
        call_for_help(bench)
        bench.placed("1")
        before = dict(bench.runner.alarms), dict(bench.runner.alarm_since)
        bench.clock.seconds += 100
        bench.restart()
        assert (dict(bench.runner.alarms), dict(bench.runner.alarm_since)) == before
        assert len(bench.rows(JOURNAL)) == 2

    def test_what_was_acknowledged_stays_so(self, bench: ValueBench) -> None:
        bench.values("5.0")
        bench.placed("1")
        assert asked(bench, "alarm-ack", code="wrong-bin", role="lead").ok
        bench.restart()
        told = snapshot.alarms(bench.runner)["wrong-bin"]
        assert (told.state, told.role) == ("acknowledged", "lead")

    def test_a_shelf_lasts_to_its_end_and_not_longer(self, bench: ValueBench) -> None:
        asked(bench, "alarm-shelve", code="indicator-lost", role="lead", reason="r", for_min=10)
        bench.clock.seconds += 300
        bench.restart()
        bench.lose()
        told = snapshot.alarms(bench.runner)["indicator-lost"]
        assert (told.state, told.stands, told.reason) == ("shelved", True, "r")
        later(bench, 301)
        told = snapshot.alarms(bench.runner)["indicator-lost"]
        assert (told.state, told.until) == ("raised", None)

    def test_a_shelf_that_ended_meanwhile_is_over(self, bench: ValueBench) -> None:
        asked(bench, "alarm-shelve", code="battery-low", role="lead", reason="r", for_min=10)
        bench.clock.seconds += 700
        bench.restart()
        bench.tick()
        assert snapshot.alarms(bench.runner) == {}
        assert bench.rows(JOURNAL) == [("battery-low", "shelved"), ("battery-low", "returned")]


class TestOverALot:
    def test_the_alarms_of_a_closed_lot_return_and_those_of_the_lines_stand_on(
        self, bench: ValueBench
    ) -> None:
        low = Reading(None, flags=frozenset({"low-battery"}))
        bench.handle(Seen(INDICATOR, low, bench.clock.now_ns()))
        later(bench, 3)
        bench.handle(Judged("order-short", True, "short"))
        assert set(bench.runner.alarms) == {"battery-low", "order-short"}
        bench.handle(Abandoned("no value", "lead"))
        bench.runner.close_lot("end", "lead", {})
        assert set(bench.runner.alarms) == {"battery-low"}
        assert bench.rows(JOURNAL)[-1] == ("order-short", "returned")


class TestCommands:
    def test_the_list_says_who_acts_and_what_to_do(self, bench: ValueBench) -> None:
        assert asked(bench, "alarm-list").text == "no alarm stands"
        bench.lose()
        reply = asked(bench, "alarm-list", all=True)
        assert reply.text == "1 alarm stands"
        assert reply.data is not None
        data: dict[str, Any] = reply.data
        (alarm,), (line,) = data["alarms"], data["journal"]
        assert (alarm["code"], alarm["waits_for"]) == ("indicator-lost", "operator")
        assert alarm["to_do"].startswith("check its cable")
        assert (line["code"], line["state"]) == ("indicator-lost", "raised")

    def test_a_call_is_answered_by_acknowledging_it(self, bench: ValueBench) -> None:
        call_for_help(bench)
        assert asked(bench, "alarm-ack", code="help-called", role="lead").ok
        assert bench.runner.alarms == {}
        assert bench.rows("SELECT text FROM alarm_journal")[-1] == ("answered by lead",)

    def test_a_shelved_alarm_is_shown_as_shelved_and_is_none_of_those_that_call(
        self, bench: ValueBench
    ) -> None:
        bench.lose()
        reply = asked(
            bench, "alarm-shelve", code="indicator-lost", role="lead", reason="r", for_min=60
        )
        assert reply.text.startswith("indicator-lost: shelved until 2026-11-24T07:00:")
        assert snapshot.state(bench.runner.shown, "W", 1.0).alarms == []
        told = snapshot.alarms(bench.runner)["indicator-lost"]
        assert (told.state, told.stands, told.role) == ("shelved", True, "lead")
        again = asked(bench, "alarm-shelve", code="indicator-lost", role="lead", for_min=0)
        assert again.ok
        assert snapshot.state(bench.runner.shown, "W", 1.0).alarms == ["indicator-lost"]

    @pytest.mark.parametrize(
        ("command", "values", "said"),
        [
            ("alarm-ack", {"role": "lead"}, "code: got None, accepted are attention-asked"),
            ("alarm-ack", {"code": "fire", "role": "lead"}, "code: got 'fire', accepted are"),
            ("alarm-ack", {"code": "wrong-bin"}, "needs the role of who asks"),
            ("alarm-ack", {"code": "wrong-bin", "role": "lead"}, "does not stand"),
            ("alarm-shelve", {"code": "battery-low", "role": "lead"}, "needs for_min"),
            (
                "alarm-shelve",
                {"code": "battery-low", "role": "lead", "for_min": 5},
                "needs a reason",
            ),
            ("alarm-shelve", {"for_min": 1441}, "for_min: Input should be less than or equal"),
        ],
    )
    def test_what_makes_no_sense_is_refused_and_nothing_is_kept(
        self, command: str, values: dict[str, Any], said: str, bench: ValueBench
    ) -> None:
        reply = asked(bench, command, **values)
        assert not reply.ok
        assert said in reply.text
        assert bench.rows(JOURNAL) == []
