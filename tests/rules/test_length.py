"""Lengths are exact: held against Fraction, which knows no rounding at all."""

import struct
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rules.length import (
    LengthError,
    Unit,
    decimal_to_nm,
    digits_to_nm,
    float_to_nm,
    inch_to_nm,
    nm_to_um,
    um_text,
    um_to_nm,
)

# The international inch of 1959 is 25.4 mm exactly (NIST SP 811, from memory).
NM_PER = {"mm": Fraction(10) ** 6, "inch": Fraction(254, 10) * 10**6}
UNITS = st.sampled_from(["mm", "inch"])
MANTISSAS = st.integers(-(10**12), 10**12)


def rounded(exact: Fraction) -> int:
    """Round half to even; Python's own rounding of a Fraction is the oracle."""
    return round(exact)


@given(MANTISSAS, st.integers(-15, 3), UNITS)
def test_digits_on_the_wire_become_nanometres_rounded_once(
    mantissa: int, exponent: int, unit: Unit
) -> None:
    exact = mantissa * Fraction(10) ** exponent * NM_PER[unit]
    assert digits_to_nm(mantissa, exponent, unit) == rounded(exact)


@given(st.decimals(allow_nan=False, allow_infinity=False, places=9, min_value=-40), UNITS)
def test_a_decimal_number_is_rounded_once_half_to_even(value: Decimal, unit: Unit) -> None:
    assume(value.adjusted() <= 30)
    assert decimal_to_nm(value, unit) == rounded(Fraction(value) * NM_PER[unit])


@given(MANTISSAS, st.integers(-9, 0), UNITS)
def test_digits_and_decimals_agree(mantissa: int, exponent: int, unit: Unit) -> None:
    value = Decimal(mantissa).scaleb(exponent)
    assert decimal_to_nm(value, unit) == digits_to_nm(mantissa, exponent, unit)


@pytest.mark.parametrize(
    ("mantissa", "exponent", "unit", "nm"),
    [
        pytest.param(5, -7, "mm", 0, id="half a nanometre goes to even zero"),
        pytest.param(15, -7, "mm", 2, id="one and a half goes to even two"),
        pytest.param(-5, -7, "mm", 0, id="minus a half goes to even zero"),
        pytest.param(-15, -7, "mm", -2, id="minus one and a half goes to even minus two"),
        pytest.param(2, -5, "inch", 508, id="an inch step of 0.00002 is exact"),
        pytest.param(5, -5, "inch", 1270, id="an inch step of 0.00005 is exact"),
        pytest.param(1, -7, "inch", 3, id="2.54 nm are rounded"),
    ],
)
def test_a_length_at_a_corner(mantissa: int, exponent: int, unit: Unit, nm: int) -> None:
    assert digits_to_nm(mantissa, exponent, unit) == nm


# shared check values, section 1: 1 in = 25.4 mm exactly, so these follow by computation.
@pytest.mark.parametrize(
    ("inches", "nm"),
    [("0.0001", 2_540), ("0.0002", 5_080), ("0.0004", 10_160), ("0.0005", 12_700)],
)
def test_an_inch_limit_is_exact(inches: str, nm: int) -> None:
    assert inch_to_nm(inches) == nm
    assert inch_to_nm(Decimal(inches)) == nm


def test_ten_micrometres_do_not_hold_four_tenths_of_a_thou() -> None:
    assert inch_to_nm("0.0004") > um_to_nm("10")


def test_twelve_point_three_less_seven_point_three_is_five() -> None:
    assert um_to_nm("12.3") - um_to_nm("7.3") == um_to_nm(5)


@given(st.integers(-(10**12), 10**12))
def test_a_limit_written_in_micrometres_is_kept_exactly(nm: int) -> None:
    text = f"{Decimal(nm) / 1000}"
    assert um_to_nm(text) == nm
    assert um_to_nm(Decimal(text)) == nm


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-1000, max_value=1000))
def test_a_limit_that_is_no_whole_nanometre_is_refused(value: Decimal) -> None:
    exact = Fraction(value) * 1000
    if exact.denominator == 1:
        assert um_to_nm(value) == exact
    else:
        with pytest.raises(LengthError):
            um_to_nm(value)


@pytest.mark.parametrize(
    "value",
    ["4.0005", "4.0000000000000000000000000000000001", "1e-400000000", "1e400000000",
     "nan", "inf", "-inf", "four", "", "4,0", "sNaN"],
)  # fmt: skip
def test_what_is_no_length_in_micrometres_is_refused(value: str) -> None:
    with pytest.raises(LengthError):
        um_to_nm(value)


@pytest.mark.parametrize("value", ["nan", "inf", "1e400000000", "x"])
def test_what_is_no_length_in_inches_is_refused(value: str) -> None:
    with pytest.raises(LengthError):
        inch_to_nm(value)


def test_zero_is_a_length_however_it_is_written() -> None:
    assert um_to_nm("0e400000000") == um_to_nm("-0.000") == inch_to_nm("0e-400000000") == 0


@given(st.floats(-100, 100), UNITS)
def test_a_double_is_rounded_once_half_to_even(value: float, unit: Unit) -> None:
    assert float_to_nm(value, unit, 100) == rounded(Fraction(value) * NM_PER[unit])


@given(st.integers(-70_000, 70_000))
def test_a_double_holds_every_step_of_a_tenth_of_a_micrometre(steps: int) -> None:
    assert float_to_nm(steps / 10_000, "mm", 100) == steps * 100


def float32(value: float) -> tuple[float, float]:
    """Return the nearest single and the distance to the next one."""
    (bits,) = struct.unpack("<I", struct.pack("<f", value))
    (single,) = struct.unpack("<f", struct.pack("<I", bits))
    (following,) = struct.unpack("<f", struct.pack("<I", bits + 1))
    return single, abs(following - single)


def test_a_single_near_zero_carries_a_tenth_of_a_micrometre() -> None:
    value, spacing = float32(0.0042)
    assert float_to_nm(value, "mm", 100, spacing) == 4_200


def test_a_single_far_from_zero_is_refused_it_has_lost_the_last_digit() -> None:
    value, spacing = float32(200.0001)  # singles lie 15 nm apart there
    with pytest.raises(LengthError, match="step 100 nm"):
        float_to_nm(value, "mm", 100, spacing)
    assert abs(float_to_nm(value, "mm", 1_000, spacing) - 200_000_100) < 8


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_float_that_is_no_number_is_refused(value: float) -> None:
    with pytest.raises(LengthError):
        float_to_nm(value, "mm", 100)


def test_a_spacing_may_be_a_tenth_of_the_step_and_no_more() -> None:
    spacing = 2.0**-17  # 7.629 nm
    assert float_to_nm(1.0, "mm", 77, spacing) == 1_000_000
    with pytest.raises(LengthError):
        float_to_nm(1.0, "mm", 76, spacing)


@given(st.integers(-(10**12), 10**12))
def test_micrometres_for_json_read_back_as_the_same_nanometres(nm: int) -> None:
    text = repr(nm_to_um(nm))
    assert Fraction(Decimal(text)) * 1000 == nm


@given(st.integers(-(10**12), 10**12), st.integers(0, 3))
def test_micrometres_for_people_never_leave_out_a_digit_that_decides(
    nm: int, decimals: int
) -> None:
    text = um_text(nm, decimals)
    assert Fraction(Decimal(text)) * 1000 == nm
    assert len(text.partition(".")[2]) >= decimals


@pytest.mark.parametrize(
    ("nm", "text"),
    [(5_000, "5.0"), (5_080, "5.08"), (5_001, "5.001"), (-300, "-0.3"), (0, "0.0")],
)
def test_micrometres_as_people_read_them(nm: int, text: str) -> None:
    assert um_text(nm) == text
