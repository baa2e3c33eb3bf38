"""The sending side of packed decimals: a reading in, the bytes of its frame out.

Takes the options of a bench file that the driver takes, and nothing from the driver.
"""

from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import cast

from rules.length import NM_PER_INCH, NM_PER_MM
from rules.reading import Reading
from simulators.checksum import checksum

_NM_PER_UNIT = {"mm": NM_PER_MM, "inch": NM_PER_INCH, "um": NM_PER_MM // 1000}
_MOST_PENDING_BYTES = 256


class PackedBcdResponder:
    """Writes readings as packed decimals, unasked or to each request.

    The options are taken to be right: a driver's ``make`` tells a person what is wrong.
    """

    def __init__(self, options: Mapping[str, object]) -> None:
        self._options = options
        self._digits = int(str(options["digits"]))
        self._decimals = int(str(options["decimals"]))
        self._start = bytes.fromhex(str(options.get("start", "")))
        self._request = bytes.fromhex(str(options.get("request", "")))
        self._pending = b""

    def encode(self, reading: Reading) -> bytes:
        """Return the frame that says this reading.

        Raises:
            ValueError: If the frame can't say it: a value between two steps of the last
                digit or with too many digits, or a flag it has no bit for.
        """
        content = self._status(reading) + self._value(reading)
        return self._start + content + self._checksum(content)

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return what to send back for these bytes; empty while no request is whole."""
        if not self._request:
            return b""
        self._pending += chunk
        asked = self._pending.count(self._request)
        if asked:
            self._pending = self._pending.rpartition(self._request)[2]
        self._pending = self._pending[-_MOST_PENDING_BYTES:]
        return b"".join(self.encode(indication("")) for _ in range(asked))

    def _value(self, reading: Reading) -> bytes:
        signs = {
            name: str(cast(list[str], self._options.get(name, [usual]))[0])
            for name, usual in (("plus", "C"), ("minus", "D"), ("over_range", ""))
        }
        if reading.value_nm is None:
            if not signs["over_range"] and "over-range" not in self._bits().values():
                raise ValueError("the frame can't say over-range")
            return self._packed(10**self._digits - 1, signs["over_range"] or signs["plus"])
        count = self._count(reading)
        return self._packed(abs(count), signs["minus"] if count < 0 else signs["plus"])

    def _count(self, reading: Reading) -> int:
        unit = str(self._options["unit"])
        if reading.unit != unit.replace("um", "mm"):
            raise ValueError(f"the frame can't say the unit {reading.unit}")
        scale = Decimal(str(self._options.get("scale", "1")))
        step_nm = _NM_PER_UNIT[unit] * scale / 10**self._decimals
        count: int = round(Decimal(reading.value_nm or 0) / step_nm)
        if round(count * step_nm) != reading.value_nm:
            raise ValueError(f"{reading.value_nm} nm is no whole number of the last digit")
        return count

    def _packed(self, magnitude: int, sign: str) -> bytes:
        text = f"{magnitude:0{self._digits}d}{sign}"
        if len(text) > self._digits + 1:
            raise ValueError(f"{magnitude} has more than {self._digits} digits")
        return bytes(
            int(text[at], 16) << 4 | int(text[at + 1], 16) for at in range(0, len(text), 2)
        )

    def _bits(self) -> Mapping[str, str]:
        return cast(Mapping[str, str], self._options.get("status", {}))

    def _status(self, reading: Reading) -> bytes:
        wanted: set[str] = set(reading.flags)
        if reading.mode == "max-min" and self._options.get("mode") != "max-min":
            wanted.add("max-min")
        if "over_range" in self._options:
            wanted.discard("over-range")
        bits = self._bits()
        if unsaid := wanted - set(bits.values()):
            raise ValueError(f"the frame can't say {', '.join(sorted(unsaid))}")
        if "status" not in self._options:
            return b""
        return bytes([sum(1 << int(bit) for bit, name in bits.items() if name in wanted)])

    def _checksum(self, content: bytes) -> bytes:
        form = cast(Mapping[str, str], self._options.get("checksum", {}))
        if not form:
            return b""
        covered = self._start + content if "start" in form.get("covers", "") else content
        number, width = checksum(form["kind"], covered)
        high_first = bytes(number >> 8 * place & 0xFF for place in reversed(range(width)))
        return high_first[::-1] if "low" in form.get("form", "") else high_first
