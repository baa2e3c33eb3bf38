"""Listening to a port: opened, heard, asked where its driver asks, recorded."""

import asyncio
import contextlib
from dataclasses import dataclass
from typing import Protocol

from daemon.clock import Clock
from daemon.config_sections import LineSection
from daemon.errors import PortError
from daemon.listening import Heard, Listener
from daemon.modem_lines import MODEM_LINES, NOT_TOLD, ModemDoubt, ModemEdge, ModemEvent
from daemon.recording import Recorder, What
from daemon.serial_port import Chunk, Lost, Opened, PortEvent, SerialPort
from drivers import LineSettings
from rules.debounce import ContactRules

_LOOK_AGAIN_S = 0.02
_EVERY_CONTACT = dict.fromkeys(
    MODEM_LINES, ContactRules(steady_ns=10_000_000, ignore_ns=100_000_000, held_ns=None)
)
"""All lines are watched, whether they are wired or not."""


class Audience(Protocol):
    """Whom it is told to."""

    def heard(self, heard: Heard) -> None:
        """Take a reading, a bad frame or bytes."""

    def event(self, at_ns: int, kind: str, text: str, **fields: object) -> None:
        """Take note of something else: the port, a request, a line state."""


@dataclass(frozen=True, slots=True)
class Until:
    """When to stop; None for never.

    Attributes:
        seconds: After this long.
        count: After so many readings (chunks where there is no driver).
    """

    seconds: float | None = None
    count: int | None = None


class PortListening:
    """Hears one port until it has heard enough."""

    def __init__(
        self,
        listener: Listener,
        audience: Audience,
        clock: Clock,
        recorder: Recorder | None = None,
    ) -> None:
        """Prepare; ``run`` opens the port."""
        self._listener = listener
        self._audience = audience
        self._clock = clock
        self._recorder = recorder
        self._events: asyncio.Queue[PortEvent] = asyncio.Queue()
        self._line = "line"
        self._was_open = False
        self._is_open = False

    async def run(
        self, section: LineSection, settings: LineSettings, until: Until, stop: asyncio.Event
    ) -> None:
        """Listen until ``until`` or ``stop``.

        Raises:
            PortError: If the port can't be opened at the first try.
        """
        self._line = section.id
        port = SerialPort(
            section.port,
            settings,
            self._clock,
            self._events.put_nowait,
            dtr=section.dtr,
            rts=section.rts,
            open_wait_s=section.open_wait_s,
            low_latency=section.low_latency,
            contacts=_EVERY_CONTACT,
        )
        port.start()
        try:
            await self._listen(port, until, stop)
        finally:
            await port.stop()

    async def _listen(self, port: SerialPort, until: Until, stop: asyncio.Event) -> None:
        loop = asyncio.get_running_loop()
        end_at = None
        while not stop.is_set() and (until.count is None or self._listener.count < until.count):
            event = await self._next_event()
            if event is not None:
                self._take(event, port.url)
            if self._was_open and end_at is None and until.seconds is not None:
                end_at = loop.time() + until.seconds
            if end_at is not None and loop.time() >= end_at:
                return
            if self._is_open:
                self._ask(port)

    async def _next_event(self) -> PortEvent | None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_LOOK_AGAIN_S):
                return await self._events.get()
        return None

    def _take(self, event: PortEvent, url: str) -> None:
        match event:
            case Opened(at_ns):
                self._note(at_ns, "opened")
                self._listener.opened()
                self._was_open = self._is_open = True
                self._audience.event(at_ns, "opened", url)
            case Chunk(at_ns, data):
                self._note(at_ns, "<", data.hex())
                for heard in self._listener.chunk(at_ns, data):
                    self._audience.heard(heard)
            case Lost(at_ns, reason):
                if not self._was_open:
                    raise PortError(reason)
                if self._is_open:
                    self._note(at_ns, "lost", reason)
                    self._audience.event(at_ns, "lost", reason, reason=reason)
                self._is_open = False
            case ModemEdge() | ModemDoubt():
                if self._recorder is not None:
                    self._recorder.note_modem(self._line, event)
                tell_modem(event, self._audience)

    def _ask(self, port: SerialPort) -> None:
        now_ns = self._clock.now_ns()
        request = self._listener.request(now_ns)
        if request is not None:
            self._note(now_ns, ">", request.hex())
            port.write(request)

    def _note(self, at_ns: int, what: What, text: str = "") -> None:
        if self._recorder is not None:
            self._recorder.note(at_ns, self._line, what, text)


def tell_modem(event: ModemEvent, audience: Audience) -> None:
    """Tell what a modem line says; a port without such lines is no news."""
    if isinstance(event, ModemEdge):
        state = "on" if event.is_on else "off"
        told: dict[str, object] = {"line": event.line, "is_on": event.is_on}
        audience.event(event.since_ns, "line-state", f"{event.line} {state}", **told)
    elif event.why != NOT_TOLD:
        text = f"{event.line} {event.why or 'is steady again'}"
        audience.event(event.at_ns, "line-state", text, line=event.line, doubt=event.why)
