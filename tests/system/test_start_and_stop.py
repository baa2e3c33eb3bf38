"""How a service starts, is refused, and ends: exit codes, last words, nothing left behind."""

import asyncio
import signal
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from daemon.bench import Shown
from daemon.broker import Session
from daemon.clock import SystemClock, boot_id, rfc3339
from daemon.config import load
from daemon.inbound import Inbound
from daemon.publisher import Publisher
from daemon.service import Service
from daemon.snapshot import about
from rules.signals import Signals
from tests.mosquitto_process import running_mosquitto
from tests.system.deadline import until
from tests.system.mqtt_listener import MQTT_5, listening
from tests.system.service_process import running_service
from tests.system.shop import bench_file, running_shop

pytestmark = pytest.mark.system

SPEED = 30.0


def test_a_second_service_on_the_same_store_is_refused_in_one_line(tmp_path: Path) -> None:
    with (
        running_shop(tmp_path, 1, {"b1": 1}) as shop,
        running_service(shop.bench_file) as first,
    ):
        shop.listener.wait_for_message("b1/link", lambda m: m.text == "online")
        other = tmp_path / "other.toml"
        other.write_text(shop.bench_file.read_text("utf-8"), encoding="utf-8")
        with running_service(other) as second:
            assert second.popen.wait(20) == 3
            (line,) = second.log().splitlines()
        assert str(shop.store) in line
        assert "another service" in line
        assert first.is_alive
        assert [m.text for m in shop.listener.heard() if m.topic == "b1/link"] == ["online"]
        assert first.stop() == 0


@pytest.mark.parametrize("sign", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_in_order_with_a_lamp_lit(tmp_path: Path, sign: signal.Signals) -> None:
    with (
        running_shop(tmp_path, SPEED, {"b1": 5}, seed=6) as shop,
        running_service(shop.bench_file, SPEED) as service,
    ):
        socket = shop.store.with_name(shop.store.name + ".socket")
        lit = shop.listener.wait_for(
            lambda: next((m for m in shop.listener.heard() if m.text == "on"), None),
            "a lit lamp",
            60,
        )
        assert socket.is_socket()
        assert service.stop(sign) == 0, service.log()
        assert not socket.exists()
        offline = shop.listener.wait_for_message("b1/link", lambda m: m.text == "offline")
        assert offline.retain
        dark = shop.listener.latest(lit.topic)
        assert dark is not None
        assert (dark.text, dark.retain) == ("off", True)
        lamps = {m.topic: m.text for m in shop.listener.heard() if "/lamp/" in m.topic}
        assert len(lamps) == 4
        assert set(lamps.values()) == {"off"}
        assert "Traceback" not in service.log()


def test_it_ends_in_order_without_a_broker(tmp_path: Path) -> None:
    with running_mosquitto() as broker:
        path = bench_file(tmp_path, broker.url, ("b1",))
    with running_service(path) as service:
        socket = tmp_path / "millrace.db.socket"
        until(socket.exists, "the service at work", 20)
        until(lambda: "127.0.0.1" in service.log(), "a word on the broker", 10)
        assert service.stop() == 0, service.log()
        assert not socket.exists()


def test_the_will_of_a_killed_service_says_offline_and_the_next_life_takes_over(
    tmp_path: Path,
) -> None:
    with (
        running_shop(tmp_path, 1, {"b1": 1}) as shop,
        running_service(shop.bench_file) as service,
    ):
        shop.listener.wait_for_message("b1/link", lambda m: m.text == "online")
        service.kill()
        will = shop.listener.wait_for_message("b1/link", lambda m: m.text == "offline")
        assert will.retain
        socket = shop.store.with_name(shop.store.name + ".socket")
        assert socket.is_socket()  # nobody was left to take it away
        after = shop.listener.count
        with running_service(shop.bench_file) as again:
            shop.listener.wait_for_message("b1/link", lambda m: m.text == "online", after)
            assert again.stop() == 0
        assert not socket.exists()


# --- the publisher by itself -------------------------------------------------------------


def a_publisher(path: Path, rate: float) -> tuple[Publisher, Service]:
    config = load(path)
    service = Service(config, SystemClock(rate))
    runner = service.benches["b1"]
    site = config.file.site
    told = about(runner, "reclamp", site, boot_id(), rfc3339(runner._clock.utc()), rate)
    publisher = Publisher(
        runner, service._store, config.broker, "reclamp", told, rate, lambda point: None
    )
    return publisher, service


async def test_a_lit_lamp_and_the_state_are_said_again_however_much_happens(
    tmp_path: Path,
) -> None:
    """A lamp that isn't repeated goes dark by its own watchdog, after 15 s."""
    rate = 25.0  # 5 s of a lamp are 0.2 s here; something changes every 0.05 s
    with running_mosquitto() as broker, listening(broker.port, *MQTT_5) as listener:
        publisher, service = a_publisher(bench_file(tmp_path, broker.url, ("b1",)), rate)
        runner = service.benches["b1"]
        signals = Signals("put-away", "operator", "put-away", "Put it", lamps={"1": "on"})
        runner.shown = Shown(signals, runner.shown.state, runner.shown.since)
        stopping = asyncio.Event()
        work = asyncio.create_task(publisher.run(Inbound(runner, service._store), stopping))
        for _ in range(int(6.0 / 0.05)):
            await asyncio.sleep(0.05)
            runner.on_change()
        stopping.set()
        await work
        service._store.close()
        lit = [m.at_s for m in listener.heard() if m.topic == "b1/lamp/1" and m.text == "on"]
        states = [m for m in listener.heard() if m.topic == "b1/state"]
    apart = [later - earlier for earlier, later in pairwise(lit)]
    assert len(lit) > 15
    assert max(apart) < 15 / rate
    assert len(states) >= 2


async def test_a_cancellation_that_the_client_swallows_ends_the_loop_all_the_same(
    tmp_path: Path,
) -> None:
    """As ``asyncio.wait_for`` of Python 3.11 does when PUBACK and cancellation meet."""

    async def publish(*_: object, **__: object) -> None:
        with pytest.raises(asyncio.CancelledError):
            await asyncio.sleep(60)

    publisher, service = a_publisher(bench_file(tmp_path, "mqtt://127.0.0.1:1", ("b1",)), 1)
    session = Session(cast(Any, SimpleNamespace(publish=publish)), is_v5=True)
    loop = asyncio.create_task(publisher._publish(session, "state", "{}"))
    await asyncio.sleep(0)
    loop.cancel()
    with pytest.raises(asyncio.CancelledError):
        await loop
    service._store.close()
