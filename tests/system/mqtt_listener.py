"""A stranger's subscriber beside the service: ``mosquitto_sub``, and what it heard.

with listening(broker.port) as listener:
    ... listener.wait_for(...) ... listener.events("b1") ... listener.latest("b1/lot")
"""

import json
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeVar

import pytest

__all__ = ["MQTT_5", "Heard", "MqttListener", "listening", "publish"]

T = TypeVar("T")

ROOT_TOPIC = "reclamp"
MQTT_5 = ("-V", "mqttv5", "--retain-as-published")
_START_WAIT_S = 10.0


@dataclass(frozen=True)
class Heard:
    """One message.

    Attributes:
        topic: Without the root: ``b1/state``.
        text: Its payload.
        retain: Whether the broker had kept it, or (MQTT 5) it was published as retained.
        at_s: When ``mosquitto_sub`` had it, seconds of the time of day.
    """

    topic: str
    text: str
    retain: bool
    at_s: float

    @property
    def json(self) -> Any:
        return json.loads(self.text)


class MqttListener:
    """Everything one ``mosquitto_sub`` has heard, in its order."""

    def __init__(self, port: int, *options: str) -> None:
        program = shutil.which("mosquitto_sub")
        if program is None:
            pytest.skip("mosquitto_sub is missing (Debian: apt install mosquitto-clients)")
        command = [
            program, "-h", "127.0.0.1", "-p", str(port), "-q", "1",
            "-t", f"{ROOT_TOPIC}/#", "-F", "%j", *options,
        ]  # fmt: skip
        self._heard: list[Heard] = []
        self._news = threading.Condition()
        self._popen = subprocess.Popen(
            command, stdout=subprocess.PIPE, encoding="utf-8", errors="replace"
        )
        self._thread = threading.Thread(target=self._collect, daemon=True)
        self._thread.start()

    def heard(self, after: int = 0) -> list[Heard]:
        """Return all messages, or those after the first so many."""
        with self._news:
            return self._heard[after:]

    @property
    def count(self) -> int:
        """Return how many messages came so far."""
        with self._news:
            return len(self._heard)

    def latest(self, topic: str) -> Heard | None:
        """Return the last message on a topic."""
        return next((m for m in reversed(self.heard()) if m.topic == topic), None)

    def events(self, bench: str) -> list[dict[str, Any]]:
        """Return the bodies of all events of a bench as they came, repetitions included."""
        return [m.json for m in self.heard() if m.topic.startswith(f"{bench}/event/")]

    def wait_for(
        self,
        found: Callable[[], T | None],
        why: str,
        within_s: float = 30.0,
        alive: object = None,
    ) -> T:
        """Return the first true value of ``found``, asked again at every message.

        Args:
            found: The question.
            why: What was waited for.
            within_s: Real seconds.
            alive: A ``ServiceProcess`` that must not die meanwhile.
        """
        deadline = time.monotonic() + within_s
        while True:
            value = found()
            if value:
                return value
            assert time.monotonic() < deadline, f"not within {within_s:g} s: {why}"
            is_alive = getattr(alive, "is_alive", True)
            assert is_alive, f"the service died: {getattr(alive, 'log', str)()}"
            with self._news:
                self._news.wait(0.05)

    def wait_for_message(
        self, topic: str, holds: Callable[[Heard], bool], after: int = 0, within_s: float = 30.0
    ) -> Heard:
        """Return the first message on a topic, after the first so many, that fulfils this."""
        return self.wait_for(
            lambda: next((m for m in self.heard(after) if m.topic == topic and holds(m)), None),
            f"a message on {topic}",
            within_s,
        )

    def close(self) -> None:
        self._popen.kill()
        self._popen.wait()
        self._thread.join()
        assert self._popen.stdout is not None
        self._popen.stdout.close()

    def _collect(self) -> None:
        assert self._popen.stdout is not None
        for line in self._popen.stdout:
            message = _parsed(line)
            with self._news:
                self._heard.append(message)
                self._news.notify_all()


def _parsed(line: str) -> Heard:
    raw = json.loads(line)
    at = datetime.fromisoformat(raw["tst"][:26]).replace(tzinfo=UTC)
    topic = raw["topic"].removeprefix(f"{ROOT_TOPIC}/")
    return Heard(topic, raw.get("payload", ""), bool(raw["retain"]), at.timestamp())


@contextmanager
def listening(port: int, *options: str) -> Iterator[MqttListener]:
    """Listen for the length of the context; subscribed when it begins.

    Args:
        port: Of the broker on this machine.
        options: Of ``mosquitto_sub``; ``MQTT_5`` shows what was published as retained.
    """
    listener = MqttListener(port, *options)
    try:
        deadline = time.monotonic() + _START_WAIT_S
        while listener.latest("probe") is None:
            assert time.monotonic() < deadline, "mosquitto_sub hears nothing"
            publish(port, "probe", "here")
            time.sleep(0.05)
        yield listener
    finally:
        listener.close()


def publish(port: int, topic: str, payload: str | bytes, *options: str) -> None:
    """Publish one message under the root with ``mosquitto_pub``."""
    data = payload.encode() if isinstance(payload, str) else payload
    command = ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-q", "1"]
    words = [*command, "-t", f"{ROOT_TOPIC}/{topic}", "-s" if data else "-n", *options]
    subprocess.run(words, input=data, check=True, timeout=10)
