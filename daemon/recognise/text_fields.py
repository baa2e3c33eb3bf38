"""The fields beside the value: literal text, unit, flags, channel, counter, angle."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from daemon.recognise.proposal import Doubt

_TOKEN = re.compile(rb" +|[\t,;:=|/<>()\[\]]|[^ \t,;:=|/<>()\[\]]+")
_TOKEN_WITH_COMMA = re.compile(rb" +|[\t;:=|/<>()\[\]]|[^ \t;:=|/<>()\[\]]+")
_SEPARATOR = re.compile(r"[\t,;:=|/<>()\[\]]")
_NUMBER = re.compile(rb"[0-9]+(?:[.,][0-9]+)?")
_UNITS = {
    "mm": "mm", "MM": "mm", "Mm": "mm", "inch": "inch", "INCH": "inch", "Inch": "inch",
    "in": "inch", "IN": "inch", "In": "inch", '"': "inch", "um": "um", "UM": "um", "uM": "um",
}  # fmt: skip
_LONGEST_FIRST = sorted(_UNITS, key=len, reverse=True)
_UNIT = re.compile(
    rb"([\t,;:=|/]?) *(" + "|".join(_LONGEST_FIRST).encode() + rb")(?![A-Za-z0-9])"
)
_MOST_WORDS = 16
_LEAST_CHANNEL_SHARE = 0.2
_MOST_FLAGS = 24


@dataclass(slots=True)
class Fields:
    """The pattern left or right of the value, with the options it needs.

    Attributes:
        pattern: Its text, blanks included.
        options: unit, flags, channels, angle_per_turn.
        doubts: What is assumed.
        merit: How much it proves.
    """

    pattern: str = ""
    options: dict[str, object] = field(default_factory=dict)
    doubts: list[Doubt] = field(default_factory=list)
    merit: int = 0


def unit_at_head(tails: Sequence[bytes]) -> tuple[Fields, Sequence[bytes]] | None:
    """Return the unit that every tail begins with, and the tails behind it; else None."""
    matches = [_UNIT.match(tail) for tail in tails]
    texts = [match[2].decode() for match in matches if match is not None]
    gaps = {match[1].decode() for match in matches if match is not None}
    if len(texts) < len(tails) or len(gaps) > 1:
        return None
    fields = Fields((gaps.pop() or _gap(tails)) + "{unit}", _unit_options(texts), merit=5)
    rest = [tail[match.end() :] for tail, match in zip(tails, matches, strict=True) if match]
    return fields, rest


def _unit_options(texts: Iterable[str]) -> dict[str, object]:
    return {"unit": {text: _UNITS[text] for text in sorted(set(texts))}}


def read_fields(
    texts: Sequence[bytes], *, may_have_flags: bool, comma_is_mark: bool
) -> Fields | None:
    """Return the fields of texts that all have the same ones; None if they have not.

    Args:
        texts: Heads or tails, in the order of the frames.
        may_have_flags: True behind the value, where varying words are flags; before it they
            are channels.
        comma_is_mark: True if a comma is the decimal mark, and parts no fields.
    """
    token = _TOKEN_WITH_COMMA if comma_is_mark else _TOKEN
    rows = [token.findall(text) for text in texts]
    shapes = Counter(tuple(token[:1] == b" " for token in row) for row in rows)
    if len(shapes) > 1:
        return _flags_of(texts) if may_have_flags else None
    fields = Fields()
    for column in zip(*rows, strict=True):
        if not _add_column(fields, column, may_have_flags=may_have_flags):
            return _flags_of(texts) if may_have_flags else None
    return fields


def _gap(texts: Sequence[bytes]) -> str:
    """Return the blank or tab that every text begins with, "" if not all do."""
    heads = {text[:1] for text in texts}
    return heads.pop().decode("ascii") if heads in ({b" "}, {b"\t"}) else ""


def _add_column(fields: Fields, column: Sequence[bytes], *, may_have_flags: bool) -> bool:
    """Add one column of tokens to the pattern; return False if nothing describes it."""
    words = {token.decode("ascii") for token in column}
    if all(token.isspace() for token in column):
        fields.pattern += " "
    elif all(word in _UNITS for word in words) and "unit" not in fields.options:
        fields.pattern += "{unit}"
        fields.options |= _unit_options(words)
        fields.merit += 5
    elif len(set(column)) == 1:
        _add_literal(fields, column[0].decode("ascii"))
    elif _counts_up(column) and "{counter}" not in fields.pattern:
        fields.pattern += "{counter}"
        fields.merit += 2
    elif _turns(column) and "{angle}" not in fields.pattern:
        fields.pattern += "{angle}"
        text = "a number that goes round up to 360 is taken for degrees of the spindle"
        fields.doubts.append(Doubt("angle_per_turn", text))
    elif _are_channels(column, strict=may_have_flags) and "{channel}" not in fields.pattern:
        _add_channel(fields, column, may_have_flags=may_have_flags)
    else:
        return False
    return True


def _add_literal(fields: Fields, text: str) -> None:
    fields.pattern += text
    if not _SEPARATOR.fullmatch(text):
        about = f"{text!r} stood in every frame: it may be a status; a frame without it is bad"
        fields.doubts.append(Doubt("pattern", about))


def _add_channel(fields: Fields, column: Sequence[bytes], *, may_have_flags: bool) -> None:
    words = sorted({token.decode("ascii") for token in column})
    fields.pattern += "{channel}"
    fields.options["channels"] = words
    fields.merit += 1
    other = "flags" if may_have_flags else "a mode"
    text = f"the words {', '.join(words)} are taken for channels; they may be {other}"
    fields.doubts.append(Doubt("channels", text))


def _counts_up(column: Sequence[bytes]) -> bool:
    if not all(token.isdigit() for token in column) or len(column) < 4:
        return False
    steps = [int(right) - int(left) for left, right in pairwise(column)]
    return sum(step == 1 for step in steps) >= 0.8 * len(steps)


def _turns(column: Sequence[bytes]) -> bool:
    """Return True for numbers from 0 to 360 that go round the same way all the time."""
    if not all(_NUMBER.fullmatch(token) for token in column) or len(column) < 8:
        return False
    angles = [float(token.replace(b",", b".")) for token in column]
    if max(angles) > 360 or max(angles) - min(angles) < 60:
        return False
    steps = [(right - left) % 360 for left, right in pairwise(angles)]
    forward = sum(0 < step < 180 for step in steps)
    return max(forward, sum(step > 180 for step in steps)) >= 0.95 * len(steps)


def _are_channels(column: Sequence[bytes], *, strict: bool) -> bool:
    """Return True for a few words that come again and again.

    Args:
        column: The words.
        strict: True where they could be flags too: then each must come often.
    """
    counted = Counter(column)
    if any(not re.search(rb"[A-Za-z0-9]", token) for token in counted):
        return False
    least = _LEAST_CHANNEL_SHARE * len(column) if strict else 2
    if strict and any(not token.isalnum() for token in column):
        return False
    return len(counted) <= _MOST_WORDS and min(counted.values()) >= least


def _flags_of(texts: Sequence[bytes]) -> Fields | None:
    """Return flags: the usual texts mean nothing, the meaning of the others is not known."""
    rows = [text.decode("ascii").split() for text in texts]
    counted = Counter(word for row in rows for word in set(row))
    if len(counted) > _MOST_FLAGS:
        return None
    usual = Counter(tuple(row) for row in rows).most_common(1)[0][0]
    strange = [word for word in counted if word not in usual]
    if not usual:
        return Fields(doubts=_strange_doubts(strange, counted))
    fields = Fields(_gap(texts) + "{flags}", {"flags": {word: [] for word in usual}})
    text = f"{' '.join(usual)} is usual and taken for no flag"
    fields.doubts.append(Doubt("flags", text))
    fields.doubts += _strange_doubts(strange, counted)
    return fields


def _strange_doubts(strange: Sequence[str], counted: Counter[str]) -> list[Doubt]:
    return [
        Doubt(
            "flags",
            f"{word!r} came in {counted[word]} frames: its meaning is not known, so these are "
            "bad frames until flags names it",
        )
        for word in strange
    ]
