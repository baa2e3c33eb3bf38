"""modbus-rtu for the conformance kit: answers written by hand from the specification's text."""

from collections.abc import Mapping

from drivers.conformance import Golden, Role, Specimen
from drivers.modbus_rtu import make
from rules.reading import Flag, Reading

_OVER: frozenset[Flag] = frozenset({"over-range"})
_LOW: frozenset[Flag] = frozenset({"low-battery"})
_LACKS: Mapping[Role, str] = {
    "other-unit": "the unit is fixed by the bench file",
    "no-unit": "the unit is fixed by the bench file",
    "no-sign": "the sign is a bit of the number",
    "comma": "there is no decimal mark",
}


def _frame(role: Role, in_hex: str, says: Reading | None) -> Golden:
    return Golden(role, bytes.fromhex(in_hex), says)


FLOAT = Specimen(
    name="modbus-rtu: float32 with a status register",
    make=make,
    options={
        "unit_id": 1,
        "function": 3,
        "address": 0,
        "address_base": 0,
        "format": "float32",
        "byte_order": "ABCD",
        "unit": "mm",
        "step_um": 0.1,
        "status": {
            "address": 2,
            "bits": {"0": "over-range", "1": "low-battery", "2": "index", "7": "foot"},
        },
    },
    golden=(
        _frame("plus", "01 03 06 3B 89 A0 27 00 00 6A 2A", Reading(4200, channel="1")),
        _frame("minus", "01 03 06 BB 86 59 4B 00 00 D1 6A", Reading(-4100, channel="1")),
        _frame("zero", "01 03 06 00 00 00 00 00 00 21 75", Reading(0, channel="1")),
        _frame(
            "low-end", "01 03 06 C1 48 00 00 00 00 D1 AA", Reading(-12_500_000, channel="1")
        ),
        _frame(
            "high-end", "01 03 06 41 48 00 00 00 00 CE 6A", Reading(12_500_000, channel="1")
        ),
        _frame(
            "over-range",
            "01 03 06 42 C6 00 00 00 01 67 86",
            Reading(None, flags=_OVER, channel="1"),
        ),
        _frame(
            "low-battery",
            "01 03 06 3B AA 64 C3 00 02 53 2B",
            Reading(5200, flags=_LOW, channel="1"),
        ),
        _frame(
            "further",
            "01 03 06 41 45 87 94 00 84 8A 90",
            Reading(12_345_600, flags=frozenset({"index", "foot"}), channel="1"),
        ),
        _frame("further", "01 03 06 7F C0 00 00 00 00 2A AB", None),  # not a number
        _frame("further", "01 83 02 C0 F1", None),  # exception 02
    ),
    guard="crc",
    lacks=_LACKS,
)

INTEGER = Specimen(
    name="modbus-rtu: int16 low byte first, in steps of 0.00005 inch",
    make=make,
    options={
        "unit_id": 17,
        "function": 4,
        "address": 41,
        "address_base": 1,
        "format": "int16",
        "byte_order": "BA",
        "unit": "inch",
        "scale": "0.00005",
        "over_range": [32767, -32768],
    },
    golden=(
        _frame("plus", "11 04 02 7B 00 5A 03", Reading(156_210, "inch", channel="17")),
        _frame("minus", "11 04 02 FC FF 79 B3", Reading(-5080, "inch", channel="17")),
        _frame("zero", "11 04 02 00 00 78 F3", Reading(0, "inch", channel="17")),
        _frame("low-end", "11 04 02 01 80 78 C3", Reading(-41_614_090, "inch", channel="17")),
        _frame("high-end", "11 04 02 FE 7F 79 73", Reading(41_612_820, "inch", channel="17")),
        _frame(
            "over-range",
            "11 04 02 FF 7F 78 E3",
            Reading(None, "inch", flags=_OVER, channel="17"),
        ),
        _frame(
            "further", "11 04 02 00 80 79 53", Reading(None, "inch", flags=_OVER, channel="17")
        ),
    ),
    guard="crc",
    step_nm=1270,
    lacks={**_LACKS, "low-battery": "no status register is read"},
)

SPECIMENS = (FLOAT, INTEGER)
