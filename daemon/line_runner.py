"""A line at work: port events → decoder → benches, and requests to polled indicators."""

import asyncio
import logging
from collections.abc import Callable

from daemon.clock import Clock
from daemon.config_sections import LineSection
from daemon.line import LineDecoder, Routed
from daemon.modem_lines import ModemDoubt, ModemEdge, ModemLine
from daemon.recording import Recorder, What
from daemon.serial_port import Chunk, Lost, Opened, PortEvent, SerialPort
from rules.capture_model import Signal
from rules.debounce import ContactRules

log = logging.getLogger(__name__)

NS_PER_S = 1_000_000_000
_LEAST_SILENCE_S = 0.5
_LEAST_ANSWER_S = 0.2
"""Real seconds: under a fast clock a busy machine must not look like a lost indicator."""


_BAD_FRAMES_LOGGED_S = 10.0
_FAILED_WAIT_S = 1.0

_MAY_REST_ON: frozenset[Signal] = frozenset({"index", "index-2", "run"})
"""A flag may stop on its sensor, a spindle may run; a foot or a torque tool lets go again."""


def _least(rate: float) -> float:
    return _LEAST_ANSWER_S if rate > 1 else 0.0


def contacts_of(section: LineSection) -> dict[ModemLine, ContactRules]:
    """Return how each modem line of a ``[[line]]`` that says something is heard."""
    steady_ns = round(section.debounce_s * NS_PER_S)
    held_ns = round(section.held_s * NS_PER_S)
    return {
        line: ContactRules(steady_ns, held_ns=None if signal in _MAY_REST_ON else held_ns)
        for line, signal in section.signals.items()
    }


class LineRunner:
    """Keeps one line open, decodes it, and asks polled indicators for the next reading."""

    def __init__(
        self,
        decoder: LineDecoder,
        clock: Clock,
        on_event: Callable[[Routed], None],
        recorder: Recorder | None = None,
    ) -> None:
        """Prepare; ``run`` opens the port."""
        self.decoder = decoder
        self._clock = clock
        self._on_event = on_event
        self._recorder = recorder
        section = decoder.config.section
        self._id = section.id
        self._answer_s = max(section.answer_wait_s / clock.rate, _least(clock.rate))
        self._every_s = section.request_every_s / clock.rate
        # Under a fast clock a pause of the machine must not look like a silent indicator.
        silent_s = max(decoder.config.silent_s, _LEAST_SILENCE_S * clock.rate)
        self._silent_ns = round(silent_s * NS_PER_S) if decoder.config.silent_s else 0
        self._is_polled = False
        self._is_due = False
        self._since = 0.0
        self._next_at = 0.0
        self._is_open = False
        self._why_lost = ""
        self._bad_logged = (0, float("-inf"))
        self._asking = asyncio.Event()
        self._port = SerialPort(
            section.port,
            decoder.config.settings(decoder.driver.line),
            clock,
            self._port_event,
            dtr=section.dtr,
            rts=section.rts,
            open_wait_s=section.open_wait_s / clock.rate,
            low_latency=section.low_latency,
            contacts=contacts_of(section),
            idle_on=frozenset(section.idle_on),
        )

    async def run(self, stopping: asyncio.Event) -> None:
        """Serve the line until asked to stop."""
        self._port.start()
        asks = asyncio.create_task(self._ask_loop(), name=f"line {self._id} requests")
        watch = asyncio.create_task(self._watch(), name=f"line {self._id} silence")
        try:
            await stopping.wait()
        finally:
            asks.cancel()
            watch.cancel()
            await self._port.stop()

    def _port_event(self, event: PortEvent) -> None:
        match event:
            case Chunk(at_ns, data):
                self._note(at_ns, "<", data.hex())
                before = self.decoder.results
                self._tell(self.decoder.chunk(at_ns, data))
                self._log_bad_frames()
                if self._is_polled and self.decoder.results != before:
                    self._is_due = False
                    self._since = asyncio.get_running_loop().time()
                    self._asking.set()
            case Opened(at_ns):
                log.info("line %s: %s is open", self._id, self._port.url)
                self._note(at_ns, "opened")
                self._tell(self.decoder.opened(at_ns))
                self._is_open, self._why_lost = True, ""
                self._is_polled = self._is_due = False
                self._asking.set()
            case Lost(at_ns, reason):
                if reason != self._why_lost:  # each try to open it again fails alike
                    log.warning("line %s: %s", self._id, reason)
                self._is_open, self._why_lost = False, reason
                self._note(at_ns, "lost", reason)
                self._tell(self.decoder.lost(at_ns, reason))
            case ModemEdge() | ModemDoubt():
                if self._recorder is not None:
                    self._recorder.note_modem(self._id, event)
                if isinstance(event, ModemDoubt) and event.why:
                    log.warning("line %s: %s %s", self._id, event.line, event.why)
                self._tell(self.decoder.modem(event))

    def _log_bad_frames(self) -> None:
        """Log the first bad frame, and how many came since, every now and then."""
        count, at = self._bad_logged
        bad, now = self.decoder.last_bad, asyncio.get_running_loop().time()
        if bad is None or self.decoder.bad_frames == count or now < at + _BAD_FRAMES_LOGGED_S:
            return
        more = self.decoder.bad_frames - count
        log.warning(
            "line %s: %d bad frame%s, the last one: %s: %r",
            self._id, more, "s" if more > 1 else "", bad.reason, bad.raw,
        )  # fmt: skip
        self._bad_logged = (self.decoder.bad_frames, now)

    def _note(self, at_ns: int, what: What, text: str = "") -> None:
        if self._recorder is not None:
            self._recorder.note(at_ns, self._id, what, text)

    def _tell(self, events: list[Routed]) -> None:
        for event in events:
            self._on_event(event)

    # --- requests ---

    async def _ask_loop(self) -> None:
        """Send what the driver wants sent, at most one request every ``request_every_s``."""
        loop = asyncio.get_running_loop()
        while True:
            wait = self._ask_guarded(loop.time()) if self._is_open else None
            try:
                async with asyncio.timeout(wait):
                    await self._asking.wait()
            except TimeoutError:
                continue
            self._asking.clear()

    def _ask_guarded(self, now: float) -> float | None:
        """Ask; a driver that raises is a lost line, tried again a moment later."""
        try:
            return self._ask(now)
        except Exception as error:  # anybody's driver
            self._tell(self.decoder.failed(self._clock.now_ns(), error))
            self._is_polled = self._is_due = False
            self._next_at = now + _FAILED_WAIT_S
            return _FAILED_WAIT_S

    def _ask(self, now: float) -> float | None:
        """Return how long to wait before looking again; None until something comes.

        The driver is told of every answer timeout that passes without a result, also while
        it asks nothing: that is how it knows a quiet line.
        """
        if self._is_polled and now - self._since >= self._answer_s:
            self._note(self._clock.now_ns(), "timed-out")
            self.decoder.driver.timed_out()
            self._is_due = False
            self._since = now
        if not self._is_due and now >= self._next_at:
            self._request(now)
        if not self._is_polled:
            return None
        answer_in = self._since + self._answer_s - now
        return answer_in if self._is_due else min(answer_in, max(0.001, self._next_at - now))

    def _request(self, now: float) -> None:
        request = self.decoder.driver.next_request()
        if request is None:
            return
        self._is_polled = self._is_due = True
        self._since = now
        self._next_at = now + self._every_s
        self._note(self._clock.now_ns(), ">", request.hex())
        self._port.write(request)

    async def _watch(self) -> None:
        """Tell of an indicator that has stopped speaking, unless the line may be silent."""
        while self._silent_ns:
            await asyncio.sleep(min(0.2, self._silent_ns / NS_PER_S / self._clock.rate / 4))
            if self._is_open:
                now_ns = self._clock.now_ns()
                events = self.decoder.silent(now_ns, self._silent_ns)
                if events:
                    self._note(now_ns, "silent", str(self._silent_ns))
                self._tell(events)
