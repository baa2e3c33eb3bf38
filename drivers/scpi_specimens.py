"""scpi for the conformance kit: answers written by hand from the standard's number formats."""

from dataclasses import replace

from drivers.conformance import Golden, Specimen
from drivers.scpi import make
from rules.reading import Flag, Reading

_OVER: frozenset[Flag] = frozenset({"over-range"})
_IDENTITY = b"Fictive Works,D1,0042,1.0\n"

METRES = Specimen(
    name="scpi: metres with an exponent",
    make=make,
    options={
        "identity": "Fictive Works,D1,0042",
        "unit": "m",
        "sign": "+-",
        "decimals": 7,
        "digits": 8,
    },
    golden=(
        Golden("plus", b"+1.2345600E-03\n", Reading(1_234_560)),
        Golden("minus", b"-4.1000000E-06\n", Reading(-4100)),
        Golden("zero", b"+0.0000000E+00\n", Reading(0)),
        Golden("low-end", b"-9.9999990E-01\n", Reading(-999_999_900)),
        Golden("high-end", b"+9.9999990E-01\n", Reading(999_999_900)),
        Golden("over-range", b"+9.9000000E+37\n", Reading(None, flags=_OVER)),
        Golden("comma", b"+1,2345600E-03\n", None),
        Golden("no-sign", b"4.1000000E-06\n", None),
        Golden("further", b"+9.9100000E+37\n", None),  # not a number
        Golden("further", b"+1.0E-3,+2.0E-3\n", None),
    ),
    lacks={
        "low-battery": "the answer has no flags",
        "other-unit": "the unit is fixed by the bench file",
        "no-unit": "the unit is fixed by the bench file",
    },
    start_up={
        b"*CLS;*IDN?\n": _IDENTITY,
        b"*IDN?\n": _IDENTITY,
        b"SYST:ERR?\n": b'0,"No error"\n',
    },
)

INCHES = replace(
    METRES,
    name="scpi: inches in plain decimals, CR",
    noise_reads="a number that lost its head, or got a digit more, is a number",
    lacks={**METRES.lacks, "no-sign": "plus may be left out"},
    options={
        "identity": "Fictive Works,D1",
        "unit": "inch",
        "decimals": 5,
        "query": "MEAS:SCAL:DIST?",
        "terminator": "CR",
        "ends_with": "CR",
    },
    golden=(
        Golden("plus", b"12.34567\r", Reading(313_580_018, "inch")),
        Golden("minus", b"-0.00020\r", Reading(-5080, "inch")),
        Golden("zero", b"0.00000\r", Reading(0, "inch")),
        Golden("low-end", b"-99.99999\r", Reading(-2_539_999_746, "inch")),
        Golden("high-end", b"99.99999\r", Reading(2_539_999_746, "inch")),
        Golden("over-range", b"9.9E37\r", Reading(None, "inch", flags=_OVER)),
        Golden("further", b"-9.9E37\r", Reading(None, "inch", flags=_OVER)),
        Golden("comma", b"12,34567\r", None),
    ),
    start_up={
        b"*CLS;*IDN?\r": _IDENTITY.replace(b"\n", b"\r"),
        b"*IDN?\r": _IDENTITY.replace(b"\n", b"\r"),
        b"SYST:ERR?\r": b'+0,"No error"\r',
    },
    step_nm=254,
)

SPECIMENS = (METRES, INCHES)
