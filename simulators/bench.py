"""One simulated bench as seen from its cable: bytes out, prompts and lamps in.

Pure and deterministic: time is an argument, the same seed and the same things shown at the
same times give the same bytes at the same times.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace
from random import Random
from typing import Literal, Protocol

from rules.reading import Flag, Reading
from simulators.contacts import IndexFlag
from simulators.guide import Guide, GuideRules, Showing
from simulators.indicator import Indicator, in_inch
from simulators.operator import Operator
from simulators.shown import LAMP_REPEAT_NS, LampWord, Shown
from simulators.spindle import NS_PER_S
from simulators.stand import Stand, StandKind
from simulators.truth import Dropped, Fact
from simulators.work import Work


class Encoder(Protocol):
    """The wire pattern of an indicator that sends by itself."""

    def encode(self, reading: Reading) -> bytes:
        """Return the frame that says this reading."""


class Responder(Protocol):
    """The wire pattern of an indicator that answers."""

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return the answers to what these bytes ask; ``indication`` reads the indicator."""


Contact = Literal["index", "foot"]

_FLAG_SETS: dict[tuple[bool, bool], frozenset[Flag]] = {
    (False, False): frozenset(),
    (True, False): frozenset({"index"}),
    (False, True): frozenset({"foot"}),
    (True, True): frozenset({"index", "foot"}),
}


@dataclass(frozen=True, slots=True)
class Wire:
    """The pace of a serial line.

    Attributes:
        baud: Bits a second, above 0.
        bits_per_byte: With start, parity and stop bits: 10 for 8N1.
    """

    baud: int = 9600
    bits_per_byte: int = 10

    def time_ns(self, count: int) -> int:
        """Return how long so many bytes take."""
        return count * self.bits_per_byte * NS_PER_S // self.baud


@dataclass(frozen=True, slots=True)
class Streaming:
    """An indicator that sends ``rate_hz`` frames a second by itself, as ``pattern`` writes."""

    pattern: Encoder
    rate_hz: int = 20


@dataclass(frozen=True, slots=True)
class Polled:
    """An indicator that answers.

    Attributes:
        pattern: Knows the request and writes the answer.
        answer_s: From the request's last byte to the answer's first.
    """

    pattern: Responder
    answer_s: float = 0.02


@dataclass(frozen=True, slots=True)
class BenchKind:
    """What one simulated bench is made of.

    Attributes:
        name: Its id; part of the seed.
        stand: The mechanics.
        indicator: The indicator.
        sends: Whether it streams or is polled, and in which wire pattern.
        wire: Its line.
        work: The person and the tray.
        has_flags: Whether index and foot switch travel as flags in the frame.
        has_contacts: Whether they are wired, and come as levels beside the frames.
    """

    name: str
    stand: StandKind
    indicator: Indicator
    sends: Streaming | Polled
    wire: Wire
    work: Work
    has_flags: bool = True
    has_contacts: bool = False


@dataclass(frozen=True, slots=True)
class Sent:
    """A frame; ``at_ns`` is when its last bit has left the line."""

    at_ns: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Placed:
    """A bin's sensor or button saw a piece."""

    at_ns: int
    bin: str


@dataclass(frozen=True, slots=True)
class Switched:
    """A wired contact closed or opened."""

    at_ns: int
    contact: Contact
    is_on: bool


Emission = Sent | Placed | Switched


class Bench:
    """The bench as it runs. Calls come in the order of time."""

    def __init__(self, kind: BenchKind, seed: int, guide: GuideRules | None = None) -> None:
        """Set the bench up at time 0.

        Args:
            kind: What it is made of.
            seed: Of all its chance.
            guide: Run by the truth, without prompts from outside.
        """
        name = f"{seed}/{kind.name}"
        self._kind = kind
        self._noise = Random(f"{name}/noise")
        self._stand = Stand(kind.stand)
        self._shown = Shown()
        self._operator = Operator(name, kind.work, self._stand, self._shown)
        self._guide = Guide(guide, kind.stand.drive) if guide else None
        self._showing = Showing(0, "clamp") if guide else None
        self._known_facts = 0
        self._now_ns = 0
        self._frames = 0
        self._sampled_ns = 0
        self._out: deque[Emission] = deque()
        self._line_free_ns = 0
        self._flag = IndexFlag(kind.stand.index_at, kind.stand.index_width)
        self._foot_is_down = False

    @property
    def truth(self) -> list[Fact]:
        """Return what really happened so far, in order."""
        return self._operator.facts

    @property
    def next_ns(self) -> int | None:
        """Return when something happens next by itself; None if only input can lead to it."""
        times = [self._next_reading_ns(), self._operator.wakes_ns, self._next_flag_ns()]
        times.append(self._showing.at_ns if self._showing else None)
        times.extend(emission.at_ns for emission in self._out)
        return min((at for at in times if at is not None), default=None)

    def contact_levels(self) -> dict[Contact, bool]:
        """Return the levels of the wired contacts now; empty where none is wired."""
        if not self._kind.has_contacts:
            return {}
        self._next_flag_ns()
        return {"index": self._flag.is_on, "foot": self._foot_is_down}

    def advance(self, to_ns: int) -> list[Emission]:
        """Let time pass up to and including ``to_ns``; return what left the bench by then."""
        self._run(to_ns)
        due = [emission for emission in self._out if emission.at_ns <= to_ns]
        self._out = deque(emission for emission in self._out if emission.at_ns > to_ns)
        return sorted(due, key=lambda emission: emission.at_ns)

    def show_prompt(
        self, word: str, at_ns: int, cell: int | None = None, text: str = ""
    ) -> None:
        """Show the operator a prompt: its word, the tray cell it names, its sentence."""
        self._run(at_ns)
        self._shown.prompt, self._shown.cell, self._shown.text = word, cell, text
        self._look()

    def show_lamp(self, bin_id: str, word: LampWord, at_ns: int) -> None:
        """Let a bin's lamp have its word; it goes dark unless it hears it again."""
        self._run(at_ns)
        self._shown.set_lamp(bin_id, word, at_ns)
        self._look()

    def drop_chip(self) -> None:
        """Let a chip lie in the holder's taper when the next master is seated there."""
        self._operator.has_chip_in_taper = True

    def pour_back(self, bin_id: str) -> None:
        """Let the person take all that lies in a bin back into the tray."""
        self._operator.pour_back(bin_id)

    def received(self, chunk: bytes, at_ns: int) -> None:
        """Take bytes that came up the line; only a polled indicator heeds them."""
        self._run(at_ns)
        sends = self._kind.sends
        if isinstance(sends, Polled):
            answers = sends.pattern.respond(chunk, lambda _channel: self._read(at_ns))
            self._send(answers, at_ns + int(sends.answer_s * NS_PER_S))

    # --- time passes ---------------------------------------------------------------------

    def _run(self, to_ns: int) -> None:
        while True:
            reading_ns, hands_ns = self._next_reading_ns(), self._operator.wakes_ns
            shown_ns = self._showing.at_ns if self._showing else None
            flag_ns = self._next_flag_ns()
            times = [at for at in (hands_ns, shown_ns, flag_ns, reading_ns) if at is not None]
            if not times or min(times) > to_ns:
                break
            self._now_ns = min(times)
            if self._now_ns == hands_ns:
                self._operator.proceed(self._now_ns)
                self._take_facts()
            elif self._now_ns == shown_ns:
                self._show_by_guide()
            elif self._now_ns == flag_ns:
                self._out.append(Switched(self._now_ns, "index", self._flag.pass_edge()))
            else:
                self._stream(self._now_ns)
        self._now_ns = max(self._now_ns, to_ns)

    def _look(self) -> None:
        self._operator.look(self._now_ns)
        self._take_facts()

    def _next_flag_ns(self) -> int | None:
        if not self._kind.has_contacts:
            return None
        return self._flag.next_ns(self._stand.spindle, self._now_ns)

    def _take_facts(self) -> None:
        if self._kind.has_contacts and self._operator.is_foot_down != self._foot_is_down:
            self._foot_is_down = self._operator.is_foot_down
            self._out.append(Switched(self._now_ns, "foot", self._foot_is_down))
        for fact in self._operator.facts[self._known_facts :]:
            if isinstance(fact, Dropped) and self._kind.work.has_bin_sensors:
                self._out.append(Placed(fact.at_ns, fact.bin))
            if self._guide is not None:
                self._showing = self._guide.follow(fact) or self._showing
        self._known_facts = len(self._operator.facts)

    def _show_by_guide(self) -> None:
        showing, self._showing = self._showing, None
        if showing is None:
            return
        if showing.lit is not None:  # a lamp has to be told again, or it goes dark
            self._showing = replace(showing, at_ns=showing.at_ns + LAMP_REPEAT_NS)
        self._shown.prompt = showing.prompt
        for bin_id, word in showing.lamps(tuple(self._kind.work.bins)).items():
            self._shown.set_lamp(bin_id, word, showing.at_ns)
        self._look()

    # --- readings ------------------------------------------------------------------------

    def _next_reading_ns(self) -> int | None:
        if isinstance(self._kind.sends, Streaming):
            return self._frames * NS_PER_S // self._kind.sends.rate_hz
        return None

    def _stream(self, at_ns: int) -> None:
        if isinstance(self._kind.sends, Streaming):
            self._frames += 1
            self._send(self._kind.sends.pattern.encode(self._read(at_ns)), at_ns)

    def _read(self, at_ns: int) -> Reading:
        position_um = self._stand.position_um(at_ns)
        flags = self._flags(at_ns)
        reading = self._kind.indicator.read(position_um, at_ns, self._noise, flags)
        return in_inch(reading, self._kind.indicator) if self._operator.is_inch else reading

    def _send(self, data: bytes, at_ns: int) -> None:
        """Put bytes on the line; they are through when it has carried each of them."""
        if data:
            start_ns = max(at_ns, self._line_free_ns)
            self._line_free_ns = start_ns + self._kind.wire.time_ns(len(data))
            self._out.append(Sent(self._line_free_ns, data))

    def _flags(self, at_ns: int) -> frozenset[Flag]:
        """Return the flags of a frame: what happened since the last one."""
        if not self._kind.has_flags:
            return _FLAG_SETS[False, False]
        since_ns, self._sampled_ns = self._sampled_ns, at_ns
        has_passed = self._stand.spindle.passes_index(since_ns, at_ns)
        return _FLAG_SETS[has_passed, self._operator.is_foot_down]
