"""How the value is written: sign, fill, digits, decimal mark, as far as its forms show."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.recognise.proposal import Doubt

NUMBER = re.compile(rb"[0-9]+(?:[.,][0-9]+)?")
_BEFORE = re.compile(rb"(?P<head>.*?)(?P<before> *)(?P<sign>[+-]?)(?P<fill> *)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Parts:
    """One content, taken apart at one of its numbers.

    Attributes:
        head: What stands before the value and its blanks.
        before: Blanks before the sign (or before the digits where there is no sign).
        sign: "+", "-" or nothing.
        fill: Blanks between sign and digits.
        whole: Digits before the mark.
        mark: Decimal mark, or nothing.
        part: Digits behind it.
        tail: The rest.
    """

    head: bytes
    before: bytes
    sign: bytes
    fill: bytes
    whole: bytes
    mark: bytes
    part: bytes
    tail: bytes

    @property
    def room(self) -> int:
        """Characters from the first blank to the last whole digit."""
        return len(self.before) + len(self.sign) + len(self.fill) + len(self.whole)

    @property
    def number(self) -> bytes:
        """The digits with their sign."""
        return self.sign + self.whole + self.mark + self.part


def take_apart(content: bytes, position: int) -> Parts | None:
    """Return the content taken apart at its n-th number; None if it has fewer."""
    numbers = list(NUMBER.finditer(content))
    if position >= len(numbers):
        return None
    number = numbers[position]
    before = _BEFORE.fullmatch(content[: number.start()])
    if before is None:
        return None
    mark = next((mark for mark in (b".", b",") if mark in number[0]), b"")
    whole, _, part = number[0].partition(mark) if mark else (number[0], b"", b"")
    return Parts(
        before["head"], before["before"], before["sign"], before["fill"], whole, mark, part,
        content[number.end() :],
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Written:
    """The options that describe the value.

    Attributes:
        options: sign, fill, digits, decimals, decimal_mark.
        merit: How much its forms prove.
        doubts: What they leave open.
        is_padded: True if blanks fill a column of one width, whatever the number.
    """

    options: dict[str, object]
    merit: int
    doubts: tuple[Doubt, ...]
    is_padded: bool


def written(parts: Sequence[Parts]) -> Written | None:
    """Return how the values are written; None if they have no form in common."""
    marks = {part.mark for part in parts}
    if len(marks) > 1:
        return None
    options: dict[str, object] = {}
    doubts: list[Doubt] = []
    decimals = {len(part.part) for part in parts}
    mark = marks.pop()
    if mark == b",":
        options["decimal_mark"] = ","
    if not mark:
        options |= {"decimal_mark": "none", "decimals": 4}
        text = "the frame has no decimal mark: 4 decimals are assumed; prove the scale"
        doubts.append(Doubt("decimals", f"{text} with a known step"))
    elif len(decimals) == 1:
        options["decimals"] = decimals.pop()
    is_padded, counts_blanks = _padding(parts)
    options |= _sign_options(parts, counts_blanks=counts_blanks)
    if counts_blanks:
        options["fill"] = "blank"
    digits = _digits(parts, counts_blanks=counts_blanks)
    if digits is not None and "decimals" in options:
        decimals_sent = len(parts[0].part) if mark else 0
        options["digits"] = digits + decimals_sent
    _fix_digits(options)
    doubts += _sign_doubts(parts)
    signs = {part.sign for part in parts}
    merit = (4 if mark else 0) + (3 if signs - {b""} else 0) + (2 if "digits" in options else 0)
    return Written(options, merit, tuple(doubts), is_padded and not counts_blanks)


def _fix_digits(options: dict[str, object]) -> None:
    """Leave out what the driver refuses: no more digits than decimals."""
    digits, decimals = options.get("digits"), options.get("decimals")
    if isinstance(digits, int) and isinstance(decimals, int) and digits <= decimals:
        if options.get("decimal_mark") == "none" and digits > 1:
            options["decimals"] = digits - 1
        else:
            del options["digits"]


def _padding(parts: Sequence[Parts]) -> tuple[bool, bool]:
    """Return whether blanks fill up a column, and whether they stand behind the sign."""
    rooms = {part.room for part in parts}
    is_padded = len(rooms) == 1 and len({len(part.before) for part in parts}) > 1
    behind_sign = any(part.fill for part in parts)
    counts = behind_sign and len({len(p.fill) + len(p.whole) for p in parts if p.sign}) == 1
    return is_padded, counts


def _digits(parts: Sequence[Parts], *, counts_blanks: bool) -> int | None:
    """Return how many whole digits there always are, blanks counted; None if that is open."""
    if counts_blanks:
        signed = [part for part in parts if part.sign]
        moves = len({len(part.fill) for part in signed}) > 1
        return len(signed[0].fill) + len(signed[0].whole) if moves else None
    wholes = {len(part.whole) for part in parts}
    leading_zero = any(len(part.whole) > 1 and part.whole.startswith(b"0") for part in parts)
    return wholes.pop() if len(wholes) == 1 and leading_zero else None


def _sign_options(parts: Sequence[Parts], *, counts_blanks: bool) -> dict[str, object]:
    signs = {part.sign for part in parts}
    if signs in ({b"+", b"-"}, {b"+"}):
        return {}
    if b"+" in signs or signs == {b"-"}:
        return {"sign": "optional"}
    if signs == {b""}:
        return {"sign": "-"}
    unsigned = [part for part in parts if not part.sign]
    has_column = all(part.before for part in unsigned) and not _floats(parts)
    return {"sign": " -"} if has_column or counts_blanks else {"sign": "-"}


def _floats(parts: Sequence[Parts]) -> bool:
    """Return True if the sign stands next to the digits in a column filled with blanks."""
    return any(part.sign and part.before for part in parts)


def _sign_doubts(parts: Sequence[Parts]) -> list[Doubt]:
    signs = {part.sign for part in parts}
    if b"-" not in signs:
        shown = "every value has +" if signs == {b"+"} else "no value has a sign"
        text = f"{shown}; a minus was never seen: send values below zero"
        return [Doubt("sign", text)]
    if signs == {b"-"}:
        return [Doubt("sign", "only minus was seen; + or nothing is taken for plus")]
    return []
