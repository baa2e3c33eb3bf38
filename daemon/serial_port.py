"""One serial port, read in a thread of its own: the one way that works for every pyserial URL.

Opens device paths, ``socket://`` and ``rfc2217://``; reopens with back-off; stamps every
chunk on arrival. What it sees goes to one callback on the event loop.

Wake-ups cost more than bytes. So the thread lets bytes gather for a moment after the first
one came, and for longer on a line that is busy; a line of text that has come to its end on a
quiet one is handed on at once.
"""

import asyncio
import contextlib
import errno
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import serial

from daemon.clock import Clock
from daemon.modem_lines import POLL_S, ModemEvent, ModemLine, ModemLines
from drivers import LineSettings
from rules.debounce import ContactRules

log = logging.getLogger(__name__)

NS_PER_S = 1_000_000_000

_READ_WAIT_S = 0.2
_SHORTEST_POLL_S = 0.001
_GATHER_S = 0.002
_BUSY_GATHER_S = 0.010
_BUSY_BYTES_PER_S = 4000
"""Above this a line is busy: 38400 baud without a pause."""

_ENDS_OF_TEXT = (b"\n", b"\r")
"""Where they end a chunk by chance, in a binary frame, it only comes in two."""

_MOST_AT_ONCE = 65_536

_TROUBLE = (OSError, ValueError, TypeError, AttributeError, NotImplementedError)
"""What pyserial raises for a port that is gone, closed or can't do what was asked."""

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


PortEvent = Opened | Chunk | Lost | ModemEvent


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
        low_latency: bool = True,
        contacts: Mapping[ModemLine, ContactRules] | None = None,
        idle_on: frozenset[ModemLine] = frozenset(),
    ) -> None:
        """Prepare the port; ``start`` opens it.

        Args:
            url: Device path or pyserial URL.
            settings: Speed and framing.
            clock: Stamps the chunks.
            on_event: Called on the event loop that ``start`` was called on.
            dtr: Level of DTR from before the port opens: isolated cables live off it.
            rts: Level of RTS, likewise.
            open_wait_s: Real seconds after opening whose bytes are thrown away; 0: none.
            low_latency: Ask the adapter to hand bytes on at once, where it can.
            contacts: Modem lines that say something, and how each is heard.
            idle_on: Those that are on while their contact is open.
        """
        self.url = url
        self._settings = settings
        self._clock = clock
        self._on_event = on_event
        self._dtr = dtr
        self._rts = rts
        self._open_wait_s = open_wait_s
        self._low_latency = low_latency
        self._modem = ModemLines(contacts, idle_on) if contacts else None
        self._poll_s = max(_SHORTEST_POLL_S, POLL_S / clock.rate)
        self._polled_ns = 0
        self._came_ns = 0
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
            with contextlib.suppress(*_TROUBLE):
                port.write(data)

    # --- the thread ---

    def _run(self) -> None:
        tries = 0
        while not self._stop.is_set():
            try:
                port = self._open()
            except Exception as error:  # a foreign library; a thread must not die of it
                self._log_unforeseen(error)
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
        port.timeout = _READ_WAIT_S if self._modem is None else self._poll_s
        port.dtr, port.rts = self._dtr, self._rts
        if "://" not in self.url:
            port.exclusive = True
            port.write_timeout = 1.0  # rfc2217:// knows none
        port.open()
        if self._low_latency:
            with contextlib.suppress(*_TROUBLE):  # no real port, or not on this system
                port.set_low_latency_mode(True)
        return port

    def _read_until_lost(self, port: serial.Serial) -> str:
        """Return why the port was lost; "" when asked to stop."""
        with contextlib.closing(port):
            try:
                if self._modem is not None:
                    self._modem.opened()
                self._warm_up(port)
                self._port = port
                self._tell(Opened(self._clock.now_ns()))
                while not self._stop.is_set():
                    data = port.read(1)
                    if data:
                        data = self._gathered(port, data)
                        self._came_ns = self._clock.now_ns()
                        self._tell(Chunk(self._came_ns, data))
                    self._look(port)
            except Exception as error:  # as above: the line is lost and tried again
                self._log_unforeseen(error)
                return f"{self.url} is gone: {_plain(error)}"
            finally:
                self._port = None
        return ""

    def _log_unforeseen(self, error: Exception) -> None:
        if not isinstance(error, _TROUBLE):
            log.error("%s: %r", self.url, error, exc_info=error)

    def _warm_up(self, port: serial.Serial) -> None:
        """Throw away what comes first: half a frame, and what waited in the adapter."""
        if self._open_wait_s > 0:
            self._stop.wait(self._open_wait_s)
            self._rest_of(port)

    def _rest_of(self, port: serial.Serial) -> bytes:
        data = b""
        while (waiting := port.in_waiting) and len(data) < _MOST_AT_ONCE:
            data += port.read(waiting)
        return data

    def _gathered(self, port: serial.Serial, data: bytes) -> bytes:
        """Return these bytes and what comes within a moment."""
        passed_ns = max(1, self._clock.now_ns() - self._came_ns)
        data += self._rest_of(port)
        is_busy = len(data) * NS_PER_S >= _BUSY_BYTES_PER_S * passed_ns
        if not is_busy and data.endswith(_ENDS_OF_TEXT):
            return data
        wait_s = (_BUSY_GATHER_S if is_busy else _GATHER_S) / self._clock.rate
        self._stop.wait(min(wait_s, self._poll_s) if self._modem is not None else wait_s)
        return data + self._rest_of(port)

    def _look(self, port: serial.Serial) -> None:
        """Look at the modem lines, if it is time."""
        now_ns = self._clock.now_ns()
        poll_ns = self._poll_s * self._clock.rate * NS_PER_S
        if self._modem is not None and now_ns - self._polled_ns >= poll_ns:
            self._polled_ns = now_ns
            for event in self._modem.poll(port, now_ns):
                self._tell(event)

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
