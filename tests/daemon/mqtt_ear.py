"""A subscriber beside the code under test, on a connection and thread of its own.

with hearing(port) as ear:
    ... await ear.until("b1/link", "online") ... ear.all("b1/lamp/2")
"""

import asyncio
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

WAIT_S = 20.0


@dataclass(frozen=True)
class Heard:
    """One message: topic without the root; what MQTT 5 says of it, if it does."""

    topic: str
    text: str
    retain: bool
    expiry_s: int | None
    at_s: float
    content: str | None = None


class Ear:
    """Hears everything below the root, retain bits as they were published."""

    def __init__(self, port: int, root: str) -> None:
        self._root = root
        self._heard: list[Heard] = []
        self._lock = threading.Lock()
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_message = self._message
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(WAIT_S), "the ear hears nothing"

    def _connected(self, *_: object) -> None:
        options = SubscribeOptions(qos=1, retainAsPublished=True)
        self._client.subscribe(f"{self._root}/#", options=options)

    def _message(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        expiry = getattr(message.properties, "MessageExpiryInterval", None)
        content = getattr(message.properties, "ContentType", None)
        topic = message.topic.removeprefix(f"{self._root}/")
        text = message.payload.decode()
        with self._lock:
            self._heard.append(
                Heard(topic, text, message.retain, expiry, time.monotonic(), content)
            )

    def all(self, topic: str, after: int = 0) -> list[Heard]:
        """Return what came on a topic, after the first so many messages of all."""
        with self._lock:
            return [heard for heard in self._heard[after:] if heard.topic == topic]

    def texts(self, topic: str, after: int = 0) -> list[str]:
        return [heard.text for heard in self.all(topic, after)]

    def events(self) -> list[dict[str, Any]]:
        with self._lock:
            return [json.loads(h.text) for h in self._heard if "/event/" in h.topic]

    def now(self) -> dict[str, str]:
        """Return the last text of every topic."""
        with self._lock:
            return {heard.topic: heard.text for heard in self._heard}

    @property
    def count(self) -> int:
        with self._lock:
            return len(self._heard)

    def say(self, topic: str, payload: str, *, retain: bool = False) -> None:
        self._client.publish(f"{self._root}/{topic}", payload, qos=1, retain=retain)

    async def until(
        self, holds: Callable[[], object], why: str, within_s: float = WAIT_S
    ) -> None:
        deadline = time.monotonic() + within_s
        while not holds():
            assert time.monotonic() < deadline, f"not within {within_s:g} s: {why}"
            await asyncio.sleep(0.01)

    async def last(self, topic: str, text: str, after: int = 0) -> None:
        """Wait until the last text of a topic is this."""
        await self.until(
            lambda: self.texts(topic, after)[-1:] == [text], f"{text!r} on {topic}"
        )

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def hearing(port: int, root: str = "reclamp") -> Iterator[Ear]:
    ear = Ear(port, root)
    try:
        yield ear
    finally:
        ear.close()
