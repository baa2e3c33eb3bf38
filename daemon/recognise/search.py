"""Trying speeds and framings on a port until something is read, then once more for certain."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, Protocol

from daemon.recognise.characters import read_characters, text_share
from daemon.recognise.judge import Finding, recognise, weight
from daemon.recognise.sample import Sample
from drivers import LineSettings

SPEEDS_BAUD = (9600, 115200, 19200, 38400, 4800, 57600, 2400, 1200)
_OTHER_FRAMINGS = ("8E1", "7N1")
"""What 8N1 garbles. 7E1, 7O1 and 7N2 show in the top bit; 8O1 reads as 8E1 does, since a
port opened by pyserial checks no parity."""

_SLICE_S = 1.5
"""Long enough for a few frames of an indicator that sends twice a second."""

_SLICE_BYTES = 2000
_MOST_BYTES = 20_000
_FEWEST_TEXT_BYTES, _FEWEST_LETTERS, _TEXT_SHARE = 30, 4, 0.98
_ENDS = b"\r\n\x03"
_ALL_READ, _FEW_READINGS = 0.95, 10

Tell = Callable[[str], None]


class Source(Protocol):
    """Where samples come from."""

    @property
    def knows_speed(self) -> bool:
        """False where settings change nothing."""

    def hear(
        self, settings: LineSettings, seconds: float, most_bytes: int, first_byte_s: float
    ) -> Sample:
        """Return what comes in ``seconds`` from the first byte, if that comes in time."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a search came to.

    Attributes:
        sample: What was heard last, or most tellingly.
        finding: What it is taken for; None if nothing reads it.
        settings: What it was heard with.
        is_confirmed: True if it was heard with the very settings that are proposed.
    """

    sample: Sample
    finding: Finding | None
    settings: LineSettings
    is_confirmed: bool = False

    @property
    def proposed(self) -> LineSettings:
        """The settings that the bytes ask for."""
        shown = read_characters(self.sample).framing
        return self.settings if shown is None else framed(self.settings.baud, shown)

    @property
    def is_text(self) -> bool:
        """True if all of it is text in lines: the settings are right, whatever it says."""
        heard = read_characters(self.sample).sample.heard
        has_lines = bool(set(heard) & set(_ENDS)) and len(set(heard)) >= _FEWEST_LETTERS
        is_enough = len(heard) >= _FEWEST_TEXT_BYTES and has_lines
        return is_enough and text_share(heard) >= _TEXT_SHARE


def framed(baud: int, framing: str) -> LineSettings:
    """Return settings from a speed and a framing such as 7E1."""
    parity: Literal["N", "E", "O"] = "N"
    if framing[1] in "EO":
        parity = "E" if framing[1] == "E" else "O"
    return LineSettings(
        baud, 7 if framing[0] == "7" else 8, parity, 2 if framing[2] == "2" else 1
    )


def framing_of(settings: LineSettings) -> str:
    """Return a framing such as 7E1."""
    return f"{settings.data_bits}{settings.parity}{settings.stop_bits}"


def search(source: Source, seconds: float, tell: Tell) -> Found:
    """Return what is heard, tried with every speed and framing where those matter.

    Args:
        source: The port.
        seconds: How long to listen when the settings are found (and for a first byte).
        tell: Takes a line on each thing that is tried.
    """
    if not source.knows_speed:
        return _heard(source, LineSettings(), seconds, tell)
    sample = source.hear(LineSettings(), _SLICE_S, _SLICE_BYTES, seconds)
    first = Found(sample, recognise(sample), LineSettings())
    tell(_line(first))
    best = _scanned(source, first, tell)
    if best.finding is None and not best.is_text:
        return best
    return _confirmed(source, best, seconds, tell)


def _heard(source: Source, settings: LineSettings, seconds: float, tell: Tell) -> Found:
    sample = source.hear(settings, seconds, _MOST_BYTES, seconds)
    found = Found(sample, recognise(sample), settings)
    tell(_line(found))
    return found


def _line(found: Found) -> str:
    settings = f"{found.settings.baud} {framing_of(found.settings)}"
    count = len(found.sample.heard)
    if found.finding is None:
        return f"{settings}: {count} bytes, {'nothing read' if count else 'silence'}"
    outcome = found.finding.outcome
    name = outcome.candidate.driver
    return f"{settings}: {count} bytes, {len(outcome.readings)} readings by {name}"


def _scanned(source: Source, first: Found, tell: Tell) -> Found:
    """Return the best of all speeds, and of other framings where none is read."""
    tried = [first]
    for settings in _settings_to_try(tried):
        if _is_good(tried[-1]) or tried[-1].is_text:
            break
        sample = source.hear(settings, _SLICE_S, _SLICE_BYTES, _SLICE_S)
        tried.append(Found(sample, recognise(sample), settings))
        tell(_line(tried[-1]))
    return max(tried, key=_rank)


def _settings_to_try(tried: list[Found]) -> Iterator[LineSettings]:
    """Yield speeds, then framings at those that look most like text; none on silence."""
    for baud in SPEEDS_BAUD[1:]:
        if not any(found.sample.heard for found in tried) and len(tried) > 1:
            return
        yield LineSettings(baud)
    heard = [found for found in tried if found.sample.heard]
    heard.sort(key=lambda found: -text_share(found.sample.heard))
    for framing in _OTHER_FRAMINGS:
        for found in heard:
            yield framed(found.settings.baud, framing)


def _is_good(found: Found) -> bool:
    """Return True if no other settings need trying; a stream may stand still and be right."""
    if found.finding is None or found.finding.outcome.candidate.is_weak:
        return False
    outcome = found.finding.outcome
    reads_all = outcome.share >= _ALL_READ and len(outcome.readings) >= _FEW_READINGS
    return found.finding.sureness != "a guess" or reads_all


def _rank(found: Found) -> tuple[bool, bool, float, int]:
    weighs = weight(found.finding.outcome) if found.finding is not None else 0.0
    return _is_good(found), found.is_text, weighs, len(found.sample.heard)


def _confirmed(source: Source, best: Found, seconds: float, tell: Tell) -> Found:
    """Listen again with the settings that are proposed; keep the first if it says more."""
    again = replace(_heard(source, best.proposed, seconds, tell), is_confirmed=True)
    if again.finding is not None or best.finding is None:
        return again
    return replace(best, is_confirmed=best.proposed == best.settings)
