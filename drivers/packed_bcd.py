"""Packed decimals: two digits a byte, the sign in the last half byte.

    frame = start, status, digits and sign, checksum

    00 04 1C        digits 00041, sign C (plus): with 4 decimals 0.0041
    00 04 1D        the same below zero

The digits stand highest first, each in a half byte; the lowest half byte of the last byte
is the sign, A to F. No other half byte of the value may be above 9: so the sign also shows
where a value ends, and a digit above 9 is a bad frame. (Packed decimal as the COBOL
standard's PACKED-DECIMAL usage is commonly laid out; from memory, no source.)

Line settings: 9600 8N1 unless the bench file says otherwise. Sample frame: 00 04 1C, with
options ``{ digits = 5, decimals = 4, unit = "mm" }``.

Options:

    unit      "mm" | "inch" | "um". Required: the frame has none.
    digits    How many digits a value has: an odd number, 1 to 15. Required.
    decimals  How many of them follow the decimal mark that is not sent. Required.
    scale     The value on the wire times this is the value in ``unit``; default 1.
    plus      The sign's half bytes that mean plus, default "C"; several as ["A", "C", "F"].
    minus     Those that mean minus; default "D".
    over_range  Those that mean over-range; none by default.
    start     Bytes at the head of each frame, in hex: "AA 55". None by default.
    status    Flags in a byte before the digits: { "0" = "index", "6" = "low-battery" },
              bit number to flag name. A bit that is not named must be 0.
    checksum  { kind = "xor-8" | "lrc-7" | "sum-8" | "crc-16",
                form = "bytes" (default) | "bytes-low-first",
                covers = "content" (default) | "start+content" }
    mode      "live" (default) or "max-min".
    request   What asks for a value, in hex. With it the driver polls, else it listens;
              ``quiet_timeouts`` then as in ascii-poll.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, cast, get_args

from drivers.checksum import CHECKSUMS, guard_of
from drivers.contract import MAX_VALUE_NM, BadFrame, Guard, LineSettings
from drivers.cutter import LengthCutter
from drivers.options import OptionReader
from drivers.turn_taking import TurnTaking
from rules.length import Unit, digits_to_nm
from rules.reading import Flag, Mode, Reading

_SIGNS = frozenset("ABCDEF")
_ORDERS: Mapping[str, Literal["big", "little"]] = {"bytes": "big", "bytes-low-first": "little"}

_FLAG_NAMES = (*get_args(Flag), "max-min")


@dataclass(frozen=True, slots=True)
class BcdChecksum:
    """Which checksum a frame carries, in which order of bytes, and what it covers."""

    guard: Guard
    compute: Callable[[bytes], int]
    size: int
    order: Literal["big", "little"]
    covers_start: bool


@dataclass(frozen=True, slots=True)
class BcdForm:
    """How a frame is written; made by :func:`make`."""

    unit: Unit
    exponent: int
    factor: int
    digits: int
    plus: frozenset[str]
    minus: frozenset[str]
    over_range: frozenset[str]
    start: bytes
    status: Mapping[int, str] | None
    checksum: BcdChecksum | None
    mode: Mode

    @property
    def length(self) -> int:
        """How many bytes a frame has."""
        status = 0 if self.status is None else 1
        check = 0 if self.checksum is None else self.checksum.size
        return len(self.start) + status + (self.digits + 1) // 2 + check


class PackedBcd:
    """Reads packed decimals, sent unasked or when a request asks for one."""

    def __init__(self, form: BcdForm, request: bytes, quiet_timeouts: int) -> None:
        self.line = LineSettings()
        self.guard: Guard = form.checksum.guard if form.checksum else "none"
        self._form = form
        self._request = request
        self._talk = TurnTaking(quiet_timeouts)
        on_bad = self._talk.lose_step
        self._cutter = LengthCutter(form.length, self._read, start=form.start, on_bad=on_bad)

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return what the frames that ended in this chunk say."""
        if chunk:
            self._talk.heard()
        return self._cutter.feed(chunk)

    def next_request(self) -> bytes | None:
        """Return the request, if there is one and it is time for it."""
        if not self._request or not self._talk.take(is_pending=self._cutter.is_pending()):
            return None
        return self._request

    def timed_out(self) -> None:
        """Give up the answer; ask again when the line was quiet."""
        if self._request:
            self._talk.timed_out()
            self._cutter.reset()

    def _read(self, frame: bytes) -> Reading | BadFrame:
        if self._request and (refusal := self._talk.refusal):
            return BadFrame(frame, refusal)
        found = read_frame(frame, self._form)
        if isinstance(found, str):
            return BadFrame(frame, found)
        self._talk.answered()
        return found


def read_frame(frame: bytes, form: BcdForm) -> Reading | str:
    """Return what a frame of the right length says, or why it is none."""
    if len(frame) != form.length:
        return f"{len(frame)} bytes, {form.length} are expected"
    if not frame.startswith(form.start):
        return "no start"
    at = len(form.start)
    if form.checksum is not None:
        check = form.checksum
        covered = frame[0 if check.covers_start else at : -check.size]
        if frame[-check.size :] != check.compute(covered).to_bytes(check.size, check.order):
            return "wrong checksum"
        frame = frame[: -check.size]
    names: Sequence[str] = ()
    if form.status is not None:
        found = _named_bits(frame[at], form.status)
        if isinstance(found, str):
            return found
        names, at = found, at + 1
    return _read_value(frame[at:].hex().upper(), names, form)


def _named_bits(status: int, names: Mapping[int, str]) -> Sequence[str] | str:
    found = []
    for bit in range(8):
        if status >> bit & 1:
            if bit not in names:
                return f"bit {bit} of the status is set and has no name"
            found.append(names[bit])
    return found


def _read_value(text: str, names: Sequence[str], form: BcdForm) -> Reading | str:
    digits, sign = text[:-1], text[-1]
    if not digits.isdecimal():
        return "a digit above 9"
    is_minus = sign in form.minus
    is_over = sign in form.over_range
    if not is_minus and not is_over and sign not in form.plus:
        return f"{sign} is no sign"
    value_nm = digits_to_nm(int(digits) * form.factor, form.exponent, form.unit)
    if value_nm > MAX_VALUE_NM:
        return "the value is above 1 km"
    signed_nm = -value_nm if is_minus else value_nm
    if not names and not is_over:
        return Reading(signed_nm, form.unit, form.mode)
    flags = cast(frozenset[Flag], frozenset(names) - {"max-min"})
    mode: Mode = "max-min" if "max-min" in names else form.mode
    if is_over or "over-range" in flags:
        return Reading(None, form.unit, mode, flags | {"over-range"})
    return Reading(signed_nm, form.unit, mode, flags)


def make(options: Mapping[str, object]) -> PackedBcd:
    """Return a driver for the frames that the options describe.

    Raises:
        OptionError: If an option is unknown, missing or wrong.
    """
    reader = OptionReader(options)
    form = _read_form(reader)
    request = reader.hex_bytes("request")
    quiet_timeouts = reader.whole("quiet_timeouts", 1, 100, default=1)
    reader.finish()
    return PackedBcd(form, request, quiet_timeouts)


def _read_form(reader: OptionReader) -> BcdForm:
    unit, power = reader.length_unit()
    digits = reader.whole("digits", 1, 15)
    if digits % 2 == 0:
        raise reader.wrong("digits", "an odd number from 1 to 15: the sign fills the last byte")
    factor, exponent = reader.factor("scale")
    plus, minus, over = (
        _read_signs(reader, "plus", ("C",)),
        _read_signs(reader, "minus", ("D",)),
        _read_signs(reader, "over_range", ()),
    )
    if plus & minus or plus & over or minus & over:
        raise reader.wrong("minus", "signs that mean one thing only")
    return BcdForm(
        unit=unit,
        exponent=exponent + power - reader.whole("decimals", 0, digits),
        factor=factor,
        digits=digits,
        plus=plus,
        minus=minus,
        over_range=over,
        start=reader.hex_bytes("start"),
        status=_read_status(reader),
        checksum=_read_checksum(reader),
        mode=cast(Mode, reader.choice("mode", get_args(Mode), "live")),
    )


def _read_signs(reader: OptionReader, key: str, default: Sequence[str]) -> frozenset[str]:
    accepted = "one or several of the half bytes A to F"
    if not reader.has(key):
        return frozenset(default)
    signs = frozenset(text.decode("ascii").upper() for text in reader.texts(key, accepted))
    if not signs <= _SIGNS:
        raise reader.wrong(key, accepted)
    return signs


def _read_status(reader: OptionReader) -> Mapping[int, str] | None:
    accepted = f"a table of bit number, 0 to 7, to one of {', '.join(_FLAG_NAMES)}"
    if not reader.has("status"):
        return None
    table = reader.name_table("status", list("01234567"), _FLAG_NAMES, accepted)
    return {int(bit): name for bit, name in table.items()}


def _read_checksum(reader: OptionReader) -> BcdChecksum | None:
    table = reader.table("checksum", "a table with kind, form, covers")
    if not table:
        return None
    inner = OptionReader(table, inside="checksum")
    kind = inner.choice("kind", CHECKSUMS)
    compute, size = CHECKSUMS[kind]
    order = _ORDERS[inner.choice("form", _ORDERS, "bytes")]
    covers = inner.choice("covers", ("content", "start+content"), "content")
    inner.finish()
    return BcdChecksum(guard_of(kind), compute, size, order, covers.startswith("start"))
