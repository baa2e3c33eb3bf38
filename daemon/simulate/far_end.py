"""The indicator's end of a simulated line: a pseudo-terminal or a TCP socket.

What the program at our end of the cable does not take in time is lost, as on a cable.
"""

import asyncio
import socket
from collections.abc import Callable
from contextlib import suppress
from typing import Protocol

from daemon.errors import PortError
from daemon.modem_lines import ModemLine
from daemon.simulate.pty_line import PtyLine

_CHUNK = 4096

Heard = Callable[[bytes], None]
Sampling = Callable[[bytes], bytes]


class FarEnd(Protocol):
    """An end of a line that can be plugged in and pulled out.

    Attributes:
        url: What the program at the other end opens.
        lost_bytes: What nobody took.
    """

    url: str
    lost_bytes: int

    @property
    def is_plugged(self) -> bool:
        """Return whether the line exists at present."""

    def plug(self, heard: Heard) -> None:
        """Make the line; ``heard`` takes what comes up it. Needs a running event loop.

        Raises:
            PortError: If it can't be made.
        """

    def unplug(self) -> None:
        """Take the line away; a reader gets an error."""

    def write(self, data: bytes) -> bytes:
        """Send bytes; return them as they arrive at the other end."""

    def set_line(self, line: ModemLine, is_on: bool) -> None:
        """Set a modem line's level; it holds while the line is unplugged."""


def as_sent(data: bytes) -> bytes:
    """Return the bytes: both ends of the cable are set alike."""
    return data


class PtyEnd:
    """A pseudo-terminal. It has no modem lines, and knows neither speed nor parity."""

    def __init__(self, line: PtyLine, sampling: Sampling = as_sent) -> None:
        """Prepare.

        Args:
            line: The pseudo-terminal.
            sampling: What the reader's UART would make of the bytes.
        """
        self.url = str(line.link)
        self._line = line
        self._sampling = sampling

    @property
    def lost_bytes(self) -> int:
        """Return how many bytes nobody took."""
        return self._line.lost_bytes

    @lost_bytes.setter
    def lost_bytes(self, count: int) -> None:
        self._line.lost_bytes = count

    @property
    def is_plugged(self) -> bool:
        """Return whether the line exists at present."""
        return self._line.is_plugged

    def plug(self, heard: Heard) -> None:
        """Make a pseudo-terminal."""

        def readable() -> None:
            if chunk := self._line.read():
                heard(chunk)

        self._line.plug()
        asyncio.get_running_loop().add_reader(self._line.descriptor, readable)

    def unplug(self) -> None:
        """Take it away."""
        if self._line.is_plugged:
            asyncio.get_running_loop().remove_reader(self._line.descriptor)
            self._line.unplug()

    def write(self, data: bytes) -> bytes:
        """Send bytes."""
        arriving = self._sampling(data)
        self._line.write(arriving)
        return arriving

    def set_line(self, line: ModemLine, is_on: bool) -> None:
        """Do nothing: a pseudo-terminal has no modem lines."""


class TcpEnd:
    """A listening socket that serves one program at a time, raw bytes both ways.

    Attributes:
        url: What the program opens; set when it is first plugged in.
        lost_bytes: What nobody took.
    """

    scheme = "socket"

    def __init__(self, host: str, port: int, sampling: Sampling = as_sent) -> None:
        """Prepare.

        Args:
            host: Where to listen, e.g. 127.0.0.1.
            port: The port; 0 for any free one, the same after each unplugging.
            sampling: What the reader's UART would make of the bytes.
        """
        self.url = f"{self.scheme}://{host}:{port}"
        self.lost_bytes = 0
        self._address = (host, port)
        self._sampling = sampling
        self._heard: Heard = lambda data: None
        self._listener: socket.socket | None = None
        self._client: socket.socket | None = None

    @property
    def is_plugged(self) -> bool:
        """Return whether it listens."""
        return self._listener is not None

    def plug(self, heard: Heard) -> None:
        """Listen."""
        self._heard = heard
        host = self._address[0]
        try:
            self._listener = socket.create_server(self._address, reuse_port=False)
        except OSError as error:
            raise PortError(f"{self.url}: can't listen: {error.strerror or error}") from error
        self._listener.setblocking(False)
        self._address = (host, self._listener.getsockname()[1])
        self.url = f"{self.scheme}://{host}:{self._address[1]}"
        asyncio.get_running_loop().add_reader(self._listener, self._accept)

    def unplug(self) -> None:
        """Stop listening and drop the program that is connected."""
        self._drop()
        if self._listener is not None:
            asyncio.get_running_loop().remove_reader(self._listener)
            self._listener.close()
            self._listener = None

    def write(self, data: bytes) -> bytes:
        """Send bytes."""
        arriving = self._sampling(data)
        self._send(arriving)
        return arriving

    def set_line(self, line: ModemLine, is_on: bool) -> None:
        """Do nothing: a plain socket has no modem lines."""

    # --- the socket ---

    def _accept(self) -> None:
        assert self._listener is not None  # it became readable
        with suppress(OSError):
            client, _ = self._listener.accept()
            if self._client is not None:  # one program at a time, as on a cable
                client.close()
                return
            client.setblocking(False)
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._client = client
            asyncio.get_running_loop().add_reader(client, self._readable)
            self._connected()

    def _connected(self) -> None:
        """Greet a program; a plain socket says nothing."""

    def _readable(self) -> None:
        if self._client is None:
            return
        try:
            chunk = self._client.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            chunk = b""
        if chunk:
            self._take(chunk)
        else:
            self._drop()

    def _take(self, chunk: bytes) -> None:
        self._heard(chunk)

    def _send(self, data: bytes) -> None:
        sent = 0
        if self._client is not None:
            with suppress(OSError):
                sent = self._client.send(data)
        self.lost_bytes += len(data) - sent

    def _drop(self) -> None:
        if self._client is not None:
            asyncio.get_running_loop().remove_reader(self._client)
            self._client.close()
            self._client = None
