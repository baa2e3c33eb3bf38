"""The board's connection to the broker: subscribe, listen, and come back after every loss."""

import asyncio
import logging
from collections.abc import Sequence

from paho.mqtt.reasoncodes import ReasonCode

from daemon.board.hub import Hub
from daemon.board.inbox import filters
from daemon.broker import Broker, MqttError, Session, connected

__all__ = ["ask_again", "follow", "refused"]

_log = logging.getLogger(__name__)

TICK_S = 0.5
RETRY_FIRST_S = 0.2
RETRY_LONGEST_S = 3.0

QUIET_S = 0.03
QUIET_LONGEST_S = 3.0

ASK_AGAIN_FIRST_S = 3.0
ASK_AGAIN_LONGEST_S = 60.0

SUBACK_REFUSED = 128
"""From here on a SUBACK code is a refusal, in MQTT 3.1.1 and 5 alike."""


async def follow(hub: Hub, broker: Broker, identifier: str) -> None:
    """Keep the hub's shop true until cancelled.

    A broker that is down, or goes down, is no error: it is shown, and tried again.
    """
    async with asyncio.TaskGroup() as tasks:
        tasks.create_task(_judge(hub))
        tasks.create_task(_reconnect(hub, broker, identifier))


def refused(granted: Sequence[int] | Sequence[ReasonCode]) -> bool:
    """Return whether a SUBACK's codes, of either protocol version, refuse a subscription."""
    codes = (code if isinstance(code, int) else code.value for code in granted)
    return any(code >= SUBACK_REFUSED for code in codes)


async def _judge(hub: Hub) -> None:
    """Look at every bench twice a second: that nothing came is news as well."""
    while True:
        await asyncio.sleep(TICK_S)
        before = hub.shop.version
        hub.shop.tick(hub.now())
        if hub.shop.version != before:
            hub.changed()


async def _reconnect(hub: Hub, broker: Broker, identifier: str) -> None:
    retry_s = RETRY_FIRST_S
    while True:
        session_before = hub.shop.session.number
        reason = await _session(hub, broker, identifier)
        hub.trouble = reason
        hub.shop.disconnected(hub.now())
        hub.changed()
        if hub.shop.session.number != session_before:
            retry_s = RETRY_FIRST_S
            _log.warning("broker %s lost: %s", broker.name, reason)
        else:
            _log.info("no broker at %s: %s", broker.name, reason)
        await asyncio.sleep(retry_s)
        retry_s = min(retry_s * 2, RETRY_LONGEST_S)


async def _session(hub: Hub, broker: Broker, identifier: str) -> str:
    """Live through one connection; return in words why it ended or did not come about."""
    reasons: list[str] = []
    try:
        async with connected(broker, identifier) as session, asyncio.TaskGroup() as tasks:
            hub.trouble = ""
            hub.shop.connected(hub.now())
            hub.changed()
            tasks.create_task(_listen(hub, session))
            tasks.create_task(_subscribe(hub, session))
            tasks.create_task(ask_again(hub, session))
    except* (MqttError, OSError) as group:
        reasons = [str(error) for error in group.exceptions]
    return "; ".join(reasons) or "the connection ended"


async def _subscribe(hub: Hub, session: Session) -> None:
    """Subscribe one filter after another, each when the last one's retained messages are in.

    A broker keeps only so many messages waiting for one client (mosquitto: 1000) and drops
    the rest without a word; hundreds of benches at once would be more.
    """
    for topic_filter in filters(hub.shop.root):
        await _ask_for(topic_filter, session)
        for _ in range(int(QUIET_LONGEST_S / QUIET_S)):
            before = hub.shop.received
            await asyncio.sleep(QUIET_S)
            if hub.shop.received == before:
                break


async def _ask_for(topic_filter: str, session: Session) -> None:
    if refused(await session.client.subscribe(topic_filter, qos=1)):
        raise MqttError(f"the broker refuses the subscription to {topic_filter}")


async def ask_again(hub: Hub, session: Session) -> None:
    """Subscribe anew to what a bench we hear must have said, and we have not heard.

    Each SUBSCRIBE brings the retained messages again: what a broker under load has dropped
    would else be missing until the next connect, and the bench not believed.
    """
    wait_s = ASK_AGAIN_FIRST_S
    while True:
        await asyncio.sleep(wait_s)
        wait_s = min(wait_s * 2, ASK_AGAIN_LONGEST_S)
        for part in hub.shop.missing():
            await _ask_for(f"{hub.shop.root}/+/{part}", session)


async def _listen(hub: Hub, session: Session) -> None:
    async for message in session.client.messages:
        payload = message.payload if isinstance(message.payload, bytes | bytearray) else b""
        hub.shop.receive(str(message.topic), bytes(payload), message.retain, hub.now())
        hub.changed()
