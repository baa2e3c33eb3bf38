"""The answering side of SCPI: an indicator that knows READ?, its name and its errors.

Takes the options of a bench file that the driver takes, and nothing from the driver.
"""

import re
from collections import deque
from collections.abc import Callable, Mapping
from decimal import Decimal

from rules.length import NM_PER_INCH, NM_PER_MM
from rules.reading import Reading

_NM_PER_UNIT = {
    "m": 1000 * NM_PER_MM,
    "mm": NM_PER_MM,
    "inch": NM_PER_INCH,
    "um": NM_PER_MM // 1000,
}
_ENDS = {"LF": b"\n", "CR": b"\r", "CRLF": b"\r\n"}
_MOST_PENDING_BYTES = 256
_MOST_ERRORS = 20
_NO_ERROR = '0,"No error"'
_UNDEFINED_HEADER = '-113,"Undefined header"'
_QUEUE_OVERFLOW = '-350,"Queue overflow"'
_READ = re.compile(r":?(READ|MEAS(URE)?)(:[A-Z]+[0-9]*)*\?( .*)?")
_FETCH = re.compile(r":?FETC(H)?(:[A-Z]+[0-9]*)*\?( .*)?")
_ERROR = re.compile(r":?SYST(EM)?:ERR(OR)?(:NEXT)?\?")


class ScpiResponder:
    """Answers program messages: several units of a message with one line of answers.

    The options are taken to be right: a driver's ``make`` tells a person what is wrong. An
    identity of fewer than four fields is filled up.
    """

    def __init__(self, options: Mapping[str, object]) -> None:
        self._options = options
        fields = str(options["identity"]).split(",")
        self._identity = ",".join([*fields, *("0" for _ in range(4 - len(fields)))])
        self._command_end = _ENDS[str(options.get("ends_with", "LF"))]
        self._answer_end = b"\r" if options.get("terminator") == "CR" else b"\n"
        self._errors: deque[str] = deque()
        self._last: Reading | None = None
        self._pending = b""

    def encode(self, reading: Reading) -> bytes:
        """Return the answer that says this reading.

        Raises:
            ValueError: If a decimal number in the indicator's unit can't say it exactly.
        """
        return self._number(reading).encode("ascii") + self._answer_end

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return what to send back for these bytes; empty while no message is whole.

        Args:
            chunk: The next bytes that came from the host.
            indication: Called with "" for each new reading; returns what is shown now.
        """
        *messages, self._pending = (self._pending + chunk).split(self._command_end)
        self._pending = self._pending[-_MOST_PENDING_BYTES:]
        return b"".join(self._answer_message(message, indication) for message in messages)

    def _answer_message(self, message: bytes, indication: Callable[[str], Reading]) -> bytes:
        text = message.decode("ascii", "replace").strip()
        units = [unit.strip() for unit in text.split(";") if unit.strip()]
        answers = [self._answer_unit(unit.upper(), indication) for unit in units]
        said = ";".join(answer for answer in answers if answer is not None)
        return said.encode("ascii") + self._answer_end if said else b""

    def _answer_unit(self, unit: str, indication: Callable[[str], Reading]) -> str | None:
        if unit == "*CLS":
            self._errors.clear()
            return None
        if unit == "*IDN?":
            return self._identity
        if _ERROR.fullmatch(unit):
            return self._errors.popleft() if self._errors else _NO_ERROR
        if _READ.fullmatch(unit):
            self._last = indication("")
            return self._number(self._last)
        if _FETCH.fullmatch(unit) and self._last is not None:
            return self._number(self._last)
        self._add_error(_UNDEFINED_HEADER)
        return None

    def _add_error(self, error: str) -> None:
        if len(self._errors) < _MOST_ERRORS:
            self._errors.append(error)
        else:
            self._errors[-1] = _QUEUE_OVERFLOW

    def _number(self, reading: Reading) -> str:
        if reading.flags - {"over-range"}:
            raise ValueError(f"the answer can't say {', '.join(sorted(reading.flags))}")
        if reading.value_nm is None:
            return "+9.9000000E+37" if self._has_exponent else "9.9E37"
        unit = str(self._options["unit"])
        if reading.unit != ("inch" if unit == "inch" else "mm"):
            raise ValueError(f"the answer can't say the unit {reading.unit}")
        scale = Decimal(str(self._options.get("scale", "1")))
        exact = Decimal(reading.value_nm) / _NM_PER_UNIT[unit] / scale
        decimals = int(str(self._options.get("decimals", "7" if self._has_exponent else "5")))
        text = _scientific(exact, decimals) if self._has_exponent else f"{exact:.{decimals}f}"
        if round(Decimal(text) * scale * _NM_PER_UNIT[unit]) != reading.value_nm:
            raise ValueError(f"{reading.value_nm} nm needs more than {decimals} decimals")
        return text

    @property
    def _has_exponent(self) -> bool:
        return self._options["unit"] == "m"


def _scientific(value: Decimal, decimals: int) -> str:
    """Return a number as NR3 with one digit before the point, such as +4.1000000E-06."""
    if not value:
        return f"+{0:.{decimals}f}E+00"
    number, _, power = f"{value:+.{decimals}E}".partition("E")
    return f"{number}E{int(power):+03d}"
