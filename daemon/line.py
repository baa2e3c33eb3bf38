"""One line: bytes → driver → stamped readings and signal edges for the benches on it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from daemon.config import LineConfig, plain_options
from daemon.config_sections import SIGNALS
from daemon.pace import Pace
from drivers import BadFrame, Driver, Reading
from rules.capture_model import CaptureEvent, Edge, LineBack, LineLost, Seen, Signal


@dataclass(frozen=True, slots=True)
class Seat:
    """Where an indicator sits: its id, channel on the line, and whose bench it is."""

    indicator: str
    channel: str
    bench: str


Routed = tuple[str, CaptureEvent]
"""Bench id and event."""


@dataclass(slots=True)
class LineDecoder:
    """Turns what a port delivers into events of benches. Pure but for the driver's own state.

    The same chunks at the same times give the same events: a recording replays.

    Attributes:
        config: The line's table and driver.
        seats: Indicators on this line.
        results: Readings and bad frames so far.
        bad_frames: How many frames were no readings.
        strangers: Readings of a channel nobody has.
        last_bad: The last bad frame.
    """

    config: LineConfig
    seats: Sequence[Seat]
    results: int = 0
    bad_frames: int = 0
    strangers: int = 0
    last_bad: BadFrame | None = None
    _driver: Driver = field(init=False)
    _pace: Pace = field(default_factory=Pace)
    _is_lost: bool = False
    _heard_ns: int | None = None
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

    def opened(self) -> None:
        """Start with a new driver: a reopened port owes nothing to the old one."""
        self._driver = self._make()
        self._pace = Pace()
        self._levels.clear()
        self._heard_ns = None

    def lost(self, at_ns: int, reason: str) -> list[Routed]:
        """Return the loss for every indicator of the line, once."""
        if self._is_lost:
            return []
        self._is_lost = True
        return [(s.bench, LineLost(s.indicator, at_ns, reason)) for s in self.seats]

    def chunk(self, at_ns: int, data: bytes) -> list[Routed]:
        """Return what the bytes mean, in order."""
        found = self._driver.feed(data)
        self.results += len(found)
        readings = [item for item in found if isinstance(item, Reading)]
        for item in found:
            if isinstance(item, BadFrame):
                self.bad_frames += 1
                self.last_bad = item
        if not readings:
            return []
        events: list[Routed] = []
        if self._is_lost:
            self._is_lost = False
            events.extend((s.bench, LineBack(s.indicator, at_ns)) for s in self.seats)
        self._heard_ns = at_ns
        stamps = self._pace.stamps(at_ns, len(readings))
        for stamp, reading in zip(stamps, readings, strict=True):
            events.extend(self._seen(stamp, reading))
        return events

    def _seen(self, at_ns: int, reading: Reading) -> list[Routed]:
        seat = self._seat(reading)
        if seat is None:
            self.strangers += 1
            return []
        edges = self._edges(seat, reading, at_ns)
        return [*edges, (seat.bench, Seen(seat.indicator, reading, at_ns))]

    def _seat(self, reading: Reading) -> Seat | None:
        for seat in self.seats:
            if not seat.channel or seat.channel == reading.channel:
                return seat
        return None

    def _edges(self, seat: Seat, reading: Reading, at_ns: int) -> list[Routed]:
        edges: list[Routed] = []
        for signal in SIGNALS:
            is_on = signal in reading.flags
            if is_on != self._levels.get((seat.indicator, signal), False):
                self._levels[seat.indicator, signal] = is_on
                edges.append((seat.bench, Edge(signal, is_on, at_ns)))
        return edges

    def silent(self, now_ns: int, limit_ns: int) -> list[Routed]:
        """Return the loss of an indicator that has stopped speaking."""
        if self._heard_ns is None or now_ns - self._heard_ns <= limit_ns:
            return []
        self._heard_ns = None
        return self.lost(now_ns, f"line {self.config.section.id}: no reading any more")
