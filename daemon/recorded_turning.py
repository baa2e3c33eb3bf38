"""A master that turns, from a recording: what one indicator saw, and what marks the angle."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from daemon.config import BenchConfig, Config
from daemon.errors import RecordingError
from daemon.line import Routed
from daemon.recorded_line import RecordedLine
from daemon.recording import Entry
from daemon.wiring import decoders
from rules.capture_model import Edge, LineLost, Seen
from rules.sweep import Sweep

__all__ = ["recorded_turning"]


@dataclass(slots=True)
class _Seen:
    """What came so far of one indicator."""

    at_ns: list[int] = field(default_factory=list)
    value_nm: list[int] = field(default_factory=list)
    angle_udeg: list[int] = field(default_factory=list)
    index_ns: list[int] = field(default_factory=list)
    second_ns: list[int] = field(default_factory=list)

    def take(self, event: object, indicator: str) -> None:
        """Note a reading or a flag.

        Raises:
            RecordingError: If the line was lost, or the indicator was out of its range.
        """
        match event:
            case Seen() if event.indicator == indicator:
                self._reading(event)
            case Edge(signal="index", is_on=True, at_ns=at_ns):
                self.index_ns.append(at_ns)
            case Edge(signal="index-2", is_on=True, at_ns=at_ns):
                self.second_ns.append(at_ns)
            case LineLost() if event.indicator == indicator and self.at_ns:
                raise RecordingError(
                    f"at {event.at_ns}: {indicator} was lost ({event.reason}); accepted is a"
                    " recording without a break"
                )
            case _:
                pass

    def _reading(self, seen: Seen) -> None:
        value_nm = seen.reading.value_nm
        if value_nm is None:
            raise RecordingError(
                f"at {seen.at_ns}: {seen.indicator} was out of its range; accepted is a master"
                " that it follows all the way round"
            )
        self.at_ns.append(seen.at_ns)
        self.value_nm.append(value_nm)
        if seen.reading.angle_udeg is not None:
            self.angle_udeg.append(seen.reading.angle_udeg)

    def sweep(self) -> Sweep:
        """Return all of it as one sweep."""
        return Sweep(
            tuple(self.at_ns),
            tuple(self.value_nm),
            tuple(self.index_ns),
            angle_udeg=tuple(self.angle_udeg),
            second_ns=tuple(self.second_ns),
        )


def recorded_turning(
    entries: Iterable[Entry], config: Config, bench: BenchConfig, indicator: str
) -> Sweep:
    """Return the readings of an indicator and the flags of its bench, as the service has them.

    The times are those that the service gives: a delay that is found from them is the one
    that it has to take off, wires, ports and driver included.

    Raises:
        RecordingError: If the line was lost or over-range, or nothing came of the indicator.
    """
    lines = {d.config.section.id: RecordedLine(d) for d in decoders(config)}
    seen = _Seen()
    for entry in entries:
        line = lines.get(entry.where)
        for name, event in _routed(line, entry):
            if name == bench.id:
                seen.take(event, indicator)
    if not seen.at_ns:
        raise RecordingError(f"no reading of {indicator} in it; accepted is one of its line")
    return seen.sweep()


def _routed(line: RecordedLine | None, entry: Entry) -> list[Routed]:
    return [] if line is None else line.take(entry)
