"""Which indicator sits on which line, and which contact speaks to which bench."""

from daemon.config import Config
from daemon.line import LineDecoder, Seat


def decoders(config: Config) -> list[LineDecoder]:
    """Return a decoder for each line, knowing the indicators that sit on it."""
    wired = frozenset(
        (line.signals_of, signal)
        for line in config.lines.values()
        if line.signals_of is not None
        for signal in line.section.signals.values()
    )
    return [
        LineDecoder(line, seats_on(line.section.id, config), wired)
        for line in config.lines.values()
    ]


def seats_on(line: str, config: Config) -> list[Seat]:
    """Return the indicators of all benches that sit on a line."""
    return [
        Seat(indicator.id, indicator.channel, one.id)
        for one in config.benches
        for indicator in one.section.indicator
        if indicator.line == line
    ]
