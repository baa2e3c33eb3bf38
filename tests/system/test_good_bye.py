"""A service told to stop while its broker hangs: it ends soon, and nothing is lost."""

import asyncio
import socket
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from daemon.good_bye import GOOD_BYE_S
from daemon.inbound import Inbound
from daemon.publisher import Publisher
from daemon.service import Service
from rules.bench import Placed
from tests.mosquitto_process import running_mosquitto
from tests.system.deadline import until
from tests.system.mqtt_listener import MQTT_5, MqttListener, listening
from tests.system.service_process import running_service
from tests.system.shop import bench_file
from tests.system.test_start_and_stop import a_publisher

pytestmark = pytest.mark.system

MOST_S = GOOD_BYE_S + 1.5
"""With what a busy machine needs for the rest of the stop."""

EVENTS = 7


@pytest.fixture
def mute() -> Iterator[int]:
    """Return the port of something that takes connections and says nothing."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        yield server.getsockname()[1]


async def stopped(publisher: Publisher, service: Service, act: "asyncio.Task[None]") -> float:
    """Tell the publisher to stop once ``act`` is over; return how long that took."""
    stopping = asyncio.Event()
    runner = service.benches["b1"]
    work = asyncio.create_task(publisher.run(Inbound(runner, service._store), stopping))
    await act
    began_s = time.monotonic()
    stopping.set()
    await work
    return time.monotonic() - began_s


def waiting(service: Service) -> list[int]:
    return [seq for seq, _, _ in service._store.unsent("b1", 1000)]


async def told(publisher: Publisher, service: Service) -> None:
    """Wait until the broker has acknowledged all there is."""
    for _ in range(1000):
        if publisher.is_connected and not waiting(service):
            return
        await asyncio.sleep(0.02)
    raise AssertionError(waiting(service))


async def test_a_broker_that_never_answers_the_connection(tmp_path: Path, mute: int) -> None:
    publisher, service = a_publisher(
        bench_file(tmp_path, f"mqtt://127.0.0.1:{mute}", ("b1",)), 1
    )
    before = waiting(service)
    took_s = await stopped(publisher, service, asyncio.create_task(asyncio.sleep(0.3)))
    assert GOOD_BYE_S - 0.1 < took_s < MOST_S
    assert waiting(service) == before != []
    service._store.close()


async def test_a_broker_that_hangs_in_mid_session_loses_no_event(tmp_path: Path) -> None:
    with running_mosquitto() as broker, listening(broker.port, *MQTT_5) as listener:
        publisher, service = a_publisher(bench_file(tmp_path, broker.url, ("b1",)), 1)
        runner = service.benches["b1"]

        async def hang() -> None:
            await told(publisher, service)
            broker.freeze()
            for _ in range(EVENTS):
                assert runner.handle(Placed("1"))
            await asyncio.sleep(0.3)

        try:
            took_s = await stopped(publisher, service, asyncio.create_task(hang()))
        finally:
            broker.thaw()
        print(f"\nstopped {took_s:.2f} s after it was told to, the broker frozen")
        assert took_s < MOST_S
        assert len(waiting(service)) == EVENTS
        # The next start tells them, under the same ids; some may have reached it already.
        stopping = asyncio.Event()
        work = asyncio.create_task(publisher.run(Inbound(runner, service._store), stopping))
        await told(publisher, service)
        stopping.set()
        began_s = time.monotonic()
        await work
        assert time.monotonic() - began_s < 1.0  # a broker that hears is not waited for
        stored = service._store.events_after("b1", 0, 1000)
        listener.wait_for(
            lambda: (
                {event["seq"] for event in listener.events("b1")}
                == set(range(1, len(stored) + 1))
            ),
            "every event at the subscriber",
        )
        listener.wait_for(
            lambda: _link(listener) == "offline", "the good-bye at the subscriber"
        )
        service._store.close()


def _link(listener: MqttListener) -> str:
    said = listener.latest("b1/link")
    return said.text if said is not None else ""


def test_a_service_ends_in_order_while_its_broker_hangs(tmp_path: Path) -> None:
    with running_mosquitto() as broker, listening(broker.port, *MQTT_5) as listener:
        with running_service(bench_file(tmp_path, broker.url, ("b1", "b2"))) as service:
            for bench in ("b1", "b2"):
                listener.wait_for_message(f"{bench}/link", lambda m: m.text == "online")
            socket_path = tmp_path / "millrace.db.socket"
            until(socket_path.exists, "the local socket", 10)
            broker.freeze()
            try:
                began_s = time.monotonic()
                assert service.stop() == 0, service.log()
                took_s = time.monotonic() - began_s
            finally:
                broker.thaw()
            print(f"\nthe service ended {took_s:.2f} s after SIGTERM, the broker frozen")
            assert took_s < MOST_S + 0.5
            assert not socket_path.exists()
            assert service.log().count("does not answer") == 2
            assert "Traceback" not in service.log()
        for bench in ("b1", "b2"):  # it was left on the line for a broker that wakes
            listener.wait_for_message(f"{bench}/link", lambda m: m.text == "offline")
