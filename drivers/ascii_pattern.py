"""The pattern of an ASCII frame, such as "{channel} {value} {unit}", as regular expressions.

Runs of blanks are matched possessively (``*+``): a line full of blanks costs one pass.
"""

import re
from dataclasses import dataclass
from itertools import pairwise

from drivers.options import OptionReader

FIELDS = ("value", "unit", "flags", "channel", "counter", "angle")

_TOKEN = re.compile(r"\{(\w*)\}| +|[^{} ]+|[{}]")
_BLANKS = b" *+"


@dataclass(frozen=True, slots=True)
class Vocabulary:
    """The words and digits a frame may hold."""

    sign: bytes
    mark: bytes
    decimals: int | None
    digits: int | None
    fills_with_blanks: bool
    over_range: tuple[bytes, ...]
    units: tuple[bytes, ...]
    flags: tuple[bytes, ...]
    channels: tuple[bytes, ...]

    @property
    def minus(self) -> bytes:
        """The character that makes a value negative."""
        return self.sign[-1:] if len(self.sign) <= 2 else b"-"

    @property
    def implied_decimals(self) -> int:
        """Decimals that no mark shows; 0 where there is a mark."""
        return 0 if self.mark else self.decimals or 0

    @property
    def always_signs(self) -> bool:
        """True if every value begins with a sign that is no blank."""
        return len(self.sign) == 2 and not self.sign.startswith(b" ")


@dataclass(frozen=True, slots=True)
class Expression:
    """The compiled pattern: with a value, and with an over-range text in its place."""

    fields: frozenset[str]
    reading: re.Pattern[bytes]
    over_range: re.Pattern[bytes] | None
    starts_marked: bool


def compile_pattern(options: OptionReader, pattern: str, words: Vocabulary) -> Expression:
    """Return the expressions of a pattern.

    Raises:
        OptionError: If the pattern can't be read, or fields in it could run into each other.
    """
    if not pattern.isascii():
        raise options.wrong("pattern", "ASCII characters")
    tokens = [match[0] for match in _TOKEN.finditer(pattern.strip(" "))]
    fields = [token[1:-1] for token in tokens if token.startswith("{")]
    _check_fields(options, fields, words)
    _check_neighbours(options, tokens, words)
    return Expression(
        fields=frozenset(fields),
        reading=_expression(tokens, words, over_range=False),
        over_range=_expression(tokens, words, over_range=True) if words.over_range else None,
        starts_marked=_starts_marked(tokens[0], words),
    )


def _starts_marked(first: str, words: Vocabulary) -> bool:
    """Return True if content that lost its head can't be taken for whole."""
    if first != "{value}":
        return first == "{channel}" or not first.startswith("{")
    if words.sign == b"none":
        return words.digits is not None
    blank_is_plus = words.sign.startswith(b" ") and not words.fills_with_blanks
    return words.always_signs or blank_is_plus


def _check_fields(options: OptionReader, fields: list[str], words: Vocabulary) -> None:
    if unknown := [name for name in fields if name not in FIELDS]:
        known = ", ".join(f"{{{name}}}" for name in FIELDS)
        raise options.wrong("pattern", f"the fields {known}, not {{{unknown[0]}}}")
    if len(set(fields)) != len(fields) or "value" not in fields:
        raise options.wrong("pattern", "{value} once and every other field at most once")
    described = {"unit": words.units, "flags": words.flags, "channel": words.channels}
    keys = {"unit": "unit as a table", "flags": "flags", "channel": "channels"}
    for name, texts in described.items():
        if (name in fields) != bool(texts):
            raise options.wrong("pattern", f"{{{name}}} together with the option {keys[name]}")


def _check_neighbours(options: OptionReader, tokens: list[str], words: Vocabulary) -> None:
    """Two runs of digits side by side could be cut anywhere: refuse them."""
    for left, right in pairwise(tokens):
        right_is_digits = right in ("{counter}", "{angle}") or (
            right == "{value}" and not words.always_signs
        )
        if left == "{value}" and words.decimals is None:
            right_is_digits = right_is_digits or _may_begin_with_a_digit(right, words)
        left_is_digits = left in ("{counter}", "{angle}", "{value}") or left[-1].isdigit()
        if left_is_digits and right_is_digits:
            raise options.wrong("pattern", f"something between {left} and {right}")


def _may_begin_with_a_digit(token: str, words: Vocabulary) -> bool:
    texts = {"{unit}": words.units, "{flags}": words.flags, "{channel}": words.channels}
    return any(text[:1].isdigit() for text in texts.get(token, (token.encode("ascii"),)))


def _expression(tokens: list[str], words: Vocabulary, *, over_range: bool) -> re.Pattern[bytes]:
    parts = [_blanks_before(tokens[0], words)]
    for token, after in pairwise([*tokens, ""]):
        if token.startswith("{") and len(token) > 1:
            parts.append(_field(token[1:-1], words, over_range=over_range))
        elif token.startswith(" "):
            needed = b"" if over_range else b" "
            parts.append(needed + _blanks_before(after, words))
        else:
            parts.append(re.escape(token.encode("ascii")))
    return re.compile(b"".join([*parts, _BLANKS]))


def _blanks_before(token: str, words: Vocabulary) -> bytes:
    """Return the expression of any blanks; some must be left for a value that counts them."""
    counts_blanks = words.fills_with_blanks and words.digits is not None
    return b" *" if token == "{value}" and counts_blanks else _BLANKS


def _field(name: str, words: Vocabulary, *, over_range: bool) -> bytes:
    match name:
        case "value":
            return _one_of(words.over_range) if over_range else _value(words)
        case "unit":
            return b"(?P<unit>" + _one_of(words.units) + (b")?" if over_range else b")")
        case "flags":
            characters = re.escape(bytes(sorted(set(b"".join(words.flags)))))
            return b"(?P<flags>[ " + characters + b"]{0,40})"
        case "channel":
            return b"(?P<channel>" + _one_of(words.channels) + b")"
        case "counter":
            return b"(?P<counter>[0-9]{1,18})"
        case _:
            return b"(?P<angle>[0-9]{1,9}(?:[" + (words.mark or b".") + b"][0-9]{1,9})?)"


def _one_of(texts: tuple[bytes, ...]) -> bytes:
    longest_first = sorted(texts, key=len, reverse=True)
    return b"(?:" + b"|".join(re.escape(text) for text in longest_first) + b")"


def _value(words: Vocabulary) -> bytes:
    """Return the expression of sign and digits, in the groups sign, whole and part."""
    shown = words.decimals if words.mark else 0
    part = b"[0-9]{1,9}" if shown is None else b"[0-9]{%d}" % shown
    places = None if words.digits is None else words.digits - (shown or 0)
    return _sign(words) + _whole(words, places) + re.escape(words.mark) + b"(?P<part>%b)" % part


def _whole(words: Vocabulary, places: int | None) -> bytes:
    if not words.fills_with_blanks:
        return b"(?P<whole>[0-9]%b)" % (b"{1,9}" if places is None else b"{%d}" % places)
    if places is None:
        return b" *+(?P<whole>[0-9]{1,9})"
    after = re.escape(words.mark) or b"(?![0-9])"
    width = b"(?=[ 0-9]{%d}[0-9]%b)" % (places - 1, after)
    return width + b" *+(?P<whole>[0-9]+)"


def _sign(words: Vocabulary) -> bytes:
    match words.sign:
        case b"none":
            return b"(?P<sign>)"
        case b"optional":
            return b"(?P<sign>[+-]?)"
        case b"-":
            return b"(?P<sign>-?)"
        case sign if sign.startswith(b" ") and words.fills_with_blanks and words.digits:
            return b"(?P<sign>[" + re.escape(sign) + b"])"
        case sign if sign.startswith(b" "):
            return b"(?P<sign>" + re.escape(sign[1:]) + b"|(?<= )| )"
        case sign:
            return b"(?P<sign>[" + re.escape(sign) + b"])"
