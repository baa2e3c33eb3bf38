"""packed-bcd for the conformance kit: frames written by hand from the pattern's text."""

from collections.abc import Mapping

from drivers.conformance import Golden, Role, Specimen
from drivers.packed_bcd import make
from rules.reading import Flag, Reading

_OVER: frozenset[Flag] = frozenset({"over-range"})
_LOW: frozenset[Flag] = frozenset({"low-battery"})
_LACKS: Mapping[Role, str] = {
    "other-unit": "the unit is fixed by the bench file",
    "no-unit": "the unit is fixed by the bench file",
    "comma": "there is no decimal mark",
}


def _frame(role: Role, in_hex: str, says: Reading | None) -> Golden:
    return Golden(role, bytes.fromhex(in_hex), says)


BARE = Specimen(
    name="packed-bcd: five digits and a sign",
    make=make,
    options={"unit": "mm", "digits": 5, "decimals": 4, "over_range": ["E"]},
    golden=(
        _frame("plus", "12 34 5C", Reading(1_234_500)),
        _frame("minus", "00 04 1D", Reading(-4100)),
        _frame("zero", "00 00 0C", Reading(0)),
        _frame("low-end", "99 99 9D", Reading(-9_999_900)),
        _frame("high-end", "99 99 9C", Reading(9_999_900)),
        _frame("over-range", "99 99 9E", Reading(None, flags=_OVER)),
        _frame("no-sign", "00 04 10", None),
        _frame("further", "00 05 2C", Reading(5200)),
    ),
    lacks={**_LACKS, "low-battery": "the frame has no flags"},
    noise_reads="any three bytes that hold digits and a sign are a frame",
)

GUARDED = Specimen(
    name="packed-bcd: start, status, seven digits in inches and a CRC-16",
    make=make,
    options={
        "unit": "inch",
        "digits": 7,
        "decimals": 5,
        "start": "AA 55",
        "status": {
            "0": "index",
            "1": "foot",
            "2": "frozen",
            "3": "offset-set",
            "4": "max-min",
            "6": "low-battery",
            "7": "over-range",
        },
        "checksum": {"kind": "crc-16", "form": "bytes-low-first"},
        "request": "05",
    },
    golden=(
        _frame("plus", "AA 55 00 12 34 56 7C 5E F7", Reading(313_580_018, "inch")),
        _frame("minus", "AA 55 00 00 00 04 1D E6 C9", Reading(-10_414, "inch")),
        _frame("zero", "AA 55 00 00 00 00 0C 24 05", Reading(0, "inch")),
        _frame("low-end", "AA 55 00 99 99 99 9D 71 4A", Reading(-2_539_999_746, "inch")),
        _frame("high-end", "AA 55 00 99 99 99 9C B0 8A", Reading(2_539_999_746, "inch")),
        _frame("over-range", "AA 55 80 99 99 99 9C B1 54", Reading(None, "inch", flags=_OVER)),
        _frame(
            "low-battery", "AA 55 40 00 00 05 2C 27 42", Reading(13_208, "inch", flags=_LOW)
        ),
        _frame("no-sign", "AA 55 00 00 00 04 10 27 0C", None),
        _frame(
            "further",
            "AA 55 13 00 00 04 1C A2 CA",
            Reading(10_414, "inch", "max-min", frozenset({"index", "foot"})),
        ),
    ),
    guard="crc",
    step_nm=254,
    lacks=_LACKS,
)

SPECIMENS = (BARE, GUARDED)
