"""The broker is gone in mid-lot: grading goes on, nothing is lost, lamps show the present.

The simulated operator works by the bench's own truth here: without a broker nobody could see a
prompt or tell a bin. A removal closes the piece.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from tests.system.deadline import until
from tests.system.service_process import ServiceProcess, running_service
from tests.system.shop import Shop, running_shop
from tests.system.verdict_check import check_verdicts

pytestmark = pytest.mark.system

SPEED = 30.0
BINS = {"1", "2", "H", "N"}

PUT_AWAY = ("[bench.lot]", '[bench.put_away]\nby = ["removal"]\n\n[bench.lot]')
ORDER = ('{ "grade-1" = 36 }', '{ "grade-1" = 100 }')

SLACK_S = 0.5
"""Between the commit of a put-away and the word of its lamp at a subscriber, at most."""


@contextmanager
def working(folder: Path) -> Iterator[tuple[Shop, ServiceProcess]]:
    """A bench at work that needs no broker to go on."""
    shop_floor = running_shop(
        folder, SPEED, {"b1": 100}, PUT_AWAY, ORDER, seed=77, sees_mqtt=False, broker="durable"
    )
    with shop_floor as shop, running_service(shop.bench_file, SPEED) as service:
        until(lambda: shop.verdicts() >= 1, "a first verdict", 60)
        yield shop, service


def wait_until_told(shop: Shop) -> None:
    """Wait until the subscriber has every event that the store has now."""
    known = {event["seq"] for event in shop.events()}
    shop.listener.wait_for(
        lambda: known <= {event["seq"] for event in shop.listener.events("b1")},
        "every event at the subscriber",
    )


def check_record(shop: Shop) -> None:
    """The events have no gap, were all told under their ids, and the verdicts are right."""
    stored = shop.events()
    assert [event["seq"] for event in stored] == list(range(1, len(stored) + 1))
    by_id = {event["id"]: event for event in stored}
    heard = shop.listener.events("b1")
    assert {event["id"] for event in heard} == set(by_id)
    assert all(by_id[event["id"]] == event for event in heard)
    assert check_verdicts(shop.store) >= 1


def check_lamps(shop: Shop, after: int) -> None:
    """The first words after the reconnect name each bin once; none is about the past."""
    heard = [m for m in shop.listener.heard(after) if not m.retain]
    lamps = [m for m in heard if m.topic.startswith("b1/lamp/")]
    assert {m.topic.rpartition("/")[2] for m in lamps[: len(BINS)]} == BINS
    times = _waiting_times(shop.events())
    for lamp in (m for m in lamps if m.text == "on"):
        bin_id = lamp.topic.rpartition("/")[2]
        assert any(
            bin_id == where and begun - SLACK_S <= lamp.at_s <= ended + SLACK_S
            for where, begun, ended in times
        ), f"bin {bin_id} lit for nothing"


def _waiting_times(events: list[dict[str, Any]]) -> list[tuple[str, float, float]]:
    """Return bin, verdict and put-away of every piece, times of the day in seconds."""
    ended = {
        event["data"]["piece"]: _time(event)
        for event in events
        if event["type"] == "reclamp.put-away.v1" and event["data"]["right"]
    }
    return [
        (
            event["data"]["bin"],
            _time(event),
            ended.get(event["data"]["piece"], float("inf")),
        )
        for event in events
        if event["type"] == "reclamp.verdict.v1"
    ]


def _time(event: dict[str, Any]) -> float:
    return datetime.fromisoformat(event["time"]).timestamp()


def test_without_a_broker_grading_goes_on_and_all_of_it_is_told_afterwards(
    tmp_path: Path,
) -> None:
    with working(tmp_path) as (shop, service):
        wait_until_told(shop)
        before = shop.verdicts()
        shop.mosquitto.kill()
        gone = shop.listener.count
        until(lambda: shop.verdicts() >= before + 3, "three verdicts without a broker", 60)
        waiting = shop.outbox()
        assert waiting >= 6  # three verdicts and the clampings they rest on
        shop.mosquitto.start()
        until(lambda: shop.outbox() == 0, "an empty outbox")
        again = shop.verdicts()
        until(lambda: shop.verdicts() > again, "a verdict after the reconnect", 60)
        assert service.is_alive, service.log()
        wait_until_told(shop)
        assert service.stop() == 0, service.log()
        wait_until_told(shop)
        print(f"{waiting} events waited, {shop.verdicts()} verdicts")
        check_record(shop)
        check_lamps(shop, gone)


def test_a_broker_that_hangs_does_not_stop_the_bench(tmp_path: Path) -> None:
    with working(tmp_path) as (shop, service):
        before = shop.verdicts()
        shop.mosquitto.freeze()
        try:
            until(lambda: shop.verdicts() >= before + 2, "two verdicts meanwhile", 60)
        finally:
            shop.mosquitto.thaw()
        until(lambda: shop.outbox() == 0, "an empty outbox")
        wait_until_told(shop)
        assert service.stop() == 0, service.log()
        wait_until_told(shop)
        check_record(shop)
