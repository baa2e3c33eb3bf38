"""One serial port, read in a thread of its own: the one way that works for every pyserial URL.

Opens device paths, ``socket://`` and ``rfc2217://``; reopens with back-off; stamps every
chunk on arrival. What it sees goes to one callback on the event loop.
"""

import asyncio
import contextlib
import errno
import threading
from collections.abc import Callable
from dataclasses import dataclass

import serial

from daemon.clock import Clock
from drivers import LineSettings

_READ_WAIT_S = 0.2
_BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 5.0)


@dataclass(frozen=True, slots=True)
class Opened:
    """The port is open and its first bytes are thrown away."""

    at_ns: int


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came."""

    at_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Lost:
    """The port can't be opened or is gone; it is tried again by itself."""

    at_ns: int
    reason: str


PortEvent = Opened | Chunk | Lost


class SerialPort:
    """A port that is kept open.

    Attributes:
        url: Device path or pyserial URL.
    """

    def __init__(
        self,
        url: str,
        settings: LineSettings,
        clock: Clock,
        on_event: Callable[[PortEvent], None],
        *,
        dtr: bool = True,
        rts: bool = True,
        open_wait_s: float = 0.3,
    ) -> None:
        """Prepare the port; ``start`` opens it.

        Args:
            url: Device path or pyserial URL.
            settings: Speed and framing.
            clock: Stamps the chunks.
            on_event: Called on the event loop that ``start`` was called on.
            dtr: Level of DTR from before the port opens: isolated cables live off it.
            rts: Level of RTS, likewise.
            open_wait_s: Real seconds after opening whose bytes are thrown away.
        """
        self.url = url
        self._settings = settings
        self._clock = clock
        self._on_event = on_event
        self._dtr = dtr
        self._rts = rts
        self._open_wait_s = open_wait_s
        self._stop = threading.Event()
        self._port: serial.Serial | None = None
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None

    def start(self) -> None:
        """Start the reader thread; events arrive on the running loop."""
        self._loop = asyncio.get_running_loop()
        self._thread = threading.Thread(target=self._run, name=f"port {self.url}", daemon=True)
        self._thread.start()

    async def stop(self) -> None:
        """Close the port and end the thread."""
        self._stop.set()
        thread = self._thread
        if thread is not None:
            await asyncio.to_thread(thread.join, 5)

    def write(self, data: bytes) -> None:
        """Send bytes, if the port is open; trouble shows at the reader."""
        port = self._port
        if port is not None:
            with contextlib.suppress(OSError):
                port.write(data)

    # --- the thread ---

    def _run(self) -> None:
        tries = 0
        while not self._stop.is_set():
            reason = ""
            try:
                port = self._open()
            except (OSError, ValueError) as error:
                self._tell(Lost(self._clock.now_ns(), open_trouble(self.url, error)))
            else:
                reason = self._read_until_lost(port)
                if reason:
                    tries = 0
                    self._tell(Lost(self._clock.now_ns(), reason))
            wait = _BACK_OFF_S[min(tries, len(_BACK_OFF_S) - 1)]
            tries += 1
            self._stop.wait(wait)

    def _open(self) -> serial.Serial:
        port = serial.serial_for_url(self.url, do_not_open=True)
        port.baudrate = self._settings.baud
        port.bytesize = self._settings.data_bits
        port.parity = self._settings.parity
        port.stopbits = self._settings.stop_bits
        port.timeout = _READ_WAIT_S
        port.write_timeout = 1.0
        port.dtr, port.rts = self._dtr, self._rts
        if "://" not in self.url:
            port.exclusive = True
        port.open()
        return port

    def _read_until_lost(self, port: serial.Serial) -> str:
        """Return why the port was lost; "" when asked to stop."""
        with contextlib.closing(port):
            try:
                if self._stop.wait(self._open_wait_s):
                    return ""
                with contextlib.suppress(ValueError):
                    port.reset_input_buffer()
                self._port = port
                self._tell(Opened(self._clock.now_ns()))
                while not self._stop.is_set():
                    data = port.read(1)
                    if data:
                        waiting = port.in_waiting
                        data += port.read(waiting) if waiting else b""
                        self._tell(Chunk(self._clock.now_ns(), data))
            except (OSError, TypeError) as error:  # pyserial trips over a closed handle
                return f"{self.url} is gone: {_plain(error)}"
            finally:
                self._port = None
        return ""

    def _tell(self, event: PortEvent) -> None:
        assert self._loop is not None  # start() set it
        with contextlib.suppress(RuntimeError):  # the loop is closing: nobody listens
            self._loop.call_soon_threadsafe(self._on_event, event)


def _plain(error: BaseException) -> str:
    number = getattr(error, "errno", None)
    return f"{errno.errorcode.get(number, number)}: {error}" if number else str(error)


def open_trouble(url: str, error: BaseException) -> str:
    """Return in words why a port can't be opened, and what to look at."""
    number = getattr(error, "errno", None)
    if number == errno.ENOENT:
        return f"{url} is not there: is the adapter plugged in?"
    if number == errno.EACCES:
        return f"{url} may not be opened: the service's user must be in its group (dialout)"
    if number in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in str(error):
        return f"{url} is in use by another program"
    return f"{url} can't be opened: {_plain(error)}"
