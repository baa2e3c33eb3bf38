"""The way to a broker: URL, protocol version, and what can go wrong on the way.

The only module beside publisher and board that knows aiomqtt; one connection a bench,
because one connection carries one will.
"""

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal
from urllib.parse import unquote, urlsplit

import aiomqtt
from aiomqtt import Client, MqttError, ProtocolVersion, Will
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

__all__ = ["Broker", "Inflow", "MqttError", "Session", "Will", "connected", "parse_url"]

Protocol = Literal["auto", "5", "3.1.1"]

_UNSUPPORTED_VERSION = {132, 1}
"""CONNACK codes of a broker that doesn't speak MQTT 5: 132 under 5, 1 under 3.1.1."""

_IN_FLIGHT = 40
"""aiomqtt only warns above this many pending calls; we keep about 20 in flight."""


_CONNECT_S = 3.0
"""Patience with a connection that does not come about: the client waits in a thread that
nobody can stop, and a service that was told to stop waits for that."""

_LET_GO_S = 0.25
"""What a client that is given up has left for its own good-bye."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is and how to speak to it. Secrets come from files, not from here."""

    host: str
    port: int
    username: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None
    protocol: Protocol = "auto"

    @property
    def name(self) -> str:
        """Return host and port for messages; never a secret."""
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Inflow:
    """How much may come in: whoever can publish must not be able to fill the memory.

    Attributes:
        largest_bytes: Of a message; a broker that speaks MQTT 5 hands over none above it.
        waiting: Messages that wait to be taken; more are dropped.
    """

    largest_bytes: int
    waiting: int


class PromptClient(Client):
    """aiomqtt's client: less patient in the thread that connects, and prompt where asked."""

    def __init__(self, *args: Any, **more: Any) -> None:
        """Take what aiomqtt's client takes."""
        self._is_writing = False
        super().__init__(*args, **more)
        self._client.connect_timeout = _CONNECT_S

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        """Have the loop watch for room to write, but not for what is being written here.

        It would begin in the loop's next round, when the socket may be closed already.
        """
        if not self._is_writing:
            super()._on_socket_register_write(client, userdata, sock)

    def publish_now(
        self, topic: str, payload: str, *, retain: bool, properties: Properties | None
    ) -> bool:
        """Publish at QoS 1 without waiting: not for the loop's next round, nor for the PUBACK.

        The client sends it again itself until it is acknowledged or the connection ends.

        Returns:
            Whether it is on its way; False when the connection is gone.
        """
        client = self._client
        self._is_writing = True
        try:
            queued = client.publish(topic, payload, 1, retain, properties).rc
            written = client.loop_write()
        finally:
            self._is_writing = False
        sock = client.socket()
        if sock is not None and client.want_write():  # no room: the rest goes by itself
            super()._on_socket_register_write(client, None, sock)
        return MQTTErrorCode.MQTT_ERR_SUCCESS == queued == written


@dataclass(frozen=True, slots=True)
class Session:
    """One live connection.

    Attributes:
        client: The aiomqtt client; its messages are iterated by one task only.
        is_v5: True when the broker speaks MQTT 5 (expiry and reason codes exist).
    """

    client: PromptClient
    is_v5: bool

    def give_up(self) -> None:
        """Wait no longer for a broker that does not answer: whoever waits is told soon."""
        self.client.timeout = _LET_GO_S

    async def publish(
        self,
        topic: str,
        payload: str,
        *,
        retain: bool = False,
        properties: Properties | None = None,
    ) -> None:
        """Publish at QoS 1 and wait for the PUBACK; end if asked to end in that very moment.

        ``asyncio.wait_for``, on which the client rests, swallows a cancellation that comes
        together with the result (Python 3.11): the loop around it would never end.

        Raises:
            MqttError: If the connection is lost or no PUBACK comes.
        """
        await self.client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            raise asyncio.CancelledError


def parse_url(url: str) -> tuple[str, int, bool, str | None]:
    """Return host, port, whether TLS is asked for, and the user name of a broker URL.

    Raises:
        ValueError: If it is no ``mqtt://host[:port]`` or ``mqtts://host[:port]``, or
            carries a password (that belongs into a file).
    """
    accepted = "accepted is mqtt://HOST[:PORT] or mqtts://HOST[:PORT]"
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError as error:
        raise ValueError(f"{error}; {accepted}") from None
    if parts.password is not None:
        raise ValueError("a password in a URL ends up in logs; accepted is password_file")
    if parts.scheme not in ("mqtt", "mqtts") or not parts.hostname:
        raise ValueError(f"{url!r} is no broker; {accepted}")
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise ValueError(f"{url!r} has more than a host; {accepted}")
    tls = parts.scheme == "mqtts"
    user = unquote(parts.username) if parts.username else None
    return parts.hostname, port or (8883 if tls else 1883), tls, user


def _tls_context(broker: Broker) -> ssl.SSLContext | None:
    if not broker.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=broker.ca_file and str(broker.ca_file))
    except OSError as error:  # ssl's own names no file
        raise MqttError(f"{broker.ca_file}: {error.strerror or error}") from None
    if broker.cert_file is not None:
        try:
            context.load_cert_chain(broker.cert_file, broker.key_file)
        except OSError as error:
            which = f"{broker.cert_file}, {broker.key_file}"
            raise MqttError(f"{which}: {error.strerror or error}") from None
    return context


def _password(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8").strip()
    except UnicodeDecodeError:
        raise MqttError(f"{path}: no UTF-8 text") from None


def _client(
    broker: Broker,
    identifier: str,
    will: Will | None,
    version: ProtocolVersion,
    inflow: Inflow | None = None,
) -> PromptClient:
    password = None
    if broker.password_file is not None:
        password = _password(broker.password_file)
    client = PromptClient(
        broker.host,
        broker.port,
        username=broker.username,
        password=password,
        identifier=identifier,
        will=will,
        protocol=version,
        keepalive=10,
        tls_context=_tls_context(broker),
        max_queued_outgoing_messages=0,
        max_queued_incoming_messages=inflow.waiting if inflow is not None else None,
        properties=_bounds(version, inflow),
    )
    client.pending_calls_threshold = _IN_FLIGHT
    return client


def _bounds(version: ProtocolVersion, inflow: Inflow | None) -> Properties | None:
    if inflow is None or version != ProtocolVersion.V5:
        return None
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = inflow.largest_bytes
    return properties


@asynccontextmanager
async def connected(
    broker: Broker, identifier: str, will: Will | None = None, inflow: Inflow | None = None
) -> AsyncIterator[Session]:
    """Connect with MQTT 5, or with 3.1.1 where the broker refuses 5 or the file says so.

    A new client every time: a reused one may send again what it still holds.

    Raises:
        MqttError: If no connection comes about or it breaks.
    """
    is_v5 = broker.protocol != "3.1.1"
    if is_v5 and broker.protocol == "auto":
        is_v5 = await _speaks_v5(broker, identifier)
    version = ProtocolVersion.V5 if is_v5 else ProtocolVersion.V311
    async with _client(broker, identifier, will, version, inflow) as client:
        yield Session(client, is_v5)


async def _speaks_v5(broker: Broker, identifier: str) -> bool:
    """Ask once with MQTT 5, without a will: the probe must leave no trace."""
    try:
        async with _client(broker, f"{identifier}-probe", None, ProtocolVersion.V5):
            return True
    except aiomqtt.MqttCodeError as error:
        code = getattr(error.rc, "value", error.rc)
        if code in _UNSUPPORTED_VERSION:
            return False
        raise
