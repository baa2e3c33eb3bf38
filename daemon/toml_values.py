"""What may stand behind a key of a file: sections, numbers, ids, texts; refused in words."""

import re
from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from rules.length import LengthError, um_to_nm

_SHOWN_MAX = 60
"""A fault shows this much of what stands in the file: a whole table tells nobody anything."""

_DIGITS_MAX = 30
"""Powers of ten beyond this either way are no measure of anything on a bench."""


class Section(BaseModel):
    """Base of every table in a file: frozen, unknown keys are errors, types are not bent."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def shown(value: object) -> str:
    """Return what stands in the file, for a fault: as written, and not all of a table."""
    text = str(value) if isinstance(value, Decimal) else repr(value)
    return text if len(text) <= _SHOWN_MAX else f"{text[:_SHOWN_MAX]}…"


class KeyFaultError(ValueError):
    """A fault of one key that only its whole table shows.

    Attributes:
        key: The key within the table.
        text: What was wrong and what is accepted.
    """

    def __init__(self, key: str, text: str) -> None:
        super().__init__(f"{key}: {text}")
        self.key = key
        self.text = text


def number_of(value: object) -> Decimal | None:
    """Return a number as it stands in a file; None for what is no number of any measure."""
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    number = Decimal(value)
    if not number.is_finite() or (number and abs(number.adjusted()) > _DIGITS_MAX):
        return None
    return number


def _number(value: object) -> Decimal:
    number = number_of(value)
    if number is None:
        raise ValueError(f"got {shown(value)}; accepted is a number")
    return number


def _float(value: object) -> float:
    return float(_number(value))


def _micrometres(value: object) -> Decimal:
    number = number_of(value)
    try:
        um_to_nm(number if number is not None else Decimal("NaN"))
    except LengthError:
        text = "accepted is a number of µm with at most three decimals"
        raise ValueError(f"got {shown(value)}; {text}") from None
    return _number(value)


def _clean(value: str) -> str:
    if not value or any(ord(sign) < ord(" ") for sign in value):
        raise ValueError(
            f"got {shown(value)}; accepted is a text of at least one character and without "
            "control characters"
        )
    return value


def matching(pattern: str, accepted: str) -> AfterValidator:
    """Return a check of a text that says in words what is accepted."""
    known = re.compile(pattern)

    def check(value: str) -> str:
        if known.fullmatch(value) is None:
            raise ValueError(f"got {shown(value)}; accepted {accepted}")
        return value

    return AfterValidator(check)


Number = Annotated[Decimal, BeforeValidator(_number)]
"""A number as written, exact."""

Micrometres = Annotated[Decimal, BeforeValidator(_micrometres)]
"""Micrometres as written: whole nanometres."""

SignedSeconds = Annotated[float, BeforeValidator(_float), Field(ge=-86_400, le=86_400)]
"""A time that may lie on either side of something."""

Seconds = Annotated[float, BeforeValidator(_float), Field(ge=0, le=86_400)]
Share = Annotated[float, BeforeValidator(_float), Field(gt=0, lt=1)]
Word = Annotated[
    str,
    matching("[A-Za-z0-9][A-Za-z0-9_-]{0,59}", 'are 1 to 60 letters, digits, "-" and "_"'),
]
"""An id that can stand in a topic."""

Text = Annotated[str, AfterValidator(_clean)]
"""A path, port or label: not empty, no control characters."""

Torque = Annotated[int, Field(ge=1, le=1_000_000)]
"""Newton millimetres at which the nut is tightened: 40000 are 40 N·m."""
