"""What Modbus registers say: floats and integers in every byte order, and a status."""

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from math import frexp, isfinite, ldexp
from typing import cast, get_args

from drivers.contract import MAX_VALUE_NM
from drivers.options import OptionReader
from rules.length import Unit, digits_to_nm
from rules.reading import NO_FLAGS, Flag, Mode, Reading

_FLAG_NAMES = (*get_args(Flag), "max-min")
_LONG_ORDERS = {
    "ABCD": (0, 1, 2, 3),
    "CDAB": (2, 3, 0, 1),
    "BADC": (1, 0, 3, 2),
    "DCBA": (3, 2, 1, 0),
}
_SHORT_ORDERS = {"AB": (0, 1), "BA": (1, 0)}
_MOST_REGISTERS = 60
_FLOAT_BITS = 24
_LEAST_NORMAL_FLOAT = 2.0**-126


@dataclass(frozen=True, slots=True)
class RegisterForm:
    """Which registers are read and what they say; made by :func:`register_form`.

    Attributes:
        address: The first register, as the request carries it.
        count: How many are read.
        value_at: Where the value's first byte lies among the bytes read.
        order: Where its bytes lie from there, the highest first.
        is_float: True for float32, False for integers.
        scale: Factor as mantissa and power of ten.
        most_spacing: How far apart the floats may lie, in the register's own unit.
        status_at: Where the status register's first byte lies, None without one.
    """

    address: int
    count: int
    value_at: int
    order: tuple[int, ...]
    is_float: bool
    unit: Unit
    scale: tuple[int, int]
    most_spacing: float
    over_range: frozenset[int]
    status_at: int | None
    bits: Mapping[int, str]
    mode: Mode


def register_form(reader: OptionReader) -> RegisterForm:
    """Return the form that the options describe.

    Raises:
        OptionError: For the first option that is wrong.
    """
    number = reader.choice("format", ("float32", "int16", "int32"))
    orders = _SHORT_ORDERS if number == "int16" else _LONG_ORDERS
    order = orders[reader.choice("byte_order", orders, "AB" if number == "int16" else None)]
    unit, power = reader.length_unit()
    scale = _read_scale(reader, power, is_required=number != "float32")
    base = reader.whole("address_base", 0, 1)
    value_address = reader.whole("address", base, 0xFFFF + base) - base
    status_address, bits = _read_status(reader, base)
    first, count = _span(reader, value_address, len(order) // 2, status_address)
    return RegisterForm(
        address=first,
        count=count,
        value_at=2 * (value_address - first),
        order=order,
        is_float=number == "float32",
        unit=unit,
        scale=scale,
        most_spacing=_read_most_spacing(reader, scale, unit) if number == "float32" else 0.0,
        over_range=_read_over_range(reader, number),
        status_at=None if status_address is None else 2 * (status_address - first),
        bits=bits,
        mode=cast(Mode, reader.choice("mode", get_args(Mode), "live")),
    )


def _read_scale(reader: OptionReader, power: int, *, is_required: bool) -> tuple[int, int]:
    if is_required and not reader.has("scale"):
        raise reader.wrong("scale", "what one count is in the unit, such as 0.0001")
    factor, exponent = reader.factor("scale")
    return factor, exponent + power


def _read_over_range(reader: OptionReader, number: str) -> frozenset[int]:
    """Return the integers that mean over-range; for floats the option is not asked for."""
    if number == "float32":
        return frozenset()
    most = 2**15 if number == "int16" else 2**31
    return frozenset(reader.whole_list("over_range", -most, most - 1, is_required=False))


def _read_most_spacing(reader: OptionReader, scale: tuple[int, int], unit: Unit) -> float:
    """Return how far apart floats may lie: a tenth of the indicator's step."""
    if not reader.has("step_um"):
        raise reader.wrong("step_um", "the indicator's digital step in micrometres")
    factor, exponent = reader.factor("step_um")
    step_nm = Decimal(factor).scaleb(exponent) * 1000
    nm_per_count = Decimal(scale[0]).scaleb(scale[1]) * digits_to_nm(1, 0, unit)
    return float(step_nm / 10 / nm_per_count)


def _read_status(reader: OptionReader, base: int) -> tuple[int | None, Mapping[int, str]]:
    table = reader.table("status", "a table with address and bits")
    if not table:
        return None, {}
    inner = OptionReader(table, inside="status")
    address = inner.whole("address", base, 0xFFFF + base) - base
    accepted = f"a table of bit number, 0 to 15, to one of {', '.join(_FLAG_NAMES)}"
    numbers = [str(bit) for bit in range(16)]
    bits = inner.name_table("bits", numbers, _FLAG_NAMES, accepted)
    inner.finish()
    if not bits:
        raise inner.wrong("bits", accepted)
    return address, {int(bit): name for bit, name in bits.items()}


def _span(reader: OptionReader, value: int, size: int, status: int | None) -> tuple[int, int]:
    """Return the first register and how many there are from value to status."""
    if status is None:
        return value, size
    if value <= status < value + size:
        raise reader.wrong("status", "an address outside the value's registers")
    first = min(value, status)
    count = max(value + size, status + 1) - first
    if count > _MOST_REGISTERS:
        raise reader.wrong("status", f"an address within {_MOST_REGISTERS} registers")
    return first, count


def read_registers(data: bytes, form: RegisterForm, channel: str) -> Reading | str:
    """Return what the registers say, or why that is no reading.

    Args:
        data: The registers' bytes as they came, high byte first.
        form: Which registers they are.
        channel: The reading's channel.
    """
    raw = bytes(data[form.value_at + place] for place in form.order)
    flags, mode = NO_FLAGS, form.mode
    if form.status_at is not None:
        flags, mode = _read_bits(data[form.status_at : form.status_at + 2], form)
    if "over-range" in flags:
        return Reading(None, form.unit, mode, flags, channel)
    number = (
        _float_digits(raw, form) if form.is_float else (int.from_bytes(raw, signed=True), 0)
    )
    if isinstance(number, str):
        return number
    if number[0] in form.over_range:
        return Reading(None, form.unit, mode, flags | {"over-range"}, channel)
    factor, exponent = form.scale
    value_nm = digits_to_nm(number[0] * factor, number[1] + exponent, form.unit)
    if abs(value_nm) > MAX_VALUE_NM:
        return "the value is above 1 km"
    return Reading(value_nm, form.unit, mode, flags, channel)


def _read_bits(status: bytes, form: RegisterForm) -> tuple[frozenset[Flag], Mode]:
    number = int.from_bytes(status)
    names = {name for bit, name in form.bits.items() if number >> bit & 1}
    mode: Mode = "max-min" if "max-min" in names else form.mode
    return cast(frozenset[Flag], frozenset(names - {"max-min"})), mode


def _float_digits(raw: bytes, form: RegisterForm) -> tuple[int, int] | str:
    """Return a float32 exactly, as mantissa and power of ten, or why it is no number."""
    (value,) = struct.unpack(">f", raw)
    if not isfinite(value):
        return f"the float {raw.hex().upper()} hex is no number"
    if value == 0:
        return 0, 0
    if abs(value) < _LEAST_NORMAL_FLOAT:
        return f"the float {raw.hex().upper()} hex is denormal: wrong byte order?"
    spacing = ldexp(1.0, frexp(value)[1] - _FLOAT_BITS)
    if spacing > form.most_spacing:
        return f"floats near {value:g} lie {spacing:.2g} apart, too far for the step"
    sign, digits, exponent = Decimal(value).as_tuple()
    mantissa = int("".join(map(str, digits)))
    return (-mantissa if sign else mantissa), int(exponent)
