"""Exact lengths: millimetres, micrometres and inches to integer nanometres and back.

Inside, a length is an ``int`` of nanometres, so that 12.3 µm − 7.3 µm is 5 µm and a TIR
at the limit passes. One inch is 25.4 mm exactly (international inch, 1959).
"""

from decimal import Decimal, InvalidOperation
from math import isfinite, ulp
from typing import Literal

Unit = Literal["mm", "inch"]

NM_PER_MM = 1_000_000
NM_PER_UM = 1_000
NM_PER_INCH = 25_400_000

_NM_PER: dict[Unit, int] = {"mm": NM_PER_MM, "inch": NM_PER_INCH}
_MANTISSA_AND_POWER = {"mm": (1, 6), "inch": (254, 5)}  # 25 400 000 = 254 × 10**5

_POWER_MAX = 30
"""Powers of ten beyond this either way are no lengths; they would only eat memory."""


class LengthError(ValueError):
    """A text or number that is no length, or not exact enough to be one."""


def digits_to_nm(mantissa: int, exponent: int, unit: Unit) -> int:
    """Return ``mantissa × 10**exponent`` of ``unit`` in nanometres.

    The way of every decimal indicator: the digits on the wire are an integer, the decimal
    mark is an exponent. What is no whole nanometre is rounded once, half to even.
    """
    factor, power = _MANTISSA_AND_POWER[unit]
    power += exponent
    value = mantissa * factor
    if power >= 0:
        return int(value * 10**power)
    return int(_halve_even(value, 10**-power))


def _halve_even(numerator: int, denominator: int) -> int:
    quotient, remainder = divmod(numerator, denominator)
    twice = 2 * remainder
    if twice > denominator or (twice == denominator and quotient % 2):
        quotient += 1
    return quotient


def decimal_to_nm(value: Decimal, unit: Unit) -> int:
    """Return a decimal number of millimetres or inches in nanometres.

    Raises:
        LengthError: If the number is NaN, infinite or beyond any length.
    """
    if not value.is_finite() or value.adjusted() > _POWER_MAX:
        raise LengthError(f"{value} is no length")
    if not value or value.adjusted() < -_POWER_MAX:
        return 0
    numerator, denominator = value.as_integer_ratio()
    return _halve_even(numerator * _NM_PER[unit], denominator)


def um_to_nm(value: Decimal | str | int) -> int:
    """Return micrometres in nanometres; refuses what is no whole nanometre.

    For limits and steps that a person wrote down: those have at most three decimals in µm.

    Raises:
        LengthError: If ``value`` is no finite number or no whole nanometre.
    """
    try:
        exact = Decimal(value)
    except InvalidOperation:
        raise LengthError(f"{value!r} is no number of micrometres") from None
    if not exact.is_finite() or (exact and abs(exact.adjusted()) > _POWER_MAX):
        raise LengthError(f"{value} µm is no whole number of nanometres")
    # As a fraction, because a product of decimals is rounded to the context's 28 digits.
    numerator, denominator = exact.as_integer_ratio() if exact else (0, 1)
    whole, rest = divmod(numerator * NM_PER_UM, denominator)
    if rest:
        raise LengthError(f"{value} µm is no whole number of nanometres")
    return whole


def inch_to_nm(value: Decimal | str) -> int:
    """Return inches in nanometres, rounded once, half to even (0.0002 in is 5080 nm).

    Raises:
        LengthError: If ``value`` is no finite number.
    """
    try:
        return decimal_to_nm(Decimal(value), "inch")
    except InvalidOperation:
        raise LengthError(f"{value!r} is no number of inches") from None


def float_to_nm(value: float, unit: Unit, step_nm: int, spacing: float | None = None) -> int:
    """Return a binary float from the wire in nanometres, rounded once, half to even.

    Args:
        value: The number as received.
        unit: Its unit.
        step_nm: The indicator's digital step in nanometres, above 0.
        spacing: Distance to the next float of the wire's own format, in ``unit``;
            that of a double when left out.

    Raises:
        LengthError: If ``value`` is NaN or infinite, or if its spacing exceeds a tenth of
            the step: such a float can't carry the indicator's last digit.
    """
    if not isfinite(value):
        raise LengthError(f"{value} is no length")
    per_unit = _NM_PER[unit]
    gap = Decimal(ulp(value) if spacing is None else spacing) * per_unit
    if gap * 10 > step_nm:
        raise LengthError(
            f"floats near {value} {unit} lie {gap:.3g} nm apart, step {step_nm} nm"
        )
    numerator, denominator = value.as_integer_ratio()
    return _halve_even(numerator * per_unit, denominator)


def nm_to_um(value_nm: int) -> float:
    """Return nanometres as micrometres for JSON: the shortest float of at most 3 decimals."""
    return value_nm / NM_PER_UM


def mm_text(value_nm: int) -> str:
    """Return millimetres as text for people, no digit left out: 32500000 → "32.5"."""
    return f"{Decimal(value_nm) / NM_PER_MM:f}"


def um_text(value_nm: int, decimals: int = 1) -> str:
    """Return micrometres as text for people, never with a digit that decides left out.

    At least ``decimals`` places, more where the value has them: 5000 → "5.0",
    5080 → "5.08".
    """
    sign = "-" if value_nm < 0 else ""
    whole, rest = divmod(abs(value_nm), NM_PER_UM)
    fraction = f"{rest:03d}".rstrip("0").ljust(decimals, "0")
    return f"{sign}{whole}.{fraction}" if fraction else f"{sign}{whole}"
