r"""IEEE 488.2 and SCPI: queries in text, one decimal number for an answer.

    host       *CLS;*IDN? LF          indicator  maker, model, serial number, version LF
    host       SYST:ERR? LF           indicator  0,"No error" LF
    host       READ? LF               indicator  +4.10000E-06 LF, again and again

IEEE 488.2-1992 section 7.6 and 8.7 (messages and numbers), SCPI 1999.0 volume 1 section 7.2
(9.9E37 is infinity, 9.91E37 not a number) and volume 2 chapter 21 (SYSTem:ERRor?); sections
from memory.

Line settings: 9600 8N1 unless the bench file says otherwise. Sample answer: 2B 34 2E 31 30
30 30 30 45 2D 30 36 0A, with options ``{ identity = "…", unit = "m" }``: 4.1 µm.

Options:

    identity    The answer to *IDN? or its first fields, as "maker,model,serial". Required:
                an exchanged indicator must be noticed. It is asked again after any trouble.
    unit        "m" | "mm" | "inch" | "um": what the number counts. Required.
    query       "READ?" (default), or "MEAS?" with its header's further words. A bare FETC?
                gives the last reading again and is refused.
    sign        "+-" if every number has one, "-" (default) if plus may be left out. A number
                that may have no sign can lose a minus unnoticed.
    decimals    How many digits follow the point; shows a lost one. Left out: any number.
    digits      How many digits there are in all; an exponent then has a sign and two more.
                Left out: any number.
    scale       The number times this is the value in ``unit``; default 1.
    terminator  What ends an answer: "line" (default: LF, with or without CR) | "CR".
    ends_with   What ends a query: "LF" (default) | "CR" | "CRLF".
    mode        "live" (default) or "max-min".
    quiet_timeouts  As in ascii-poll; default 1.

After an answer that is missing or bad the error queue is read until it is empty; each error
in it is a bad frame in the indicator's own words.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, cast, get_args

from drivers.contract import MAX_VALUE_NM, BadFrame, Guard, LineSettings
from drivers.cutter import MarkCutter
from drivers.options import LENGTH_UNITS, MARKS, OptionReader
from drivers.parity import parity_mismatch
from drivers.turn_taking import TurnTaking
from rules.length import Unit, digits_to_nm
from rules.reading import Flag, Mode, Reading

_QUERY = re.compile(r":?(READ|MEAS(URE)?)(:[A-Z]+[0-9]*)*\?( [ -:<-~]+)?", re.IGNORECASE)
_NUMBER = re.compile(
    rb" *(?P<sign>[+-]?)(?P<whole>[0-9]{1,20})(?:\.(?P<part>[0-9]{0,20}))?"
    rb"(?:[Ee](?P<power>[+-]?[0-9]{1,2}))?"
)
_ERROR = re.compile(rb'[+-]?(?P<code>[0-9]{1,5}),"(?P<text>[^"]*)"')
_INFINITY, _NOT_A_NUMBER = (99, 36), (991, 35)  # 9.9E37 and 9.91E37 as mantissa and power
_UNITS: Mapping[str, tuple[Unit, int]] = {"m": ("mm", 3), **LENGTH_UNITS}
_OVER_RANGE: frozenset[Flag] = frozenset({"over-range"})

_Stage = Literal["identity", "errors", "reading"]


@dataclass(frozen=True, slots=True)
class ScpiForm:
    """What is asked and what its answer means; made by :func:`make`."""

    identity: tuple[str, ...]
    query: str
    ends_with: bytes
    unit: Unit
    scale: tuple[int, int]
    always_signed: bool
    decimals: int | None
    digits: int | None
    mode: Mode


class Scpi:
    """Asks who is there, whether all is well, and then for one reading after the other."""

    def __init__(self, form: ScpiForm, terminator: bytes, quiet_timeouts: int) -> None:
        self.line = LineSettings()
        self.guard: Guard = "none"
        self._form = form
        self._stage: _Stage = "identity"
        self._is_new = True
        self._talk = TurnTaking(quiet_timeouts)
        self._cutter = MarkCutter(terminator, self._read_answer, on_bad=self._lose_step)

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return what the answers that ended in this chunk say."""
        if chunk:
            self._talk.heard()
        return self._cutter.feed(chunk)

    def next_request(self) -> bytes | None:
        """Return the next query; None while an answer or a quiet line is waited for."""
        if not self._talk.take(is_pending=self._cutter.is_pending()):
            return None
        text = {
            "identity": "*CLS;*IDN?" if self._is_new else "*IDN?",
            "errors": "SYST:ERR?",
            "reading": self._form.query,
        }[self._stage]
        self._is_new = False
        return text.encode("ascii") + self._form.ends_with

    def timed_out(self) -> None:
        """Give up the answer; when the line was quiet, begin with who is there."""
        if self._talk.is_asked:
            self._stage = "identity"
        self._talk.timed_out()
        self._cutter.reset()

    def _lose_step(self) -> None:
        if self._stage == "reading":
            self._stage = "identity"
        self._talk.lose_step()

    def _read_answer(self, frame: bytes) -> Reading | BadFrame | None:
        if refusal := self._talk.refusal:
            return BadFrame(frame, refusal)
        answer = frame[:-1].removesuffix(b"\r")
        found: Reading | str | None
        if self._stage == "reading":
            found = read_number(answer, self._form)
        elif self._stage == "identity":
            found = self._check_identity(answer)
        else:
            found = self._check_errors(answer)
        if isinstance(found, str):
            return BadFrame(frame, parity_mismatch(frame) or found)
        self._talk.answered()
        return found

    def _check_identity(self, answer: bytes) -> str | None:
        fields = [field.strip() for field in answer.decode("ascii", "replace").split(",")]
        if tuple(fields[: len(self._form.identity)]) != self._form.identity:
            expected = ",".join(self._form.identity)
            return f"*IDN? gives {answer!r}, the bench file says {expected!r}"
        self._stage = "errors"
        return None

    def _check_errors(self, answer: bytes) -> str | None:
        match = _ERROR.fullmatch(answer)
        if match is None:
            return "no answer to SYST:ERR?"
        if int(match["code"]):
            return f"the indicator reports {answer!r}"
        self._stage = "reading"
        return None


def read_number(answer: bytes, form: ScpiForm) -> Reading | str:
    """Return what a decimal number (NR1, NR2 or NR3) says, or why it is no reading."""
    match = _NUMBER.fullmatch(answer)
    if match is None:
        return _why_no_number(answer)
    if form.always_signed and not match["sign"]:
        return "no sign + or - before the number"
    part = match["part"] or b""
    mantissa = int(match["whole"] + part)
    exponent = int(match["power"] or 0) - len(part)
    if exponent + len(match["whole"]) + len(part) > 30:
        return _read_sentinel(mantissa, exponent, form)
    if wrong := _why_wrong_digits(match, form):
        return wrong
    factor, power = form.scale
    value_nm = digits_to_nm(mantissa * factor, exponent + power, form.unit)
    if value_nm > MAX_VALUE_NM:
        return "the value is above 1 km"
    return Reading(-value_nm if match["sign"] == b"-" else value_nm, form.unit, form.mode)


def _why_wrong_digits(match: re.Match[bytes], form: ScpiForm) -> str:
    decimals = len(match["part"] or b"")
    digits = len(match["whole"]) + decimals
    if form.decimals is not None and decimals != form.decimals:
        return f"{decimals} decimals, {form.decimals} are expected"
    if form.digits is not None and digits != form.digits:
        return f"{digits} digits, {form.digits} are expected"
    power = match["power"]
    if form.digits is not None and power is not None and len(power) != len(b"-06"):
        return "the exponent has no sign and two digits"
    return ""


def _read_sentinel(mantissa: int, exponent: int, form: ScpiForm) -> Reading | str:
    while mantissa and mantissa % 10 == 0:
        mantissa, exponent = mantissa // 10, exponent + 1
    if (mantissa, exponent) == _INFINITY:
        return Reading(None, form.unit, form.mode, _OVER_RANGE)
    if (mantissa, exponent) == _NOT_A_NUMBER:
        return "not a number (9.91E37)"
    return "the value is above 1 km"


def _why_no_number(answer: bytes) -> str:
    if not answer.strip():
        return "empty answer"
    if b"," in answer:
        return "a comma: two values, or no decimal point"
    return "no decimal number"


def make(options: Mapping[str, object]) -> Scpi:
    """Return a driver for the indicator that the options describe.

    Raises:
        OptionError: If an option is unknown, missing or wrong.
    """
    reader = OptionReader(options)
    unit, power = _UNITS[reader.choice("unit", _UNITS)]
    factor, exponent = reader.factor("scale")
    terminator = reader.choice("terminator", ("line", "CR"), "line")
    form = ScpiForm(
        identity=_read_identity(reader),
        query=_read_query(reader),
        ends_with=MARKS[reader.choice("ends_with", ("LF", "CR", "CRLF"), "LF")],
        unit=unit,
        scale=(factor, exponent + power),
        always_signed=reader.choice("sign", ("+-", "-"), "-") == "+-",
        decimals=reader.whole_or_none("decimals", 0, 15),
        digits=reader.whole_or_none("digits", 1, 20),
        mode=cast(Mode, reader.choice("mode", get_args(Mode), "live")),
    )
    quiet_timeouts = reader.whole("quiet_timeouts", 1, 100, default=1)
    reader.finish()
    return Scpi(form, b"\r" if terminator == "CR" else b"\n", quiet_timeouts)


def _read_identity(reader: OptionReader) -> tuple[str, ...]:
    accepted = "the answer to *IDN? or its first fields, such as maker,model,serial"
    text = reader.ascii_text("identity", accepted).decode("ascii")
    fields = tuple(field.strip() for field in text.split(","))
    if not all(fields):
        raise reader.wrong("identity", accepted)
    return fields


def _read_query(reader: OptionReader) -> str:
    accepted = '"READ?" or "MEAS?" with further words of its header; FETC? gives no new reading'
    query = reader.ascii_text("query", accepted, "READ?").decode("ascii")
    if _QUERY.fullmatch(query) is None:
        raise reader.wrong("query", accepted)
    return query
