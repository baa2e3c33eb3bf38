"""A message that is written to the socket at once, to a broker that is there, full or gone."""

import asyncio
import contextlib

from aiomqtt import Client, MqttError

from daemon.broker import Broker, Session, connected
from tests.mosquitto_process import Mosquitto, running_mosquitto

TOPIC = "shop/lamp"


def broker_of(process: Mosquitto) -> Broker:
    return Broker("127.0.0.1", process.port)


def now(session: Session, text: str) -> bool:
    return session.client.publish_now(TOPIC, text, retain=False, properties=None)


async def heard(client: Client, count: int) -> list[str]:
    found = []
    async with asyncio.timeout(20):
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            found.append(message.payload[:8].decode())
            if len(found) == count:
                return found
    raise AssertionError(found)


def test_it_is_on_its_way_before_the_loop_turns() -> None:
    async def told(process: Mosquitto) -> list[str]:
        listener = Client("127.0.0.1", process.port)
        async with connected(broker_of(process), "one") as session, listener:
            await listener.subscribe(TOPIC, qos=1)
            assert all(now(session, f"word {n:03}") for n in range(20))
            sock = session.client._client.socket()
            assert sock is not None
            assert not session.client._client.want_write()
            assert not asyncio.get_running_loop().remove_writer(sock.fileno())  # nobody waits
            return await heard(listener, 20)

    with running_mosquitto() as process:
        assert asyncio.run(told(process)) == [f"word {n:03}" for n in range(20)]


def test_what_finds_no_room_in_the_socket_goes_when_there_is() -> None:
    big = "x" * 400_000

    async def told(process: Mosquitto) -> list[str]:
        listener = Client("127.0.0.1", process.port)
        async with connected(broker_of(process), "one") as session, listener:
            await listener.subscribe(TOPIC, qos=1)
            process.freeze()
            try:
                for n in range(40):
                    assert now(session, f"word {n:03}{big}")
                assert session.client._client.want_write()
            finally:
                process.thaw()
            return await heard(listener, 40)

    with running_mosquitto() as process:
        assert sorted(asyncio.run(told(process))) == [f"word {n:03}" for n in range(40)]


def test_a_connection_that_is_gone_says_so_and_leaves_nothing_behind() -> None:
    troubles: list[object] = []

    async def told(process: Mosquitto) -> list[bool]:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(lambda _, context: troubles.append(context))
        said = []
        with contextlib.suppress(MqttError):
            async with connected(broker_of(process), "one") as session:
                process.stop()
                said = [now(session, "on") for _ in range(3)]
                await asyncio.sleep(0.2)
                await session.publish(TOPIC, "on")
        await asyncio.sleep(0.2)
        return said

    with running_mosquitto() as process:
        said = asyncio.run(told(process))
    assert said[-1] is False
    assert troubles == []
