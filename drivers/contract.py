"""The driver contract: bytes in, readings out. An integrator reads this file and no other."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from rules.reading import Reading

MAX_FRAME_BYTES = 256
"""The most unfinished input a driver may hold."""

MAX_VALUE_NM = 10**12
"""1 km: a larger number is no indication of a length, whatever its digits say."""

Guard = Literal["none", "weak", "crc"]
"""What a frame carries against damage: nothing, a parity sum or checksum, or a CRC.

A driver may say it in an attribute ``guard``; one that says nothing has none.
"""


@dataclass(frozen=True, slots=True)
class LineSettings:
    """How a port is opened for this indicator, unless the bench file says otherwise."""

    baud: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes that were no reading: counted and logged by the daemon, never raised.

    Attributes:
        raw: The bytes as they came (at most ``MAX_FRAME_BYTES``).
        reason: Why they are no reading, in words for a person.
    """

    raw: bytes
    reason: str


class OptionError(ValueError):
    """A driver option that is wrong.

    Attributes:
        key: The option's name.
        got: What was given; None where a required option is missing.
        accepted: What is accepted, in words for a person.
    """

    def __init__(self, key: str, got: object, accepted: str) -> None:
        shown = "nothing" if got is None else repr(got)
        super().__init__(f"{key}: got {shown}, accepted is {accepted}")
        self.key = key
        self.got = got
        self.accepted = accepted


class Driver(Protocol):
    """Turns the bytes of one line into readings. Does no I/O, knows no time.

    Emit what came, once. Never cache, average, fill a gap, derive, guess or round.
    Reopening a port makes a new driver.
    """

    line: LineSettings

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Take the next bytes of the stream, however they were cut.

        Never raises for anything the wire can deliver, holds at most
        ``MAX_FRAME_BYTES`` of unfinished input, and yields the same results
        for the same stream no matter where the chunk borders fall.
        """

    def next_request(self) -> bytes | None:
        """Return the bytes to send next, or None while an answer is due or none is needed.

        Start-up commands come first, then one request a reading. Asked again after every
        result of ``feed`` and after every ``timed_out``. None while a driver is getting
        back into step: it wants the line quiet and says so by asking nothing. A driver
        that only listens always returns None.
        """

    def timed_out(self) -> None:
        """Take note that the line's answer timeout has passed with no result from ``feed``.

        The time runs from the last request, the last result or the last ``timed_out``,
        whichever came last, and also while ``next_request`` returns None: a driver that
        waits for a quiet line knows it by two calls in a row without bytes in between.
        Drops an outstanding request and resynchronises: a late answer must not answer the
        next request. Nothing happens in a driver that only listens.
        """


class MakeDriver(Protocol):
    """The factory an entry point (or ``FILE.py:NAME``) names.

    Raises:
        OptionError: If an option is unknown, missing or wrong.
    """

    def __call__(self, options: Mapping[str, object]) -> Driver:
        """Return a new driver with these options."""
