"""A driver's options, read one by one; a wrong one names its key and what is accepted."""

from collections.abc import Collection, Mapping
from decimal import Decimal, InvalidOperation

from drivers.contract import OptionError
from rules.length import Unit

MARKS: Mapping[str, bytes] = {
    "none": b"",
    "CRLF": b"\r\n",
    "CR": b"\r",
    "LF": b"\n",
    "STX": b"\x02",
    "ETX": b"\x03",
}
"""Control characters by the names that people use; any other text stands for itself."""

LENGTH_UNITS: Mapping[str, tuple[Unit, int]] = {
    "mm": ("mm", 0),
    "inch": ("inch", 0),
    "um": ("mm", -3),
}
"""Units a bench file may name → the unit of the reading, and the power of ten between."""

_MOST_MARK_BYTES = 8


class OptionReader:
    """The options a bench file gives a driver, each asked for by name and type.

    Call :meth:`finish` when all are read: it refuses the keys nobody asked for.
    """

    def __init__(self, options: Mapping[str, object], inside: str = "") -> None:
        self._options = options
        self._inside = f"{inside}." if inside else ""
        self._asked: list[str] = []

    def has(self, key: str) -> bool:
        """Return True if the option is given."""
        self._asked.append(key)
        return key in self._options

    def wrong(self, key: str, accepted: str) -> OptionError:
        """Return the error that says what the option should be."""
        return OptionError(self._inside + key, self._options.get(key), accepted)

    def is_text(self, key: str) -> bool:
        """Return True if the option is given as a text."""
        return self.has(key) and isinstance(self._options[key], str)

    def text(self, key: str, accepted: str, default: str | None = None) -> str:
        """Return a text; required if it has no default."""
        value = self._options[key] if self.has(key) else default
        if not isinstance(value, str):
            raise self.wrong(key, accepted)
        return value

    def ascii_text(self, key: str, accepted: str, default: str | None = None) -> bytes:
        """Return a text of ASCII characters as bytes."""
        value = self.text(key, accepted, default)
        if not value.isascii():
            raise self.wrong(key, f"{accepted}, in ASCII")
        return value.encode("ascii")

    def choice(self, key: str, choices: Collection[str], default: str | None = None) -> str:
        """Return one of the choices."""
        accepted = " | ".join(f'"{choice}"' for choice in choices)
        value = self.text(key, accepted, default)
        if value not in choices:
            raise self.wrong(key, accepted)
        return value

    def mark(self, key: str, default: str, also: tuple[str, ...] = ()) -> bytes:
        """Return a frame mark: a control character's name or a short text, "none" for none.

        The names in ``also`` come back as they are.
        """
        names = ", ".join([*also, *MARKS])
        accepted = f"one of {names}, or a text of 1 to {_MOST_MARK_BYTES} characters"
        value = self.ascii_text(key, accepted, default)
        found = MARKS.get(value.decode("ascii"), value)
        if len(found) > _MOST_MARK_BYTES or (not found and value != b"none"):
            raise self.wrong(key, accepted)
        return found

    def whole(self, key: str, low: int, high: int, default: int | None = None) -> int:
        """Return a whole number, ``low <= number <= high``; required if it has no default."""
        value = self._options[key] if self.has(key) else default
        if isinstance(value, Decimal) and value.is_finite() and low <= value <= high:
            value = int(value) if value == int(value) else None
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise self.wrong(key, f"a whole number from {low} to {high}")
        return value

    def whole_or_none(self, key: str, low: int, high: int) -> int | None:
        """Return a whole number, ``low <= number <= high``; None if it is not given."""
        return self.whole(key, low, high) if self.has(key) else None

    def whole_list(
        self, key: str, low: int, high: int, *, is_required: bool = True
    ) -> tuple[int, ...]:
        """Return different whole numbers, ``low <= number <= high``; one stands for a list."""
        accepted = f"a whole number from {low} to {high}, or a list of different ones"
        value = self._options[key] if self.has(key) else ()
        listed = list(value) if isinstance(value, list | tuple) else [value]
        if not listed and not (is_required or key in self._options):
            return ()
        try:
            found = [OptionReader({key: number}).whole(key, low, high) for number in listed]
        except OptionError:
            raise self.wrong(key, accepted) from None
        if not found or len(set(found)) != len(found):
            raise self.wrong(key, accepted)
        return tuple(found)

    def factor(self, key: str) -> tuple[int, int]:
        """Return a positive number as ``(mantissa, exponent)`` of ten; 1 if it is not given.

        A TOML float is taken by its shortest digits: 0.1 is a tenth, not the nearest float.
        """
        accepted = "a number above 0 and at most 1000, with at most 9 decimals"
        number = _as_decimal(self._options[key]) if self.has(key) else Decimal(1)
        if number is None or not 0 < number <= 1000:
            raise self.wrong(key, accepted)
        _, digits, exponent = number.normalize().as_tuple()
        if not isinstance(exponent, int) or exponent < -9:
            raise self.wrong(key, accepted)
        return int("".join(map(str, digits))), exponent

    def length_unit(self, key: str = "unit") -> tuple[Unit, int]:
        """Return a unit that the bench file fixes, and the power of ten to it; required."""
        return LENGTH_UNITS[self.choice(key, LENGTH_UNITS)]

    def hex_bytes(self, key: str) -> bytes:
        """Return bytes given in hex, empty if they are not given."""
        accepted = f'1 to {_MOST_MARK_BYTES} bytes in hex, such as "AA 55"'
        if not self.has(key):
            return b""
        try:
            found = bytes.fromhex(self.text(key, accepted))
        except ValueError:
            raise self.wrong(key, accepted) from None
        if not 0 < len(found) <= _MOST_MARK_BYTES:
            raise self.wrong(key, accepted)
        return found

    def texts(self, key: str, accepted: str) -> tuple[bytes, ...]:
        """Return a list of different ASCII texts (a single text is a list of one)."""
        value = self._options[key] if self.has(key) else ()
        listed = [value] if isinstance(value, str) else value
        if not isinstance(listed, list | tuple) or len(set(map(str, listed))) != len(listed):
            raise self.wrong(key, accepted)
        if not all(isinstance(text, str) and text and text.isascii() for text in listed):
            raise self.wrong(key, accepted)
        return tuple(str(text).encode("ascii") for text in listed)

    def table(self, key: str, accepted: str) -> Mapping[str, object]:
        """Return a table with ASCII keys; empty if it is not given."""
        value = self._options[key] if self.has(key) else {}
        if not isinstance(value, Mapping) or not all(
            isinstance(name, str) and name.isascii() for name in value
        ):
            raise self.wrong(key, accepted)
        return value

    def name_table(
        self, key: str, keys: Collection[str] | None, names: Collection[str], accepted: str
    ) -> Mapping[str, str]:
        """Return a table of ASCII text to one of the names; empty if it is not given.

        Args:
            key: The option's name.
            keys: The texts that are accepted; None for any.
            names: The names that are accepted.
            accepted: Both in words.
        """
        table = self.table(key, accepted)
        for text, name in table.items():
            if (keys is not None and text not in keys) or not isinstance(name, str):
                raise self.wrong(key, accepted)
            if name not in names:
                raise self.wrong(key, accepted)
        return {text: str(name) for text, name in table.items()}

    def finish(self) -> None:
        """Refuse every option that was not asked for.

        Raises:
            OptionError: For the first one.
        """
        for key in self._options:
            if key not in self._asked:
                raise self.wrong(key, "one of " + ", ".join(sorted(set(self._asked))))


def _as_decimal(value: object) -> Decimal | None:
    if isinstance(value, bool) or not isinstance(value, int | float | str | Decimal):
        return None
    try:
        number = Decimal(str(value))
    except InvalidOperation:
        return None
    return number if number.is_finite() else None
