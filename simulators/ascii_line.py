"""The sending side of ASCII frames: a reading in, the bytes of its frame out.

Takes the options of a bench file that the driver takes, and nothing from the driver.
"""

import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import cast

from rules.length import NM_PER_INCH, NM_PER_MM, Unit
from rules.reading import Reading
from simulators.checksum import checksum

_CONTROLS = {
    "none": "",
    "line": "\r\n",
    "CRLF": "\r\n",
    "CR": "\r",
    "LF": "\n",
    "STX": "\x02",
    "ETX": "\x03",
}
_USUAL_DECIMALS = {"mm": 4, "inch": 5, "um": 1}
_USUAL_DIGITS = 7
_FIELD = re.compile(r"\{(\w+)\}")


class AsciiLineEncoder:
    """Writes readings as the frames that the options describe.

    The options are taken to be right: a driver's ``make`` tells a person what is wrong.
    """

    def __init__(self, options: Mapping[str, object]) -> None:
        self._options = options
        unit = options["unit"]
        self._units = {unit: unit} if isinstance(unit, str) else cast(Mapping[str, str], unit)
        self._has_unit_text = not isinstance(unit, str)
        self._flags = {
            text: {names} if isinstance(names, str) else set(cast(list[str], names))
            for text, names in cast(Mapping[str, object], options.get("flags", {})).items()
        }
        self._mark = self._text("decimal_mark", ".").replace("none", "")
        self._pattern = self._text("pattern", self._usual_pattern())

    def encode(self, reading: Reading) -> bytes:
        """Return the frame that says this reading.

        Raises:
            ValueError: If the frame can't say it: a value between two steps of the last
                digit or with too many digits, or a flag it has no text for.
        """
        written = _FIELD.sub(lambda match: self._field(match[1], reading), self._pattern)
        return self._framed(written)

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return nothing: this indicator sends unasked, whatever it is sent."""
        return b""

    def _text(self, key: str, default: str) -> str:
        return str(self._options.get(key, default))

    def _usual_pattern(self) -> str:
        unit = " {unit}" if self._has_unit_text else ""
        return "{value}" + unit + ("{flags}" if self._flags else "")

    def _field(self, name: str, reading: Reading) -> str:
        match name:
            case "value":
                return self._value(reading)
            case "unit":
                return self._unit(reading.unit)[0]
            case "flags":
                return self._flag_texts(reading)
            case "channel":
                return reading.channel
            case "counter" if reading.counter is not None:
                return str(reading.counter)
            case "angle" if reading.angle_udeg is not None:
                return self._angle(reading.angle_udeg)
        raise ValueError(f"the reading has no {name}")

    def _unit(self, unit: Unit) -> tuple[str, str]:
        for text, name in self._units.items():
            if name == unit or (name == "um" and unit == "mm"):
                return text, name
        raise ValueError(f"the frame can't say the unit {unit}")

    def _value(self, reading: Reading) -> str:
        _, unit = self._unit(reading.unit)
        decimals = int(self._text("decimals", str(_USUAL_DECIMALS[unit])))
        digits = int(self._text("digits", str(max(_USUAL_DIGITS, decimals + 1))))
        if reading.value_nm is None:
            return self._over_range(digits)
        count = self._count(reading.value_nm, unit, decimals)
        number = str(abs(count)).rjust(digits, "0")
        if len(number) > digits:
            raise ValueError(f"{count} has more than {digits} digits")
        whole, part = number[: digits - decimals], number[digits - decimals :]
        if self._text("fill", "zero") == "blank":
            whole = (whole.lstrip("0") or "0").rjust(len(whole))
        return self._sign(is_negative=count < 0) + whole + self._mark + part

    def _count(self, value_nm: int, unit: str, decimals: int) -> int:
        """Return the value as a whole number of its last digit."""
        nm_per_unit = {"mm": NM_PER_MM, "inch": NM_PER_INCH, "um": NM_PER_MM // 1000}[unit]
        scale = Decimal(self._text("scale", "1"))
        count: int = round(Decimal(value_nm) / nm_per_unit / scale * 10**decimals)
        exact_nm = Decimal(count) / 10**decimals * scale * nm_per_unit
        if round(exact_nm) != value_nm:
            raise ValueError(f"{value_nm} nm is no whole number of the last digit")
        return count

    def _over_range(self, digits: int) -> str:
        texts = self._options.get("over_range", ())
        if isinstance(texts, str):
            return texts
        if texts:
            return str(cast(list[str], texts)[0])
        decimals = int(self._text("decimals", "4"))
        if not any("over-range" in names for names in self._flags.values()):
            raise ValueError("the frame can't say over-range")
        nines = "9" * (digits - decimals) + self._mark + "9" * decimals
        return self._sign(is_negative=False) + nines

    def _sign(self, *, is_negative: bool) -> str:
        sign = self._text("sign", "+-")
        if sign == "none":
            if is_negative:
                raise ValueError("the frame has no sign")
            return ""
        if sign in ("-", "optional"):
            return "-" if is_negative else ""
        return sign[1] if is_negative else sign[0]

    def _flag_texts(self, reading: Reading) -> str:
        wanted: set[str] = set(reading.flags)
        if reading.mode == "max-min" and self._text("mode", "live") != "max-min":
            wanted.add("max-min")
        if reading.value_nm is None and "over_range" in self._options:
            wanted.discard("over-range")
        texts = [text for text, names in self._flags.items() if names == wanted]
        if texts:
            return texts[0]
        written = ""
        for text, names in self._flags.items():
            if names and names <= wanted:
                written += text
                wanted -= names
        if wanted:
            raise ValueError(f"the frame can't say {', '.join(sorted(wanted))}")
        return written

    def _angle(self, angle_udeg: int) -> str:
        per_turn = int(self._text("angle_per_turn", "360"))
        number = Decimal(angle_udeg) * per_turn / 360_000_000
        return format(number.normalize(), "f").replace(".", self._mark or ".")

    def _framed(self, content: str) -> bytes:
        start, end, terminator = (
            _CONTROLS.get(text, text).encode("ascii")
            for text in (
                self._text("start", "none"),
                self._text("end", "none"),
                self._text("terminator", "line"),
            )
        )
        form = cast(Mapping[str, str], self._options.get("checksum", {}))
        body = content.encode("ascii")
        fixed = len(start) + len(end) + self._checksum_size(form) + len(terminator)
        length = int(self._text("length", str(fixed + len(body))))
        if fixed + len(body) > length:
            raise ValueError(f"{content!r} is too long for a frame of {length} bytes")
        body = body.rjust(length - fixed)
        return start + body + end + self._checksum(form, start, body, end) + terminator

    @staticmethod
    def _checksum_size(form: Mapping[str, str]) -> int:
        if not form:
            return 0
        width = checksum(form["kind"], b"")[1]
        return width if form.get("form", "hex").startswith("bytes") else 2 * width

    @staticmethod
    def _checksum(form: Mapping[str, str], start: bytes, body: bytes, end: bytes) -> bytes:
        if not form:
            return b""
        covered = {
            "content": body,
            "content+end": body + end,
            "start+content+end": start + body + end,
        }[form.get("covers", "content+end")]
        number, width = checksum(form["kind"], covered)
        high_first = bytes(number >> 8 * place & 0xFF for place in reversed(range(width)))
        match form.get("form", "hex"):
            case "bytes":
                return high_first
            case "bytes-low-first":
                return high_first[::-1]
            case "hex-lower":
                return high_first.hex().encode("ascii")
            case _:
                return high_first.hex().upper().encode("ascii")
