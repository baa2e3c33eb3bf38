"""Contents of text frames → candidates: which number is the value, and what stands by it."""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daemon.recognise.proposal import Doubt
from daemon.recognise.text_fields import Fields, read_fields, unit_at_head
from daemon.recognise.text_value import NUMBER, Parts, Written, take_apart, written

_MOST_NUMBERS = 5
_TIME_OF_DAY = re.compile(rb"(?<![0-9])[0-9]{1,2}:[0-9]{2}:[0-9]{2}(?![0-9])")
_EXPONENT = re.compile(rb"[Ee][+-]?[0-9]")
_HEX_LETTERS = b"ABCDEFabcdef"
_LEAST_ALIKE = 0.6
"""Frames of another build (over-range, noise) may be so many less than all."""


@dataclass(frozen=True, slots=True)
class Content:
    """How contents are written, for one choice of the value.

    Attributes:
        options: Of the driver, but for marks and checksum.
        merit: How well it is founded.
        doubts: What it assumes.
        is_padded: True if the frames have one length whatever the number.
    """

    options: dict[str, object]
    merit: int
    doubts: tuple[Doubt, ...]
    is_padded: bool


def read_contents(contents: Sequence[bytes]) -> Iterator[Content]:
    """Yield a description for each number that could be the value."""
    clean = [content for content in contents if content.isascii() and _is_printable(content)]
    if not clean or len(clean) < _LEAST_ALIKE * len(contents):
        return
    if sum(_TIME_OF_DAY.search(content) is not None for content in clean) * 2 > len(clean):
        return  # no pattern has a field for it
    counts = Counter(len(NUMBER.findall(content)) for content in clean)
    count = counts.most_common(1)[0][0]
    alike = [content for content in clean if len(NUMBER.findall(content)) == count]
    for position in range(min(count, _MOST_NUMBERS)):
        parts = [found for text in alike if (found := take_apart(text, position))]
        described = _describe(parts)
        if described is not None and (count == 1 or _is_marked(parts, described)):
            yield described


def _is_torn(part: Parts) -> bool:
    """Return True if the digits go on beside what was taken for the number."""
    touches = part.head[-1:] if not part.before + part.sign + part.fill else b""
    if touches in (b".", b",", b"+", b"-") or _EXPONENT.match(part.tail):
        return True
    neighbours = touches + part.tail[:1]
    return not part.mark and not part.sign and any(byte in _HEX_LETTERS for byte in neighbours)


def _is_marked(parts: Sequence[Parts], described: Content) -> bool:
    """Return True if a mark, a sign or a unit tells the value from the other numbers."""
    has_unit = not isinstance(described.options["unit"], str)
    return has_unit or any(part.mark or part.sign for part in parts)


def _is_printable(content: bytes) -> bool:
    return all(0x20 <= byte < 0x7F or byte == 0x09 for byte in content)


def _describe(parts: Sequence[Parts]) -> Content | None:
    value = None if any(map(_is_torn, parts)) else written(parts)
    if value is None:
        return None
    comma_is_mark = parts[0].mark == b","
    heads, tails = [part.head for part in parts], [part.tail for part in parts]
    head = read_fields(heads, may_have_flags=False, comma_is_mark=comma_is_mark)
    unit, rest = unit_at_head(tails) or (Fields(), tails)
    tail = read_fields(rest, may_have_flags=True, comma_is_mark=comma_is_mark)
    if head is None or tail is None:
        return None
    sides = [side for side in (head, unit, tail) if "unit" in side.options]
    if len(sides) > 1:
        return None
    if not sides:
        text = "the frame has none: mm is assumed; prove it with a known step"
        unit = Fields(options={"unit": "mm"}, doubts=[Doubt("unit", text)])
    return _put_together(parts, value, head, unit, tail)


def _put_together(
    parts: Sequence[Parts], value: Written, head: Fields, unit: Fields, tail: Fields
) -> Content | None:
    names = [name for side in (head, tail) for name in ("{channel}", "{counter}", "{angle}")
             if name in side.pattern]  # fmt: skip
    if len(set(names)) < len(names):
        return None
    gap = " " if head.pattern and all(part.before for part in parts) else ""
    pattern = head.pattern + gap + "{value}" + unit.pattern + tail.pattern
    options: dict[str, object] = {**value.options, **head.options, **unit.options}
    options |= tail.options
    if pattern.strip() != _default_pattern(options):
        options["pattern"] = pattern.strip()
    numbers = {part.number for part in parts}
    doubts = [*head.doubts, *value.doubts, *unit.doubts, *tail.doubts]
    if len(numbers) == 1:
        text = "the value never moved: what stood still may be part of it or a field"
        doubts.append(Doubt("value", text))
    merit = value.merit + head.merit + unit.merit + tail.merit + (len(numbers) > 1)
    return Content(options, merit, tuple(doubts), value.is_padded)


def _default_pattern(options: dict[str, object]) -> str:
    unit = " {unit}" if isinstance(options["unit"], dict) else ""
    return "{value}" + unit + ("{flags}" if "flags" in options else "")
