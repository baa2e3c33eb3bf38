"""What comes in over MQTT: bins and commands; everything else is refused, counted, harmless."""

import json
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config import load
from daemon.inbound import MAX_BYTES, Inbound
from daemon.messages import Lot, Reply
from tests.daemon.bench_of_values import SINGLE_VALUES, ValueBench, value_bench

BASE = "reclamp/b1"


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


@pytest.fixture
def inbound(bench: ValueBench) -> Inbound:
    return Inbound(bench.runner, bench.store)


def sent(
    inbound: Inbound, topic: str, payload: Any = b"", *, retain: bool = False
) -> Reply | None:
    message = aiomqtt.Message(f"{BASE}/{topic}", payload, 1, retain, 1, None)
    return inbound.take(BASE, message)


def asked(inbound: Inbound, **values: Any) -> Reply:
    expires = inbound.runner.utc_now() + timedelta(seconds=30)
    body = {"id": "c-1", "expires": expires.isoformat(), **values}
    body = {key: value for key, value in body.items() if value is not None}
    reply = sent(inbound, "command", json.dumps(body).encode())
    assert reply is not None
    return reply


class TestPlaced:
    @pytest.mark.parametrize("payload", [b"", b"  \n", b'{"id": "press-1"}', b'{"id": null}'])
    def test_a_bin_that_saw_a_piece_closes_it(
        self, payload: bytes, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        assert sent(inbound, "placed/2", payload) is None
        assert bench.word == "clamping"
        assert bench.rows("SELECT bin, is_right FROM put_aways") == [("2", 1)]
        assert inbound.refused.total() == 0

    def test_a_repeated_id_counts_once(self, bench: ValueBench, inbound: Inbound) -> None:
        bench.values("5.0")
        for _ in range(3):
            sent(inbound, "placed/2", b'{"id": "press-1"}')
        assert bench.rows("SELECT count(*) FROM put_aways") == [(1,)]
        assert inbound.refused == {"repeated": 2}
        assert bench.runner.fault is None

    def test_a_repetition_without_an_id_is_a_put_away_of_nothing(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        sent(inbound, "placed/2")
        sent(inbound, "placed/2")
        assert bench.rows("SELECT cycle IS NULL, is_right FROM put_aways ORDER BY id") == [
            (0, 1), (1, 0),
        ]  # fmt: skip

    def test_an_id_is_remembered_over_a_restart(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        sent(inbound, "placed/1", b'{"id": "press-1"}')
        bench.restart()
        again = Inbound(bench.runner, bench.store)
        sent(again, "placed/1", b'{"id": "press-1"}')
        assert again.refused == {"repeated": 1}

    @pytest.mark.parametrize(
        ("topic", "payload", "retain", "why"),
        [
            ("placed/2", b"", True, "retained"),
            ("placed/9", b"", False, "unknown-bin"),
            ("placed/", b"", False, "unknown-bin"),
            ("placed/2/2", b"", False, "unknown-bin"),
            ("placed/2", b"pressed", False, "wrong-json"),
            ("placed/2", b'{"id": 7}', False, "wrong-json"),
            ("placed/2", b'{"id": ""}', False, "wrong-json"),
            ("placed/2", b'{"ID": "a"}', False, "wrong-json"),
            ("placed/2", b'{"id": "' + b"a" * 201 + b'"}', False, "wrong-json"),
            ("placed/2", b"[" * MAX_BYTES, False, "wrong-json"),
            ("placed/2", b'{"id": "\\ud800"}', False, "wrong-json"),
            ("placed/2", b"\xff\xfe", False, "wrong-json"),
            ("placed/2", b" " * (MAX_BYTES + 1), False, "oversize"),
            ("placed/2", None, False, "oversize"),
            ("placed/2", b'{"expires": "2026-11-24T06:00:00Z"}', False, "stale"),
            ("placed/2", b'{"expires": "2026-11-24T08:00:00+02:00"}', False, "stale"),
            ("placed/2", b'{"expires": "2026-11-24T06:00:30"}', False, "wrong-json"),
        ],
    )
    def test_what_is_no_put_away_is_refused_and_changes_nothing(
        self, topic: str, payload: object, retain: bool, why: str, bench: ValueBench,
        inbound: Inbound,
    ) -> None:  # fmt: skip
        bench.values("5.0")
        before = bench.rows("SELECT count(*) FROM events")
        assert sent(inbound, topic, payload, retain=retain) is None
        assert inbound.refused == {why: 1}
        assert bench.rows("SELECT count(*) FROM events") == before
        assert bench.lamps == {"2": "on"}

    def test_what_nobody_here_subscribed_to_is_no_matter(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        message = aiomqtt.Message("reclamp/b2/placed/2", b"", 1, False, 1, None)
        assert inbound.take(BASE, message) is None
        assert sent(inbound, "event/verdict", b"{}") is None
        assert inbound.refused.total() == 0

    def test_a_press_counts_until_it_expires(self, bench: ValueBench, inbound: Inbound) -> None:
        bench.values("5.0")
        sent(inbound, "placed/2", b'{"id": "p", "expires": "2026-11-24T06:00:31Z"}')
        assert bench.word == "clamping"

    def test_a_confirmation_after_a_restart_is_harmless_and_recorded(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        sent(inbound, "placed/2")
        bench.restart()
        sent(Inbound(bench.runner, bench.store), "placed/2")
        assert bench.rows("SELECT cycle IS NULL, is_right FROM put_aways ORDER BY id") == [
            (0, 1), (1, 0),
        ]  # fmt: skip
        assert bench.rows("SELECT status FROM piece_status") == [("put-away",)]
        assert bench.word == "clamping"

    def test_a_flood_of_refusals_is_counted_and_hardly_logged(
        self, inbound: Inbound, caplog: pytest.LogCaptureFixture
    ) -> None:
        for _ in range(1234):
            sent(inbound, "placed/2", b"{")
        assert inbound.refused == {"wrong-json": 1234}
        told = [record.getMessage() for record in caplog.records]
        assert len(told) == 12
        assert told[-1].endswith(": wrong-json (1000 so far)")

    def test_in_fault_a_press_is_not_taken_and_its_id_stays_free(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        bench.break_disk()
        sent(inbound, "placed/2", b'{"id": "press-1"}')
        assert bench.word == "fault"
        bench.mend_disk()
        bench.runner.recover()
        sent(inbound, "placed/2", b'{"id": "press-1"}')
        assert bench.word == "clamping"


class TestCommands:
    def test_the_lot_is_shown_with_its_counts(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        bench.placed("2")
        reply = asked(inbound, command="lot-show")
        assert (reply.id, reply.ok, reply.text) == ("c-1", True, "W-2611-A")
        assert reply.data is not None
        assert reply.data["measured"] == 1

    def test_a_piece_is_shown_with_its_clampings(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("2.0", "5.0")
        reply = asked(inbound, command="piece-show", piece=1)
        assert reply.text == "piece 1: pending"
        assert reply.data is not None
        assert reply.data["grade"] == "grade-2"
        shown = reply.data["clampings"]
        assert isinstance(shown, list)
        first, second = shown
        assert (first["tir_um"], first["result"], first["reason"]) == (2.0, "within", "")
        assert (second["tir_um"], second["result"], second["reason"]) == (5.0, "within", "")
        assert first["loosening"]["evidence"] == "not-observed"
        assert first["loosening"]["before_s"] is None
        assert [place["diagnosis"] for place in first["positions"]] == [None]

    def test_events_are_replayed_from_where_a_gap_was_seen(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("2.0", "2.0", "2.0")
        reply = asked(inbound, command="events", after_seq=2)
        assert reply.data is not None
        found = reply.data["events"]
        assert isinstance(found, list)
        assert [event["seq"] for event in found] == [3, 4, 5]
        everything = asked(inbound, command="events")
        assert everything.text == "5 events"
        assert everything.data is not None
        assert everything.data["newest_seq"] == 5

    def test_a_long_gap_is_mended_piece_by_piece(
        self, bench: ValueBench, inbound: Inbound, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("daemon.commands._EVENT_BYTES_AT_ONCE", 2500)
        for _ in range(4):
            bench.values("5.0")
            bench.placed("2")
        seqs: list[int] = []
        while True:
            data = asked(inbound, command="events", after_seq=seqs[-1] if seqs else 0).data
            assert data is not None
            found = data["events"]
            assert isinstance(found, list)
            assert 1 <= len(found) < 6
            seqs += [event["seq"] for event in found]
            if seqs[-1] == data["newest_seq"]:
                break
        assert seqs == list(range(1, len(seqs) + 1))
        assert bench.rows("SELECT max(seq) FROM events") == [(seqs[-1],)]

    def test_what_would_not_fit_alone_is_sent_all_the_same(
        self, bench: ValueBench, inbound: Inbound, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("daemon.commands._EVENT_BYTES_AT_ONCE", 1)
        data = asked(inbound, command="events").data
        assert data is not None
        assert len(data["events"]) == 1  # type: ignore[arg-type]

    def test_a_retry_takes_the_whole_set_again_and_keeps_the_first(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        reply = asked(inbound, command="piece-retry", reason="chip in a slot", role="lead")
        assert (reply.ok, reply.text) == (True, "the whole set is taken again")
        assert bench.lamps == {}
        bench.values("2.0", "2.0", "2.0")
        assert bench.rows("SELECT cycle, kind, grade FROM verdicts_um ORDER BY cycle") == [
            (1, "first", "grade-2"), (2, "retry", "grade-1"),
        ]  # fmt: skip
        assert bench.store.knows_inbound("b1", "c-1")

    def test_a_piece_is_given_up_with_reason_and_role(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("2.0")
        reply = asked(inbound, command="piece-abandon", reason="dropped", role="lead")
        assert (reply.ok, reply.text) == (True, "the piece is given up")
        assert bench.rows("SELECT status FROM piece_status") == [("abandoned",)]

    def test_every_command_of_a_lot_is_answered(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        said: dict[str, dict[str, Any]] = {
            "lot-visual": {"finding": "burr", "cell": 7},
            "lot-cell": {"cell": 8, "reason": "nothing in it"},
            "lot-order": {"grade": "grade-1", "quantity": 30, "reason": "fewer wanted"},
            "box-change": {"bin": "2", "box": "A-2-002", "capacity": 40},
            "lot-close": {"reason": "moved", "unproved": "measured at b2", "counted": 119},
            "lot-open": {
                "lot": "W-2", "article": "MR-10-MED", "quantity": 60, "cells": 60, "seed": "s",
                "order": {"grade-1": 5}, "bins_empty": True,
            },
        }  # fmt: skip
        replies = {
            name: asked(inbound, id=name, command=name, role="lead", **values)
            for name, values in said.items()
        }
        assert {name: reply.text for name, reply in replies.items() if not reply.ok} == {}
        assert [reply.id for reply in replies.values()] == list(said)
        shown = asked(inbound, id="show", command="lot-show")
        lot = Lot.model_validate(shown.data)
        assert (lot.lot, lot.tray and lot.tray.cells) == ("W-2", 60)
        assert lot.rest is not None
        assert lot.rest.plan.plan == "sample"
        again = asked(inbound, id="visual-2", command="lot-visual", finding="burr", role="lead")
        assert "accepted is one piece and its cell" in again.text

    def test_a_lot_is_closed_once(self, bench: ValueBench, inbound: Inbound) -> None:
        ask = {
            "command": "lot-close", "reason": "end", "role": "lead", "counted": 120,
            "unproved": "goes to bench b2",
        }  # fmt: skip
        reply = asked(inbound, **ask)
        assert reply.ok
        assert bench.runner.lot is None
        again = asked(inbound, **ask)
        assert (again.ok, again.text) == (False, "a command of id 'c-1' was taken before")
        assert inbound.refused == {"repeated": 1}

    @pytest.mark.parametrize(
        ("expires", "said"),
        [
            (
                None,
                "expires: missing; accepted is a moment after now, 2026-11-24T06:00:10.000Z",
            ),
            (
                "2026-11-24T06:00:10Z",
                "expires: 2026-11-24T06:00:10.000Z is over, it is 2026-11-24T06:00:10.000Z",
            ),
            (
                "2026-11-24T07:00:11Z",
                "expires: got 2026-11-24T07:00:11.000Z; accepted is within the hour",
            ),
        ],
    )
    def test_a_command_that_acts_is_refused_without_an_expiry_and_after_it(
        self, expires: str | None, said: str, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        bench.clock.seconds = 10
        why = {"command": "piece-retry", "reason": "chip", "role": "lead"}
        reply = asked(inbound, **why, expires=expires)
        assert (reply.id, reply.ok, reply.text) == ("c-1", False, said)
        assert inbound.refused == {"stale": 1}
        assert bench.lamps == {"2": "on"}
        assert asked(inbound, **why, expires="2026-11-24T07:00:10Z").ok

    def test_a_question_needs_no_expiry_and_keeps_to_one_it_has(self, inbound: Inbound) -> None:
        assert asked(inbound, command="lot-show", expires=None).ok
        assert not asked(inbound, command="lot-show", expires="2026-11-24T05:59:59Z").ok
        assert inbound.refused == {"stale": 1}

    @pytest.mark.parametrize(
        ("values", "said"),
        [
            ({"command": "piece-show"}, "piece-show needs piece"),
            ({"command": "piece-show", "piece": 9}, "no piece 9 in the open lot"),
            (
                {"command": "piece-retry", "reason": "x"},
                "piece-retry needs a reason and the role of who asks for it",
            ),
            (
                {"command": "piece-retry", "reason": " ", "role": "lead"},
                "piece-retry needs a reason and the role of who asks for it",
            ),
            (
                {"command": "piece-retry", "reason": "x", "role": "lead"},
                "a retry is for a piece that has its verdict and is not yet put away",
            ),
            (
                {"command": "piece-abandon", "reason": "x", "role": "lead"},
                "there is no piece in work",
            ),
            (
                {"command": "piece-abandon", "role": "lead"},
                "piece-abandon needs a reason and the role of who asks for it",
            ),
        ],
    )
    def test_a_command_that_makes_no_sense_is_refused_with_its_reason(
        self, values: dict[str, Any], said: str, inbound: Inbound, bench: ValueBench
    ) -> None:
        reply = asked(inbound, **values)
        assert (reply.id, reply.ok, reply.text) == ("c-1", False, said)
        assert not bench.store.knows_inbound("b1", "c-1")

    def test_a_second_retry_is_refused(self, bench: ValueBench, inbound: Inbound) -> None:
        bench.values("5.0")
        why = {"command": "piece-retry", "reason": "chip", "role": "lead"}
        assert asked(inbound, id="a", **why).ok
        bench.values("5.0")
        reply = asked(inbound, id="b", **why)
        assert (reply.ok, reply.text) == (False, "this piece has had its retries (1)")
        assert bench.lamps == {"2": "on"}

    def test_without_a_lot_a_piece_can_not_be_shown(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.runner.close_lot("end", "lead", {})
        reply = asked(inbound, command="piece-show", piece=1)
        assert reply.text == "no lot is open on this bench"
        assert asked(inbound, command="lot-show").text == "no lot is open"

    @pytest.mark.parametrize(
        ("payload", "said", "id_"),
        [
            (b"", "command: Invalid JSON", ""),
            (b"lot-show", "command: Invalid JSON", ""),
            (b"[]", "command: Input should be an object", ""),
            (b'{"id": "x"}', "command: Field required", "x"),
            (b'{"id": "x", "command": "lot-sell"}', "command: Input should be 'lot-show'", "x"),
            (b'{"id": "x", "command": "lot-show", "lots": 1}', "lots: Extra inputs", "x"),
            (b'{"command": "lot-show"}', "id: Field required", ""),
            (b'{"id": "", "command": "lot-show"}', "id: String should have at least 1", ""),
            (b'{"id": 7, "command": "lot-show"}', "id: Input should be a valid string", "7"),
            (b'{"id": "x", "command": "events", "after_seq": -1}', "after_seq: ", "x"),
            (b'{"id": "x", "command": "events", "after_seq": 1' + b"0" * 30 + b"}",
             "after_seq: ", "x"),
            (b'{"id": "x", "command": "piece-show", "piece": 1' + b"0" * 30 + b"}",
             "piece: ", "x"),
            (b'{"id": "\\ud800", "command": "lot-show"}', "Invalid JSON", "?"),
            (b"[" * MAX_BYTES, "command: Invalid JSON: recursion limit exceeded", ""),
            (b"\xff", "command: Invalid JSON", ""),
        ],
    )  # fmt: skip
    def test_what_is_no_command_is_refused_and_answered_to_its_id(
        self, payload: bytes, said: str, id_: str, inbound: Inbound
    ) -> None:
        reply = sent(inbound, "command", payload)
        assert reply is not None
        assert not reply.ok
        assert said in reply.text
        assert reply.id == id_
        assert reply.model_dump_json()
        assert inbound.refused == {"wrong-json": 1}

    @pytest.mark.parametrize(
        ("payload", "retain", "why"),
        [
            (b'{"id": "x", "command": "lot-show"}', True, "retained"),
            (b'{"id": "x", "command": "lot-show"}' + b" " * MAX_BYTES, False, "oversize"),
        ],
    )
    def test_retained_and_oversize_commands_get_no_answer(
        self, payload: bytes, retain: bool, why: str, inbound: Inbound
    ) -> None:
        assert sent(inbound, "command", payload, retain=retain) is None
        assert inbound.refused == {why: 1}

    def test_in_fault_a_command_says_that_nothing_can_be_kept(
        self, bench: ValueBench, inbound: Inbound
    ) -> None:
        bench.values("5.0")
        bench.break_disk()
        sent(inbound, "placed/2")
        reply = asked(inbound, command="piece-retry", reason="chip", role="lead")
        assert not reply.ok
        assert reply.text.startswith("no record can be kept: ")
        assert asked(inbound, command="lot-show").ok

    def test_what_is_taken_is_noted_for_a_recording_and_questions_are_not(
        self, bench: ValueBench
    ) -> None:
        noted: list[tuple[str, str]] = []
        inbound = Inbound(
            bench.runner, bench.store, lambda what, text: noted.append((what, text))
        )
        bench.values("5.0")
        asked(inbound, command="lot-show")
        asked(inbound, command="piece-retry", reason="chip", role="lead")
        bench.values("5.0")
        sent(inbound, "placed/2", b'{"id": "p"}')
        sent(inbound, "placed/2", b'{"id": "p"}')
        assert [what for what, _ in noted] == ["command", "placed"]
        assert json.loads(noted[0][1]) == {
            "id": "c-1", "command": "piece-retry", "reason": "chip", "role": "lead",
            "expires": "2026-11-24T06:01:00Z",
        }  # fmt: skip
        assert noted[1] == ("placed", "2")


payloads = st.one_of(
    st.binary(max_size=200),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(st.text(max_size=10), inner, max_size=4)
        ),
        max_leaves=12,
    ).map(lambda value: json.dumps(value).encode()),
    st.fixed_dictionaries(
        {
            "id": st.text(max_size=5) | st.integers(),
            "command": st.sampled_from(["lot-show", "piece-show", "events", "piece-retry"]),
            "piece": st.none() | st.integers() | st.text(max_size=4),
            "after_seq": st.none() | st.integers(),
            "reason": st.text(max_size=10),
        }
    ).map(lambda value: json.dumps(value).encode()),
)


@pytest.fixture(scope="module")
def long_lived(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Inbound]:
    scenario = Path(__file__).parents[2] / "simulators" / "scenario"
    folder = tmp_path_factory.mktemp("inbound")
    for source in scenario.glob("*.toml"):
        text = source.read_text(encoding="utf-8").replace(*SINGLE_VALUES)
        (folder / source.name).write_text(text, encoding="utf-8")
    bench = ValueBench(load(folder / "bench.toml"))
    yield Inbound(bench.runner, bench.store)
    bench.close()


@settings(deadline=None, max_examples=300)
@given(
    topic=st.sampled_from(["command", "placed/2", "placed/N"]) | st.text(max_size=20),
    payload=payloads,
    retain=st.booleans(),
)
def test_no_message_raises_and_every_command_with_an_id_is_answered_to_it(
    topic: str, payload: bytes, retain: bool, long_lived: Inbound
) -> None:
    topic = topic.replace("+", "").replace("#", "").replace("\x00", "")
    reply = sent(long_lived, topic, payload, retain=retain)
    if topic == "command" and not retain and len(payload) <= MAX_BYTES:
        assert reply is not None
        reply.model_dump_json()
    else:
        assert reply is None
    assert long_lived.runner.fault is None
