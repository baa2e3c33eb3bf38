"""Why an ASCII frame is no reading, in words for a person. Only bad frames come here."""

import re

from drivers.ascii_content import ContentForm
from drivers.ascii_pattern import Vocabulary
from drivers.parity import parity_mismatch

_NUMBER = re.compile(rb"[0-9]+(?:[.,][0-9]+)*|[.,][0-9]+")
_MARK_NAMES = {b".": "decimal point", b",": "decimal comma", b"": "no decimal mark"}


def why_no_reading(content: bytes, form: ContentForm) -> str:
    """Return why the content does not meet the form."""
    if not content.strip():
        return "empty frame"
    if mismatch := parity_mismatch(content):
        return mismatch
    if strange := [byte for byte in content if not 0x20 <= byte < 0x7F]:
        return f"byte {strange[0]:02X} hex is no printable character"
    numbers = _values_in(content, form)
    if not numbers:
        return "no value"
    if len(numbers) > 1:
        return "two values in one frame"
    return _why_number(content, numbers[0], form.words) or _why_rest(content, form)


def _values_in(content: bytes, form: ContentForm) -> list[re.Match[bytes]]:
    """Return the numbers that could be the value, those of other fields left out."""
    found = list(_NUMBER.finditer(content))
    others = form.expression.fields & {"counter", "angle", "channel"}
    looks_decimal = [number for number in found if b"." in number[0] or b"," in number[0]]
    if others or form.words.mark:
        return looks_decimal or found[:1]
    return found


def _why_number(content: bytes, number: re.Match[bytes], words: Vocabulary) -> str | None:
    digits, mark = number[0], words.mark
    for other in (b".", b","):
        if other != mark and other in digits:
            return f"{_MARK_NAMES[other]} where {_MARK_NAMES[mark]} is expected"
    if mark and mark not in digits:
        return f"no {_MARK_NAMES[mark]}"
    whole, _, part = digits.partition(mark) if mark else (digits, b"", b"")
    if mark and words.decimals is not None and len(part) != words.decimals:
        return f"{len(part)} decimals, {words.decimals} are expected"
    before = content[: number.start()].rstrip(b" ") if words.fills_with_blanks else None
    sign = (content[: number.start()] if before is None else before)[-1:]
    if words.always_signs and sign not in (words.sign[:1], words.sign[1:]):
        return (
            f"no sign {words.sign[:1].decode()} or {words.sign[1:].decode()} before the value"
        )
    if words.digits is not None and not words.fills_with_blanks:
        count = len(whole) + len(part)
        return None if count == words.digits else f"{count} digits, {words.digits} are expected"
    return None


def _why_rest(content: bytes, form: ContentForm) -> str:
    if form.units and not any(unit in content for unit in form.units):
        known = ", ".join(sorted(unit.decode() for unit in form.units))
        return f"none of the units {known}"
    channels = form.words.channels
    if channels and not any(channel in content for channel in channels):
        return f"none of the channels {', '.join(channel.decode() for channel in channels)}"
    return f"not of the pattern {form.pattern}"
