r"""What this indicator says. Change the drawing first, then pattern and reading after it.

    !+0000041m.CR     start, sign, seven digits, unit, status, end

    unit     m: 0.0001 mm a digit, i: 0.00001 inch a digit
    status   ".": nothing, "b": battery low, "o": over-range, the digits mean nothing

Line settings: 9600 8N1. Sample frame: 21 2B 30 30 30 30 30 34 31 6D 2E 0D, 0.0041 mm.
It has no options.
"""

import re
from collections.abc import Mapping, Sequence

from drivers import BadFrame, LineSettings, Reading
from drivers.cutter import MarkCutter
from drivers.options import OptionReader
from drivers.parity import parity_mismatch
from rules.length import Unit, digits_to_nm
from rules.reading import Flag

START, END = b"!", b"\r"
_FRAME = re.compile(rb"!(?P<sign>[+-])(?P<digits>[0-9]{7})(?P<unit>[mi])(?P<status>[.bo])\r")
_UNITS: Mapping[bytes, tuple[Unit, int]] = {b"m": ("mm", -4), b"i": ("inch", -5)}
_FLAGS: Mapping[bytes, frozenset[Flag]] = {
    b".": frozenset(),
    b"b": frozenset({"low-battery"}),
    b"o": frozenset({"over-range"}),
}


class Skeleton:
    """Reads the frames of an indicator that sends unasked."""

    def __init__(self) -> None:
        self.line = LineSettings(baud=9600)
        self._cutter = MarkCutter(END, read_frame, start=START)

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return what the frames that ended in this chunk say."""
        return self._cutter.feed(chunk)

    def next_request(self) -> bytes | None:
        """Return None: this indicator is only listened to."""
        return None

    def timed_out(self) -> None:
        """Do nothing: nothing was asked."""


def read_frame(frame: bytes) -> Reading | BadFrame:
    """Return what a whole frame says, from its start to its end; never guess, never round."""
    match = _FRAME.fullmatch(frame)
    if match is None:
        reason = "no sign, seven digits, unit and status between ! and CR"
        return BadFrame(frame, parity_mismatch(frame) or reason)
    unit, exponent = _UNITS[match["unit"]]
    flags = _FLAGS[match["status"]]
    if "over-range" in flags:
        return Reading(None, unit, flags=flags)
    value_nm = digits_to_nm(int(match["digits"]), exponent, unit)
    return Reading(-value_nm if match["sign"] == b"-" else value_nm, unit, flags=flags)


def make(options: Mapping[str, object]) -> Skeleton:
    """Return a new driver.

    Raises:
        OptionError: For any option: it has none.
    """
    reader = OptionReader(options)
    reader.finish()
    return Skeleton()
