"""README's broker, as it stands there: certificates, users, what each may do.

with secured_broker(tmp_path) as hall:
    ... hall.client("board") ... hall.broker.port ... hall.section()
"""

import ssl
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.developers_example import blocks_of
from tests.make_readme import README
from tests.mosquitto_process import Mosquitto, running_mosquitto

HEADING = "Who may do what"
_THERE, _HERE = "broker.millrace.example", "localhost"
WITNESS = "witness"
"""A user of the test alone: reads and writes everything."""


@dataclass
class Client:
    """One user's connection, and what it was given."""

    mqtt: mqtt.Client
    answer: list[str] = field(default_factory=list)
    heard: list[tuple[str, str]] = field(default_factory=list)
    _subscribed: threading.Event = field(default_factory=threading.Event)

    def subscribe(self, *topics: str) -> None:
        self._subscribed.clear()
        self.mqtt.subscribe([(topic, 1) for topic in topics])
        assert self._subscribed.wait(10), "no SUBACK"

    def say(self, topic: str, text: str) -> None:
        self.mqtt.publish(topic, text, qos=1).wait_for_publish(10)

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()


@dataclass
class Secured:
    """The broker and the folder that README's commands have filled."""

    folder: Path
    broker: Mosquitto

    def password(self, user: str) -> str:
        return (self.folder / f"{user}.password").read_text(encoding="ascii").strip()

    def section(self) -> str:
        """Return README's ``[mqtt]`` table for this broker."""
        (block,) = [b for b in blocks_of(HEADING, README) if b.name == "mqtt"]
        return block.text.replace(_THERE, f"{_HERE}:{self.broker.port}")

    def client(self, user: str | None, password: str = "", *, tls: bool = True) -> Client:
        """Return a connection, or one that was refused: its answer says so."""
        made = mqtt.Client(
            CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5, reconnect_on_failure=False
        )
        client = Client(made)
        if user is not None:
            made.username_pw_set(user, password or self.password(user))
        if tls:
            made.tls_set_context(ssl.create_default_context(cafile=self.folder / "ca.crt"))
        made.on_connect = lambda *said: client.answer.append(str(said[3]))
        made.on_disconnect = lambda *_: client.answer.append("disconnected")
        made.on_subscribe = lambda *_: client._subscribed.set()
        made.on_message = lambda _c, _d, m: client.heard.append((m.topic, m.payload.decode()))
        made.connect(_HERE, self.broker.port)
        made.loop_start()
        deadline = time.monotonic() + 10
        while not client.answer and time.monotonic() < deadline:
            time.sleep(0.01)
        return client


@contextmanager
def secured_broker(folder: Path, *replacements: tuple[str, str]) -> Iterator[Secured]:
    """Do what README says in a folder, and run the broker on a free port."""
    texts = {block.name: block.text for block in blocks_of(HEADING, README)}
    commands = texts["broker"].replace(_THERE, _HERE)
    commands = commands.replace("planning;", f"planning {WITNESS};")
    subprocess.run(["bash", "-ec", commands], cwd=folder, check=True, capture_output=True)
    acl = texts["acl"] + f"\nuser {WITNESS}\ntopic readwrite #\n"
    (folder / "acl").write_text(acl, encoding="utf-8")
    config = texts["mosquitto.conf"].replace("listener 8883", "listener {port}")
    for name in ("ca.crt", "broker.crt", "broker.key", "passwords"):
        config = config.replace(f" {name}\n", f" {folder / name}\n")
    config = config.replace("acl_file acl", f"acl_file {folder / 'acl'}")
    for old, new in replacements:
        assert old in config
        config = config.replace(old, new)
    with running_mosquitto(listener=config) as broker:
        yield Secured(folder, broker)
