"""The life of a lot by commands: real store, the objects that MQTT and socket bring."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from daemon.bench import BenchRunner
from daemon.clock import SystemClock
from daemon.commands import carry_out
from daemon.config import load
from daemon.messages import Command, Reply
from daemon.store import Store
from rules.separation import CONFOUNDED, PinMoves

NO_LOT = ('[bench.lot]\ncode = "W-2611-A"', '[bench.lot]\ncode = "W-OLD"')


class Bench:
    """A bench without a line: only commands move it."""

    def __init__(self, path: Path) -> None:
        config = load(path)
        self.store = Store(config.store_path)
        self.store.keep_texts(
            [(config.source.sha256, "bench", path.name, config.source.text)]
            + [(b.rules.grading.sha256, "rules", b.rules_path.name, b.rules_text)
               for b in config.benches],
            "2026-11-24T00:00:00.000Z",
        )  # fmt: skip
        self.runner = BenchRunner(config, config.benches[0], self.store, SystemClock(), "boot")
        self.asked = 0

    def ask(self, command: str, **values: Any) -> Reply:
        self.asked += 1
        body = {"id": f"c{self.asked}", "command": command, **values}
        return carry_out(Command.model_validate(body), self.runner, self.store)

    def events(self) -> list[dict[str, Any]]:
        rows = self.store.events_after(self.runner.by.bench, 0, 1000)
        return [json.loads(body)["data"] for _, kind, body in rows if kind == "lot"]


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[Bench]:
    made = Bench(bench_folder())
    yield made
    made.store.close()


def close(bench: Bench, **more: Any) -> Reply:
    values = {"reason": "end of shift", "unproved": "goes on at another bench", **more}
    return bench.ask("lot-close", role="lead", **values)


def open_next(bench: Bench, **more: Any) -> Reply:
    values = {
        "lot": "W-2612-A", "article": "MR-10-MED", "quantity": 50, "role": "operator",
        "order": {"grade-1": 20}, "bins_empty": True, **more,
    }  # fmt: skip
    return bench.ask("lot-open", **values)


def test_an_order_lowered_until_it_is_filled_is_told_as_it_is_then(bench: Bench) -> None:
    values = {"grade": "grade-1", "quantity": 0, "reason": "half is enough", "role": "lead"}
    assert bench.ask("lot-order", **values).ok
    told = [(data["what"], data["order"]) for data in bench.events()]
    assert told == [
        ("opened", {"grade-1": 36}), ("order-changed", {"grade-1": 0}),
        ("order-filled", {"grade-1": 0}), ("drawn", {"grade-1": 0}),
    ]  # fmt: skip


def test_a_lot_is_closed_and_another_opened_with_all_it_was_given(bench: Bench) -> None:
    assert close(bench).ok
    reply = open_next(bench, holder="H-MED-1", pins=["MP-10-1"])
    assert reply.ok, reply.text
    assert reply.data is not None
    assert (reply.data["lot"], reply.data["unmeasured"]) == ("W-2612-A", 50)
    assert [e["what"] for e in bench.events()] == ["opened", "closed", "opened"]


@pytest.mark.parametrize("how", ["with-collet", "with-holder", "free", None])
def test_how_the_pin_moves_is_recorded_with_what_it_confounds(
    bench: Bench, how: PinMoves | None
) -> None:
    close(bench)
    assert open_next(bench, pin_moves=how).ok
    opened = bench.events()[-1]
    assert opened["pin_moves"] == how
    assert opened["confounds"] == ("" if how is None else CONFOUNDED[how])
    with bench.store.reading() as db:
        kept = db.execute("SELECT pin_moves FROM lots ORDER BY id").fetchall()
    assert kept == [(None,), (how,)]


def test_one_lot_at_a_time(bench: Bench) -> None:
    reply = open_next(bench)
    assert not reply.ok
    assert "W-2611-A is open" in reply.text


def test_a_code_is_used_once_a_bench(bench: Bench) -> None:
    close(bench)
    reply = open_next(bench, lot="W-2611-A")
    assert not reply.ok
    assert "has had a lot" in reply.text


def test_a_new_lot_asks_for_empty_bins(bench: Bench) -> None:
    close(bench)
    reply = open_next(bench, bins_empty=False)
    assert not reply.ok
    assert "look at the bins" in reply.text


def test_an_order_above_the_lot_is_refused_with_what_is_accepted(bench: Bench) -> None:
    reply = bench.ask("lot-order", grade="grade-1", quantity=121, reason="r", role="lead")
    assert not reply.ok
    assert "at most 120" in reply.text
    reply = bench.ask("lot-order", grade="grade-9", quantity=1, reason="r", role="lead")
    assert "accepted are grade-1, grade-2" in reply.text


def test_lowering_the_order_to_what_is_there_fills_it(bench: Bench) -> None:
    reply = bench.ask("lot-order", grade="grade-1", quantity=0, reason="cancelled", role="lead")
    assert reply.ok
    assert bench.runner.shown.signals.word in ("coming-up", "sampling")
    assert [e["what"] for e in bench.events()][-3:] == [
        "order-changed",
        "order-filled",
        "drawn",
    ]
    again = bench.ask("lot-order", grade="grade-1", quantity=36, reason="back", role="lead")
    assert again.data is not None
    assert again.data["order_state"] == "open"


def test_pieces_set_aside_leave_the_unmeasured_ones(bench: Bench) -> None:
    assert close(bench).ok
    assert open_next(bench).ok  # its cells are not numbered
    reply = bench.ask("lot-visual", finding="burr", pieces=4, role="operator")
    assert reply.data is not None
    assert (reply.data["set_aside"], reply.data["unmeasured"]) == (4, 46)
    assert bench.ask("lot-visual", finding="surface", pieces=47, role="operator").ok is False
    assert bench.events()[-1]["finding"] == "burr"


def test_a_box_change_is_on_record_and_its_label_on_the_next_put_away(bench: Bench) -> None:
    assert bench.ask("box-change", bin="1", box="A-1-002", capacity=40, role="operator").ok
    assert bench.events()[-1]["box"] == "A-1-002"
    refused = bench.ask("box-change", bin="9", box="X", role="operator")
    assert "accepted are 1, 2, H, N" in refused.text


def test_a_lot_that_does_not_add_up_needs_a_reason(bench: Bench) -> None:
    reply = close(bench, counted=118)
    assert not reply.ok
    assert "+2 is missing a reason" in reply.text
    closed = close(bench, counted=118, mismatch="two fell to the floor")
    assert closed.ok
    assert closed.data is not None
    assert closed.data["difference"] == 2
    assert "two fell to the floor" in bench.events()[-1]["reason"]


def test_a_rest_that_is_not_proved_needs_a_word_on_what_becomes_of_it(bench: Bench) -> None:
    reply = close(bench, unproved="")
    assert not reply.ok
    assert "120 pieces are neither measured nor proved (no look was due yet)" in reply.text
    assert close(bench, unproved="all of it goes to bench b2").ok
    assert "rest not proved: all of it goes to bench b2" in bench.events()[-1]["reason"]


def test_what_is_missing_in_a_command_is_named(bench: Bench) -> None:
    assert "needs role" in bench.ask("lot-visual", finding="burr").text
    assert "needs reason, role" in bench.ask("lot-close").text
