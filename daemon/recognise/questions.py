"""Asking a silent port: what open standards know as a question, and what a person names.

Sends bytes, so nothing here runs unless a person asked for it. Reading changes nothing in an
indicator that keeps the standards: ENQ asks for a response (ISO 646), ``*IDN?`` for who is
there (IEEE 488.2), functions 03 and 04 for registers (Modbus). What a maker's own request
word is, nobody can know: a person names it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from daemon.recognise.judge import recognise, weight
from daemon.recognise.modbus import asked_registers, is_whole, read_request
from daemon.recognise.sample import Piece, Sample
from daemon.recognise.search import Found, Tell, framed, framing_of
from drivers import LineSettings

_USUAL = ((9600, "8N1"), (9600, "7E1"), (4800, "7E1"), (19200, "8N1"), (115200, "8N1"))
_MODBUS = ((19200, "8E1"), (9600, "8E1"), (9600, "8N1"), (19200, "8N1"), (115200, "8N1"))
_STANDARD = (b"\x05", b"\r", b"*IDN?\n", b"*IDN?\r\n", b"*IDN?\r")
_UNIT_IDS = range(1, 9)
_FUNCTIONS = (3, 4)
_ADDRESSES = range(32)
_ANSWER_S = 0.4
_MODBUS_ANSWER_S = 0.25


class Asked(Protocol):
    """A port that can be asked."""

    @property
    def knows_speed(self) -> bool:
        """False where settings change nothing."""

    def ask(
        self, settings: LineSettings, request: bytes, wait_s: float, seconds: float
    ) -> Sample:
        """Return requests and answers: one, and more as long as there is time."""


@dataclass(frozen=True, slots=True)
class Questions:
    """What is asked, and for how long.

    Attributes:
        wanted: What a person wants asked; open standards' questions come behind.
        seconds: How long a question that is answered is asked again and again.
    """

    wanted: Sequence[bytes]
    seconds: float


def ask_around(source: Asked, questions: Questions, tell: Tell) -> Found | None:
    """Return the first answers that are recognised, or else that came at all.

    An answer to what a person wanted asked ends it, recognised or not.
    """
    answered: Found | None = None
    for found in _tries(source, questions, tell):
        is_wanted = any(turn.request in questions.wanted for turn in found.sample.turns)
        if found.finding is not None or is_wanted:
            return found
        answered = answered or found
    return answered


def _tries(source: Asked, questions: Questions, tell: Tell) -> Iterator[Found]:
    for settings in _settings(source, _USUAL):
        for request in (*questions.wanted, *_STANDARD):
            tell(f"{settings.baud} {framing_of(settings)}: asking {request!r}")
            first = source.ask(settings, request, _ANSWER_S, 0)
            if _is_answered(first, request):
                tell(f"  answer {first.heard[:60]!r}")
                asked = _next_question(request, first.heard)
                more = source.ask(settings, asked, _ANSWER_S, questions.seconds)
                yield _found(source, settings, (*first.pieces, *more.pieces))
    for settings in _settings(source, _MODBUS):
        for found in _modbus(source, settings, questions.seconds, tell):
            yield found
            return  # a line that speaks Modbus speaks nothing else


def _found(source: Asked, settings: LineSettings, pieces: Sequence[Piece]) -> Found:
    sample = Sample(tuple(pieces))
    return Found(sample, recognise(sample), settings, is_confirmed=source.knows_speed)


def _settings(source: Asked, usual: Sequence[tuple[int, str]]) -> list[LineSettings]:
    settings = [framed(baud, framing) for baud, framing in usual]
    return settings if source.knows_speed else settings[:1]


def _is_answered(sample: Sample, request: bytes) -> bool:
    """Return True if something came that is no echo."""
    heard = sample.heard
    return bool(heard) and heard != request


def _next_question(request: bytes, answer: bytes) -> bytes:
    """Return what to ask again and again: behind an identity, for readings."""
    if request.startswith(b"*IDN?") and answer.count(b",") >= 2:
        return b"READ?" + request[len(b"*IDN?") :]
    return request


def _modbus(
    source: Asked, settings: LineSettings, seconds: float, tell: Tell
) -> Iterator[Found]:
    for unit_id in _UNIT_IDS:
        tell(f"{settings.baud} {framing_of(settings)}: asking Modbus unit {unit_id}")
        request = read_request(unit_id, 3, 0, 2)
        first = source.ask(settings, request, _MODBUS_ANSWER_S, 0)
        if is_whole(first.heard) and first.heard[0] == unit_id:
            tell(f"  answer {first.heard.hex(' ').upper()}")
            yield _registers(source, settings, unit_id, first, seconds)


def _registers(
    source: Asked, settings: LineSettings, unit_id: int, first: Sample, seconds: float
) -> Found:
    """Read all registers near the first again and again; return the most telling ones."""
    best = _found(source, settings, first.pieces)
    for function in _FUNCTIONS:
        for start, count in _readable(source, settings, unit_id, function):
            request = read_request(unit_id, function, start, count)
            again = source.ask(settings, request, _MODBUS_ANSWER_S, seconds)
            best = max(best, _found(source, settings, again.pieces), key=_telling)
    return best


def _readable(
    source: Asked, settings: LineSettings, unit_id: int, function: int
) -> Iterator[tuple[int, int]]:
    """Yield the runs of registers that can be read, as first address and count."""
    start = count = 0
    for address in (*_ADDRESSES, None):
        if address is not None:
            request = read_request(unit_id, function, address, 1)
            once = source.ask(settings, request, _MODBUS_ANSWER_S, 0)
            if asked_registers(once.turns):
                start, count = (start, count + 1) if count else (address, 1)
                continue
        if count:
            yield start, count
        count = 0


def _telling(found: Found) -> float:
    return weight(found.finding.outcome) if found.finding is not None else -1.0
