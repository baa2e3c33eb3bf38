"""One line: bytes → driver → stamped readings and signal edges for the benches on it."""

import logging
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from daemon.config import LineConfig, plain_options
from daemon.config_sections import SIGNALS
from daemon.modem_lines import NOT_TOLD, ModemDoubt, ModemEdge, ModemLine
from daemon.pace import Pace
from drivers import BadFrame, Driver, Reading
from rules.capture_model import CaptureEvent, Edge, LineBack, LineLost, Seen, Signal
from rules.debounce import HELD_AT_START, HELD_TOO_LONG, UNSTEADY
from rules.line_events import SignalFault

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Seat:
    """Where an indicator sits: its id, channel on the line, and whose bench it is."""

    indicator: str
    channel: str
    bench: str


Routed = tuple[str, CaptureEvent | SignalFault]
"""Bench id and event."""

_MISREAD = re.compile(r"looks like ([78][NEO][12]) read as [78][NEO][12]")
_MISREAD_AFTER = 3
"""So many bad frames without a reading that look like one wrong framing are one."""

_PROOF_BYTES = 64
"""One bad frame of this length that looks so is proof enough: chance is 1 in 2**64."""

_WHAT_TO_DO = {
    HELD_AT_START: "let it go, or look at the switch and its cable",
    HELD_TOO_LONG: "take the foot off, or look for a short circuit",
    UNSTEADY: "look at its plug and cable",
    NOT_TOLD: "wire it to a port that has this line",
}


@dataclass(slots=True)
class LineDecoder:
    """Turns what a port delivers into events of benches. Pure but for the driver's own state.

    The same chunks at the same times give the same events: a recording replays.

    Attributes:
        config: The line's table and driver.
        seats: Indicators on this line.
        wired: Signals of a bench that come over a modem line: flags don't tell them again.
        results: Readings and bad frames so far.
        bad_frames: How many frames were no readings.
        strangers: Readings of a channel nobody has.
        last_bad: The last bad frame.
    """

    config: LineConfig
    seats: Sequence[Seat]
    wired: frozenset[tuple[str, Signal]] = frozenset()
    results: int = 0
    bad_frames: int = 0
    strangers: int = 0
    last_bad: BadFrame | None = None
    _driver: Driver = field(init=False)
    _pace: Pace = field(default_factory=Pace)
    _lost: dict[str, str] = field(default_factory=dict)
    _heard_ns: dict[str, int] = field(default_factory=dict)
    _spoke_ns: int | None = None
    _bad_run: int = 0
    _misread: Counter[str] = field(default_factory=Counter)
    _doubted: dict[ModemLine, str] = field(default_factory=dict)
    _levels: dict[tuple[str, Signal], bool] = field(default_factory=dict)
    _make: Callable[[], Driver] = field(init=False)

    def __post_init__(self) -> None:
        options = plain_options(self.config.section.options)
        self._make = lambda: self.config.driver.make(options)
        self._driver = self._make()

    @property
    def driver(self) -> Driver:
        """Return the driver of the open port."""
        return self._driver

    @property
    def bad_run(self) -> int:
        """Return how many bad frames came since the last reading."""
        return self._bad_run

    def opened(self, at_ns: int = 0) -> list[Routed]:
        """Start with a new driver: a reopened port owes nothing to the old one.

        Signals that were doubted are believed again until the port says otherwise.
        """
        self._driver = self._make()
        self._pace = Pace()
        self._levels.clear()
        self._heard_ns.clear()
        self._spoke_ns = None
        self._bad_run = 0
        self._misread.clear()
        doubted, self._doubted = self._doubted, {}
        return [fault for line in sorted(doubted) for fault in self._fault(line, "", at_ns)]

    def lost(self, at_ns: int, reason: str) -> list[Routed]:
        """Return the loss of the port: for every indicator of the line, once.

        A signal whose bench has an indicator on this line goes with that; another one is
        told by itself.
        """
        events = [event for seat in self.seats for event in self._lose(seat, at_ns, reason)]
        if self.config.signals_of in {seat.bench for seat in self.seats}:
            return events
        for line in self.config.section.signals:
            if line not in self._doubted:
                self._doubted[line] = f"line {self.config.section.id}: {reason}"
                events += self._fault(line, self._doubted[line], at_ns)
        return events

    def _lose(self, seat: Seat, at_ns: int, reason: str) -> list[Routed]:
        if seat.indicator in self._lost:
            return []
        self._lost[seat.indicator] = reason
        events: list[Routed] = [(seat.bench, LineLost(seat.indicator, at_ns, reason))]
        if self._goes_with_indicators:
            for line in sorted(self._doubted):
                events += self._fault(line, "", at_ns)
        return events

    @property
    def _goes_with_indicators(self) -> bool:
        """Return whether the line is mute as a whole: one cause, told of its indicators."""
        own = [seat for seat in self.seats if seat.bench == self.config.signals_of]
        return bool(own) and all(seat.indicator in self._lost for seat in own)

    def failed(self, at_ns: int, error: Exception) -> list[Routed]:
        """Return the loss of a line whose driver has raised; a new one takes its place."""
        name = self.config.driver.name
        log.error("line %s: driver %s failed", self.config.section.id, name, exc_info=error)
        self._driver = self._make()
        return self.lost(at_ns, f"driver {name} failed: {type(error).__name__}: {error}")

    # --- bytes ---

    def chunk(self, at_ns: int, data: bytes) -> list[Routed]:
        """Return what the bytes mean, in order."""
        try:
            found = self._driver.feed(data)
        except Exception as error:  # anybody's driver: it must not, and one day it does
            return self.failed(at_ns, error)
        if not found:
            return []
        self.results += len(found)
        if self._spoke_ns is None:
            self._spoke_ns = at_ns
        count = sum(isinstance(item, Reading) for item in found)
        stamps = iter(self._pace.stamps(at_ns, count))
        events: list[Routed] = []
        for item in found:
            if isinstance(item, Reading):
                self._bad_run = 0
                self._misread.clear()
                events += self._seen(next(stamps), item)
            else:
                events += self._bad(at_ns, item)
        return events

    def _bad(self, at_ns: int, frame: BadFrame) -> list[Routed]:
        """Count a bad frame; a line that is read with the wrong framing is told as that."""
        self.last_bad = frame
        self._bad_run += 1
        self.bad_frames += 1
        misread = _MISREAD.search(frame.reason)
        if misread is None:
            return []
        looks = misread[0]
        self._misread[looks] += _MISREAD_AFTER if len(frame.raw) >= _PROOF_BYTES else 1
        if self._misread[looks] < _MISREAD_AFTER:
            return []
        reason = (
            f"line {self.config.section.id} {looks}: "
            f'set framing = "{misread[1]}" in the bench file'
        )
        lost = [seat for seat in self.seats if self._lost.get(seat.indicator) != reason]
        for seat in lost:
            self._lost[seat.indicator] = reason
        return [(seat.bench, LineLost(seat.indicator, at_ns, reason)) for seat in lost]

    def _seen(self, at_ns: int, reading: Reading) -> list[Routed]:
        seat = self._seat(reading)
        if seat is None:
            self.strangers += 1
            return []
        self._heard_ns[seat.indicator] = at_ns
        events = self._found(seat, at_ns) if seat.indicator in self._lost else []
        events += self._edges(seat, reading, at_ns)
        return [*events, (seat.bench, Seen(seat.indicator, reading, at_ns))]

    def _found(self, seat: Seat, at_ns: int) -> list[Routed]:
        """Return that an indicator speaks again, and what was kept back meanwhile."""
        was_mute = self._goes_with_indicators
        del self._lost[seat.indicator]
        events: list[Routed] = [(seat.bench, LineBack(seat.indicator, at_ns))]
        if was_mute and not self._goes_with_indicators:
            for line, why in sorted(self._doubted.items()):
                events += self._fault(line, why, at_ns)
        return events

    def _seat(self, reading: Reading) -> Seat | None:
        for seat in self.seats:
            if not seat.channel or seat.channel == reading.channel:
                return seat
        return None

    def _edges(self, seat: Seat, reading: Reading, at_ns: int) -> list[Routed]:
        edges: list[Routed] = []
        for signal in SIGNALS:
            if (seat.bench, signal) in self.wired:
                continue
            is_on, place = signal in reading.flags, (seat.indicator, signal)
            # A foot that is down when the line opens pressed nothing; an index is a moment.
            before = self._levels.get(place, is_on if signal == "foot" else False)
            self._levels[place] = is_on
            if is_on != before:
                edges.append((seat.bench, Edge(signal, is_on, at_ns)))
        return edges

    # --- modem lines ---

    def modem(self, event: ModemEdge | ModemDoubt) -> list[Routed]:
        """Return what a modem line says: an edge at its own time, or a doubt."""
        signal = self.config.section.signals.get(event.line)
        bench = self.config.signals_of
        if signal is None or bench is None:
            return []
        if isinstance(event, ModemEdge):
            return [(bench, Edge(signal, event.is_on, event.since_ns))]
        if not event.why:
            self._doubted.pop(event.line, None)
            return self._fault(event.line, "", event.at_ns)
        where = f"{event.line} of line {self.config.section.id} {event.why}"
        self._doubted[event.line] = f"{where}: {_WHAT_TO_DO[event.why]}"
        if self._goes_with_indicators:
            return []
        return self._fault(event.line, self._doubted[event.line], event.at_ns)

    def _fault(self, line: ModemLine, text: str, at_ns: int) -> list[Routed]:
        signal, bench = self.config.section.signals[line], self.config.signals_of
        return [(bench, SignalFault(signal, text, at_ns))] if bench is not None else []

    # --- silence ---

    def silent(self, now_ns: int, limit_ns: int) -> list[Routed]:
        """Return the loss of every indicator that has stopped speaking.

        One that never spoke is waited for, as long as nothing at all comes over the line;
        where frames come and none is its reading, it is lost like the others.
        """
        events: list[Routed] = []
        for seat in self.seats:
            since = self._heard_ns.get(seat.indicator, self._spoke_ns)
            if since is not None and now_ns - since > limit_ns:
                events += self._lose(seat, now_ns, self._why_silent(seat))
        return events

    def _why_silent(self, seat: Seat) -> str:
        where = f"line {self.config.section.id}"
        if self._bad_run and self.last_bad is not None:
            frames = "bad frame" if self._bad_run == 1 else "bad frames"
            return f"{where}: {self._bad_run} {frames} and no reading: {self.last_bad.reason}"
        if seat.channel:
            return f"{where}: no reading of channel {seat.channel} any more"
        return f"{where}: no reading any more"
