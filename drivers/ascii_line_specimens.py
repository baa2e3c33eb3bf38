"""ascii-line for the conformance kit: frames written by hand from the pattern's text."""

from drivers.ascii_line import make
from drivers.conformance import Golden, Specimen
from rules.reading import NO_FLAGS, Flag, Reading

_OVER: frozenset[Flag] = frozenset({"over-range"})


def _turned(value_nm: int | None, counter: int, angle_udeg: int) -> Reading:
    flags = _OVER if value_nm is None else NO_FLAGS
    return Reading(value_nm, "inch", "live", flags, "", angle_udeg, counter)


PLAIN = Specimen(
    name="ascii-line: sign, seven digits, unit and flags in the frame",
    make=make,
    options={
        "unit": {"mm": "mm", "in": "inch"},
        "pattern": "{value} {unit} {flags}",
        "decimals": 4,
        "digits": 7,
        "flags": {
            "I": "index",
            "F": "foot",
            "B": "low-battery",
            "H": "frozen",
            "P": "offset-set",
            "M": "max-min",
            ".": [],
        },
        "over_range": ["----.---"],
        "terminator": "CRLF",
    },
    golden=(
        Golden("plus", b"+012.3456 mm .\r\n", Reading(12_345_600)),
        Golden("minus", b"-000.0041 mm .\r\n", Reading(-4100)),
        Golden("zero", b"+000.0000 mm .\r\n", Reading(0)),
        Golden("low-end", b"-999.9999 mm .\r\n", Reading(-999_999_900)),
        Golden("high-end", b"+999.9999 mm .\r\n", Reading(999_999_900)),
        Golden("over-range", b"----.--- mm .\r\n", Reading(None, flags=_OVER)),
        Golden(
            "low-battery",
            b"+000.0052 mm B\r\n",
            Reading(5200, flags=frozenset({"low-battery"})),
        ),
        Golden("other-unit", b"-000.0002 in .\r\n", Reading(-5080, "inch")),
        Golden("comma", b"+012,3456 mm .\r\n", None),
        Golden("no-sign", b"000.0041 mm .\r\n", None),
        Golden("no-unit", b"+012.3456 .\r\n", None),
        Golden(
            "further", b"-000.0003 mm IF\r\n", Reading(-300, flags=frozenset({"index", "foot"}))
        ),
        Golden(
            "further",
            b"+000.0041 mm HPM\r\n",
            Reading(4100, mode="max-min", flags=frozenset({"offset-set", "frozen"})),
        ),
    ),
)

COMMA_AND_XOR = Specimen(
    name="ascii-line: decimal comma, STX, ETX and an XOR in hex",
    make=make,
    options={
        "unit": {"0": "mm", "1": "inch"},
        "pattern": "{channel}{value}{unit}{flags}",
        "channels": ["A", "B"],
        "decimal_mark": ",",
        "decimals": 3,
        "digits": 4,
        "flags": {"-": [], "o": "over-range", "b": "low-battery"},
        "start": "STX",
        "end": "ETX",
        "terminator": "CR",
        "checksum": {"kind": "xor-8", "form": "hex", "covers": "content+end"},
    },
    guard="weak",
    step_nm=1000,
    golden=(
        Golden("plus", b"\x02A+1,2500-\x035E\r", Reading(1_250_000, channel="A")),
        Golden("minus", b"\x02B-0,0040-\x0359\r", Reading(-4000, channel="B")),
        Golden("zero", b"\x02A+0,0000-\x0358\r", Reading(0, channel="A")),
        Golden("low-end", b"\x02A-9,9990-\x035E\r", Reading(-9_999_000, channel="A")),
        Golden("high-end", b"\x02A+9,9990-\x0358\r", Reading(9_999_000, channel="A")),
        Golden("over-range", b"\x02A+9,9990o\x031A\r", Reading(None, flags=_OVER, channel="A")),
        Golden(
            "low-battery",
            b"\x02A+0,0010b\x0316\r",
            Reading(1000, flags=frozenset({"low-battery"}), channel="A"),
        ),
        Golden("other-unit", b"\x02A+0,0021-\x035B\r", Reading(50_800, "inch", channel="A")),
        Golden("comma", b"\x02A+1.2500-\x035C\r", None),
        Golden("no-sign", b"\x02B0,0040-\x0374\r", None),
        Golden("no-unit", b"\x02A+1,250-\x036E\r", None),
    ),
)

CRC = Specimen(
    name="ascii-line: blank fill, fixed length and a CRC-16",
    make=make,
    options={
        "unit": "inch",
        "pattern": "{value};{counter};{angle}*",
        "sign": " -",
        "fill": "blank",
        "decimals": 5,
        "digits": 7,
        "length": 26,
        "terminator": "LF",
        "over_range": ["*OVER*"],
        "checksum": {"kind": "crc-16", "form": "hex"},
    },
    guard="crc",
    step_nm=254,
    golden=(
        Golden("plus", b"       12.34567;7;90*49A3\n", _turned(313_580_018, 7, 90_000_000)),
        Golden("minus", b"    - 0.00041;8;90.5*CFCD\n", _turned(-10_414, 8, 90_500_000)),
        Golden("zero", b"         0.00000;9;0*A3F5\n", _turned(0, 9, 0)),
        Golden(
            "low-end", b"    -99.99999;10;359*D882\n", _turned(-2_539_999_746, 10, 359_000_000)
        ),
        Golden(
            "high-end", b"     99.99999;11;360*CAE1\n", _turned(2_539_999_746, 11, 360_000_000)
        ),
        Golden("over-range", b"         *OVER*;12;1*74C9\n", _turned(None, 12, 1_000_000)),
        Golden("comma", b"       12,34567;7;90*8E5A\n", None),
    ),
    lacks={
        "low-battery": "the frame has no such flag",
        "other-unit": "the unit is fixed by the bench file",
        "no-sign": "a blank is the plus sign, and fills the place of leading zeros",
        "no-unit": "the unit is fixed by the bench file",
    },
)

SPECIMENS = (PLAIN, COMMA_AND_XOR, CRC)
