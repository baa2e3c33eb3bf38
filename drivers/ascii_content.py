"""What stands between the marks of an ASCII frame: value, unit, flags, channel and more.

Described by these options of a bench file:

    unit          "mm" | "inch" | "um", or a table of the texts in the frame:
                  { "mm" = "mm", "in" = "inch" }. Required: a unit is never guessed.
    pattern       The fields in their order, such as "{channel} {value} {unit} {flags}".
                  A blank stands for one or more blanks, other characters for themselves.
                  Default: {value}, then {unit} if it is a table, then {flags} if described.
    sign          The characters for plus and minus. "+-" (default): one of them is always
                  sent; " -": a blank is plus; "-": nothing is plus; "none": never a sign;
                  "optional": "+", "-" or nothing.
    decimal_mark  "." (default), "," or "none" (then ``decimals`` is implied).
    decimals      How many digits follow the mark. Left out: any number, at least one.
    digits        How many digits the value has in all; shows a lost one. Needs ``decimals``.
    fill          "zero" (default) or "blank": what stands in place of leading zeros.
    scale         The value on the wire times this is the value in ``unit``.
    over_range    Texts that stand where the value would: ["OL", "-----"].
    flags         Flag texts: { "B" = "low-battery", "M" = "max-min", "." = [] }.
    channels      The channel words that may come; required with {channel}.
    angle_per_turn  What the frame's {angle} counts in a turn; default 360 (degrees).
    mode          "live" (default) or "max-min": what the value is when no flag says.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import cast, get_args

from drivers.ascii_pattern import Expression, Vocabulary, compile_pattern
from drivers.contract import MAX_VALUE_NM
from drivers.options import LENGTH_UNITS, OptionReader
from rules.length import Unit, digits_to_nm
from rules.reading import NO_FLAGS, Flag, Mode, Reading

_MICRODEGREES_PER_TURN = 360_000_000
_FLAG_NAMES = (*get_args(Flag), "max-min")
_FLAGS_ACCEPTED = (
    f"a table of a text to a name or a list of names from {', '.join(_FLAG_NAMES)}"
)


@dataclass(frozen=True, slots=True)
class ContentForm:
    """How the content of a frame is written; made by :func:`content_form`."""

    words: Vocabulary
    pattern: str
    expression: Expression
    fixed_unit: tuple[Unit, int] | None
    units: Mapping[bytes, tuple[Unit, int]]
    scale: tuple[int, int]
    flags: Mapping[bytes, frozenset[str]]
    flag_text: re.Pattern[bytes]
    angle_per_turn: int
    mode: Mode

    @property
    def starts_signed(self) -> bool:
        """True if the head of the content shows where it begins, whatever stands before."""
        return self.words.always_signs and self.expression.starts_marked


def content_form(options: OptionReader) -> ContentForm:
    """Return the form that the options describe.

    Raises:
        OptionError: For the first option that is wrong.
    """
    fixed_unit, units = _read_unit(options)
    flags = _read_flags(options)
    words = _read_words(options, tuple(units), tuple(flags))
    default = "{value}" + (" {unit}" if units else "") + ("{flags}" if flags else "")
    pattern = options.text("pattern", "a text with {value} and other fields", default)
    texts = sorted(map(re.escape, flags), key=len, reverse=True)
    return ContentForm(
        words=words,
        pattern=pattern,
        expression=compile_pattern(options, pattern, words),
        fixed_unit=fixed_unit,
        units=units,
        scale=options.factor("scale"),
        flags=flags,
        flag_text=re.compile(b"|".join(texts) or b"(?!)"),
        angle_per_turn=options.whole("angle_per_turn", 1, _MICRODEGREES_PER_TURN, default=360),
        mode=cast(Mode, options.choice("mode", get_args(Mode), "live")),
    )


def _read_unit(
    options: OptionReader,
) -> tuple[tuple[Unit, int] | None, Mapping[bytes, tuple[Unit, int]]]:
    accepted = '"mm" | "inch" | "um", or a table of the unit texts in the frame to these'
    if not options.has("unit"):
        raise options.wrong("unit", accepted)
    if options.is_text("unit"):
        return options.length_unit(), {}
    units = options.name_table("unit", None, LENGTH_UNITS, accepted)
    if not units or not all(text.strip() == text and text for text in units):
        raise options.wrong("unit", f"{accepted}; a text can't be blank or end in blanks")
    return None, {text.encode("ascii"): LENGTH_UNITS[name] for text, name in units.items()}


def _read_flags(options: OptionReader) -> Mapping[bytes, frozenset[str]]:
    found: dict[bytes, frozenset[str]] = {}
    for text, named in options.table("flags", _FLAGS_ACCEPTED).items():
        names = [named] if isinstance(named, str) else named
        if not isinstance(names, list | tuple) or not all(
            name in _FLAG_NAMES for name in names
        ):
            raise options.wrong("flags", _FLAGS_ACCEPTED)
        if not text or " " in text:
            raise options.wrong("flags", f"{_FLAGS_ACCEPTED}; a text can't hold a blank")
        found[text.encode("ascii")] = frozenset(names)
    return found


def _read_words(
    options: OptionReader, units: tuple[bytes, ...], flags: tuple[bytes, ...]
) -> Vocabulary:
    sign = options.ascii_text("sign", '"+-", " -", "-", "none", "optional" or two signs', "+-")
    is_pair = len(sign) == 2 and sign[:1] != sign[1:] and not sign.isalnum()
    if sign not in (b"-", b"none", b"optional") and not is_pair:
        raise options.wrong(
            "sign", '"+-", " -", "-", "none", "optional" or two different signs'
        )
    mark = options.choice("decimal_mark", (".", ",", "none"), ".")
    decimals = options.whole_or_none("decimals", 0 if mark == "none" else 1, 9)
    digits = options.whole_or_none("digits", 1, 12)
    if mark == "none" and decimals is None:
        raise options.wrong("decimals", 'a whole number from 0 to 9 (decimal_mark is "none")')
    if digits is not None and (decimals is None or decimals >= digits):
        raise options.wrong("digits", "more than decimals, which must be given too")
    return Vocabulary(
        sign=sign,
        mark=b"" if mark == "none" else mark.encode("ascii"),
        decimals=decimals,
        digits=digits,
        fills_with_blanks=options.choice("fill", ("zero", "blank"), "zero") == "blank",
        over_range=options.texts("over_range", "a list of different texts"),
        units=units,
        flags=flags,
        channels=options.texts("channels", "a list of different words"),
    )


def read_content(content: bytes, form: ContentForm) -> Reading | str | None:
    """Return the reading, the reason why there is none, or None if the pattern is not met."""
    match = form.expression.reading.fullmatch(content)
    if match is None:
        return _read_over_range(content, form)
    unit, power = form.fixed_unit or form.units[match["unit"]]
    whole, part = match["whole"], match["part"]
    mantissa = int(whole + part) * form.scale[0]
    exponent = form.scale[1] + power - (len(part) or form.words.implied_decimals)
    value_nm = digits_to_nm(mantissa, exponent, unit)
    if value_nm > MAX_VALUE_NM:
        return "the value is above 1 km"
    if match["sign"] == form.words.minus:
        value_nm = -value_nm
    return _with_fields(match, form, value_nm, unit)


def _read_over_range(content: bytes, form: ContentForm) -> Reading | str | None:
    expression = form.expression.over_range
    match = expression.fullmatch(content) if expression is not None else None
    if match is None:
        return None
    sent = match["unit"] if form.units else None
    unit, _ = form.fixed_unit or (form.units[sent] if sent else ("mm", 0))
    reading = _with_fields(match, form, None, unit)
    if isinstance(reading, str):
        return reading
    return _flagged(reading, frozenset({"over-range"}))


def _flagged(reading: Reading, more: frozenset[Flag]) -> Reading:
    return Reading(
        None,
        reading.unit,
        reading.mode,
        reading.flags | more,
        reading.channel,
        reading.angle_udeg,
        reading.counter,
    )


def _with_fields(
    match: re.Match[bytes], form: ContentForm, value_nm: int | None, unit: Unit
) -> Reading | str:
    fields = form.expression.fields
    mode, flags, channel, angle, counter = form.mode, NO_FLAGS, "", None, None
    if "flags" in fields and match["flags"].strip():
        named = _named_flags(match["flags"], form)
        if isinstance(named, str):
            return named
        mode = "max-min" if "max-min" in named else mode
        flags = cast(frozenset[Flag], named - {"max-min"})
        value_nm = None if "over-range" in flags else value_nm
    if "channel" in fields:
        channel = match["channel"].decode("ascii")
    if "counter" in fields:
        counter = int(match["counter"])
    if "angle" in fields:
        angle = _angle_udeg(match["angle"], form)
        if angle is None:
            return "the angle is more than a turn"
    return Reading(value_nm, unit, mode, flags, channel, angle, counter)


def _named_flags(texts: bytes, form: ContentForm) -> frozenset[str] | str:
    found: list[bytes] = []
    for chunk in texts.split():
        at = 0
        while at < len(chunk):
            match = form.flag_text.match(chunk, at)
            if match is None:
                return f"unknown flag {chunk[at:]!r}"
            found.append(match[0])
            at = match.end()
    named = [name for text in found for name in form.flags[text]]
    if len(named) != len(set(named)):
        return "a flag comes twice"
    return frozenset(named)


def _angle_udeg(text: bytes, form: ContentForm) -> int | None:
    """Return microdegrees, rounded once, half to even; None above a turn."""
    whole, _, part = text.partition(form.words.mark or b".")
    divisor: int = form.angle_per_turn * 10 ** len(part)
    quotient, remainder = divmod(int(whole + part) * _MICRODEGREES_PER_TURN, divisor)
    if quotient > _MICRODEGREES_PER_TURN or (quotient == _MICRODEGREES_PER_TURN and remainder):
        return None
    twice = 2 * remainder
    rounds_up = twice > divisor or (twice == divisor and quotient % 2 == 1)
    return quotient + rounds_up
