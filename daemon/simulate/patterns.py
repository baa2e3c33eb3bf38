"""The wire patterns that can be simulated, by driver name, each with options of its own."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import cast

from daemon.errors import UnknownDriverError
from rules.length import Unit
from rules.reading import Reading
from simulators.ascii_line import AsciiLineEncoder
from simulators.ascii_poll import AsciiPollResponder
from simulators.faulty_pattern import Answering, Pattern
from simulators.modbus_rtu import ModbusRtuResponder
from simulators.packed_bcd import PackedBcdResponder
from simulators.scenario import B1_FRAME, B2_FRAME
from simulators.scpi import ScpiResponder

Options = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class PatternKind:
    """One wire pattern.

    Attributes:
        make: Makes the side that sends; the options are those of the driver.
        usual: Options that show the pattern at work.
        is_asked: Whether it answers, with these options, and says nothing by itself.
    """

    make: Callable[[Options], Pattern]
    usual: Options
    is_asked: Callable[[Options], bool]


def _never(options: Options) -> bool:
    return False


def _always(options: Options) -> bool:
    return True


def _by_request(options: Options) -> bool:
    return "request" in options


PATTERNS: Mapping[str, PatternKind] = {
    "ascii-line": PatternKind(AsciiLineEncoder, B1_FRAME, _never),
    "ascii-poll": PatternKind(AsciiPollResponder, B2_FRAME, _always),
    "packed-bcd": PatternKind(
        PackedBcdResponder,
        {
            "unit": "mm",
            "digits": 7,
            "decimals": 4,
            "over_range": ["E"],
            "start": "AA 55",
            "status": {"0": "index", "1": "foot"},
            "checksum": {"kind": "xor-8"},
        },
        _by_request,
    ),
    "modbus-rtu": PatternKind(
        ModbusRtuResponder,
        {
            "unit_id": 1,
            "function": 3,
            "address": 0,
            "address_base": 0,
            "format": "float32",
            "byte_order": "ABCD",
            "unit": "mm",
            "step_um": 0.1,
            "status": {
                "address": 2,
                "bits": {"0": "over-range", "1": "index", "2": "foot"},
            },
        },
        _always,
    ),
    "scpi": PatternKind(
        ScpiResponder,
        {
            "identity": "Millrace Workholding Workshop,D1,0042",
            "unit": "m",
            "sign": "+-",
            "decimals": 7,
            "digits": 8,
        },
        _always,
    ),
}


def pattern_kind(name: str) -> PatternKind:
    """Return a wire pattern by its driver's name.

    Raises:
        UnknownDriverError: If nothing here can send what that driver reads.
    """
    if name not in PATTERNS:
        raise UnknownDriverError(name, list(PATTERNS), " that can be simulated")
    return PATTERNS[name]


def answering(pattern: Pattern, kind: PatternKind, options: Options) -> Answering | None:
    """Return the pattern as one that is asked; None where it sends by itself."""
    return cast(Answering, pattern) if kind.is_asked(options) else None


def unit_of(options: Options) -> Unit:
    """Return the unit that the indicator shows: the first one its frame can say."""
    unit = options.get("unit", "mm")
    first = next(iter(unit.values())) if isinstance(unit, Mapping) else unit
    return "inch" if first == "inch" else "mm"


def channel_of(options: Options) -> str:
    """Return the channel word that streamed frames carry, "" where they have none."""
    channels = options.get("channels", ())
    listed = [channels] if isinstance(channels, str) else list(cast(list[str], channels))
    return str(listed[0]) if listed else ""


def says_over_range(pattern: Pattern, unit: Unit, channel: str) -> bool:
    """Return whether its frames can say that the stylus is out of range."""
    try:
        over = frozenset({"over-range"})
        pattern.encode(Reading(None, unit, flags=over, channel=channel))  # type: ignore[arg-type]
    except ValueError:
        return False
    return True
