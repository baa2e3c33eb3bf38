"""ascii-line: golden frames made by hand in hex from the pattern's text; what is no frame."""

from collections.abc import Mapping

import pytest

from drivers.ascii_line import make
from drivers.contract import MAX_FRAME_BYTES, BadFrame, OptionError
from rules.reading import Reading

Options = Mapping[str, object]

MM_OR_INCH: Options = {"unit": {"mm": "mm", "in": "inch"}, "decimals": 4, "digits": 7}
FLAGGED: Options = {
    **MM_OR_INCH,
    "pattern": "{value} {unit} {flags}",
    "flags": {"I": "index", "F": "foot", "B": "low-battery", "M": "max-min", ".": []},
    "over_range": ["---.----"],
}
CHANNELLED: Options = {
    "unit": "mm",
    "pattern": "{channel}:{value};{counter};{angle}",
    "channels": ["A", "B"],
    "terminator": "CR",
    "decimals": 3,
}


def one(options: Options, frame: bytes) -> Reading | BadFrame:
    results = make(options).feed(frame)
    assert len(results) == 1
    return results[0]


def nm(options: Options, frame: bytes) -> int | None:
    result = one(options, frame)
    assert isinstance(result, Reading), result
    return result.value_nm


def reason(options: Options, frame: bytes) -> str:
    result = one(options, frame)
    assert isinstance(result, BadFrame), result
    return result.reason


GOLDEN: list[tuple[str, Options, str, Reading]] = [
    # "+000.0041 mm" CR LF: 4.1 µm
    (
        "plus millimetres",
        MM_OR_INCH,
        "2B 30 30 30 2E 30 30 34 31 20 6D 6D 0D 0A",
        Reading(4100),
    ),
    # "-000.0002 in" CR LF: 0.0002 in is 5.08 µm (1 in = 25.4 mm exactly, 1959)
    (
        "minus inches",
        MM_OR_INCH,
        "2D 30 30 30 2E 30 30 30 32 20 69 6E 0D 0A",
        Reading(-5080, "inch"),
    ),
    # "-012.3456 mm IF" LF
    (
        "index and foot",
        FLAGGED,
        "2D 30 31 32 2E 33 34 35 36 20 6D 6D 20 49 46 0A",
        Reading(-12_345_600, flags=frozenset({"index", "foot"})),
    ),
    # "+000.0000 mm MB" CR LF
    (
        "max-min memory and low battery",
        FLAGGED,
        "2B 30 30 30 2E 30 30 30 30 20 6D 6D 20 4D 42 0D 0A",
        Reading(0, mode="max-min", flags=frozenset({"low-battery"})),
    ),
    # "---.---- mm ." CR LF
    (
        "dashes for over-range",
        FLAGGED,
        "2D 2D 2D 2E 2D 2D 2D 2D 20 6D 6D 20 2E 0D 0A",
        Reading(None, flags=frozenset({"over-range"})),
    ),
    # "B:-1.250;42;090.5" CR
    (
        "channel, counter and angle",
        CHANNELLED,
        "42 3A 2D 31 2E 32 35 30 3B 34 32 3B 30 39 30 2E 35 0D",
        Reading(-1_250_000, channel="B", counter=42, angle_udeg=90_500_000),
    ),
    # STX "+1,5" ETX, then the exclusive-or of 2B 31 2C 35 03 = 00... by hand:
    # 2B^31=1A, 1A^2C=36, 36^35=03, 03^03=00, as one raw byte; no terminator
    (
        "comma, STX, ETX and a raw XOR",
        {
            "unit": "um",
            "decimal_mark": ",",
            "start": "STX",
            "end": "ETX",
            "terminator": "none",
            "checksum": {"kind": "xor-8", "form": "bytes"},
        },
        "02 2B 31 2C 35 03 00",
        Reading(1500),
    ),
    # "+1.5*" and the sum of 2B 31 2E 35 2A = E9 in hex, LF
    (
        "sum in hex after a star",
        {"unit": "mm", "end": "*", "checksum": {"kind": "sum-8"}},
        "2B 31 2E 35 2A 45 39 0A",
        Reading(1_500_000),
    ),
    # "- 4123": blanks for leading zeros, no mark, four decimals implied, inch; CR
    (
        "implied decimals and blank fill",
        {
            "unit": "inch",
            "decimal_mark": "none",
            "decimals": 4,
            "digits": 5,
            "fill": "blank",
            "terminator": "CR",
        },
        "2D 20 34 31 32 33 0D",
        Reading(-10_472_420, "inch"),
    ),
    # "N 0.004" with a blank for plus, LF; the wire counts in hundredths of a millimetre
    (
        "literal head, blank sign and scale",
        {"unit": "mm", "pattern": "N{value}", "sign": " -", "scale": "0.01"},
        "4E 20 30 2E 30 30 34 0A",
        Reading(40),
    ),
]


@pytest.mark.parametrize(
    ("options", "golden", "reading"),
    [row[1:] for row in GOLDEN],
    ids=[row[0] for row in GOLDEN],
)
def test_a_golden_frame_is_read_as_its_text_says(
    options: Options, golden: str, reading: Reading
) -> None:
    assert make(options).feed(bytes.fromhex(golden)) == [reading]


@pytest.mark.parametrize(
    ("frame", "expected"),
    [
        (b"+000,0041 mm\r\n", "decimal comma where decimal point is expected"),
        (b"000.0041 mm\r\n", "no sign + or - before the value"),
        (b" 000.0041 mm\r\n", "no sign + or - before the value"),
        (b"+000.041 mm\r\n", "3 decimals, 4 are expected"),
        (b"+00.0041 mm\r\n", "6 digits, 7 are expected"),
        (b"+0000041 mm\r\n", "no decimal point"),
        (b"+000.0041\r\n", "none of the units in, mm"),
        (b"+000.0041 cm\r\n", "none of the units in, mm"),
        (b"+000.0041 +000.0042 mm\r\n", "two values in one frame"),
        (b"+000.0041 mm x\r\n", "not of the pattern {value} {unit}"),
        (b"\r\n", "empty frame"),
        (b"hello there\r\n", "no value"),
        (b"+000.0\x0041 mm\r\n", "byte 00 hex is no printable character"),
    ],
)
def test_a_bad_frame_says_in_words_why(frame: bytes, expected: str) -> None:
    assert reason(MM_OR_INCH, frame) == expected


def test_a_bad_frame_holds_the_bytes_as_they_came() -> None:
    assert one(MM_OR_INCH, b"+0.1 mm\r\n") == BadFrame(
        b"+0.1 mm\r\n", "1 decimals, 4 are expected"
    )


def test_seven_bits_with_even_parity_are_told_and_not_masked() -> None:
    # "+0.004" CR LF as 7E1 read as 8N1, by hand: "4" and CR have an odd number of ones
    frame = bytes.fromhex("2B 30 2E 30 30 B4 8D 0A")
    assert "looks like 7E1" in reason({"unit": "mm"}, frame)


def test_seven_bits_with_odd_parity_are_told_though_no_terminator_comes() -> None:
    frame = bytes.fromhex("AB B0 AE B0 B0 34 0D 8A")
    results = make({"unit": "mm"}).feed(frame * (MAX_FRAME_BYTES // len(frame)))
    assert [type(result) for result in results] == [BadFrame]
    assert isinstance(results[0], BadFrame)
    assert "looks like 7O1" in results[0].reason


def test_an_over_range_flag_takes_the_value_away() -> None:
    options = {"unit": "mm", "flags": {"OVR": "over-range"}, "decimals": 3}
    assert one(options, b"+99.999OVR\n") == Reading(None, flags=frozenset({"over-range"}))


def test_the_same_flag_twice_is_a_bad_frame() -> None:
    assert reason(FLAGGED, b"+000.0041 mm II\n") == "a flag comes twice"


def test_a_wrong_checksum_names_both() -> None:
    options = {"unit": "mm", "end": "*", "checksum": {"kind": "sum-8"}}
    assert reason(options, b"+1.5*E8\n") == "checksum is b'E8', should be b'E9'"


def test_a_lost_byte_shows_by_the_length() -> None:
    options = {"unit": "mm", "length": 8, "terminator": "CRLF"}
    assert nm(options, b"+0.041\r\n") == 41_000
    assert reason(options, b"+0.04\r\n") == "7 bytes, 8 are expected"


def test_frames_without_a_terminator_are_found_again_after_noise() -> None:
    options = {"unit": "mm", "terminator": "none", "length": 6}
    results = make(options).feed(b"041" + b"+0.041" + b"-0.0" + b"+0.042+0.043")
    assert results == [
        BadFrame(b"041+0.", "no decimal point"),
        Reading(41_000),
        BadFrame(b"-0.0+0", "not of the pattern {value}"),
        Reading(42_000),
        Reading(43_000),
    ]


def test_bytes_before_the_start_mark_are_no_part_of_the_frame() -> None:
    options = {"unit": "mm", "start": "STX", "terminator": "ETX"}
    assert make(options).feed(b"0.5\x02+0.041\x03") == [
        BadFrame(b"0.5", "bytes before the start mark"),
        Reading(41_000),
    ]


def test_a_stream_joined_midway_gives_no_value_that_may_lack_its_head() -> None:
    options = {"unit": "mm", "sign": "-"}
    first, second = make(options).feed(b"12.345\n12.345\n")
    assert isinstance(first, BadFrame)
    assert "head is missing" in first.reason
    assert second == Reading(12_345_000)


def test_an_endless_line_is_cut_and_its_tail_is_no_frame() -> None:
    driver = make({"unit": "mm"})
    results = driver.feed(b"x" * MAX_FRAME_BYTES + b"+0.5\n+0.6\n")
    assert [type(result) for result in results] == [BadFrame, BadFrame, Reading]


def test_a_value_above_a_kilometre_is_no_length() -> None:
    assert reason({"unit": "mm"}, b"+999999999.9\n") == "the value is above 1 km"


@pytest.mark.parametrize(
    ("options", "key"),
    [
        ({}, "unit"),
        ({"unit": "cm"}, "unit"),
        ({"unit": {}}, "unit"),
        ({"unit": {"mm": "millimetre"}}, "unit"),
        ({"unit": {" ": "mm"}}, "unit"),
        ({"unit": "mm", "terminater": "CR"}, "terminater"),
        ({"unit": "mm", "terminator": "none"}, "length"),
        ({"unit": "mm", "terminator": "none", "length": 200}, "length"),
        ({"unit": "mm", "terminator": "none", "length": 9, "sign": "-"}, "start"),
        ({"unit": "mm", "decimal_mark": ";"}, "decimal_mark"),
        ({"unit": "mm", "decimal_mark": "none"}, "decimals"),
        ({"unit": "mm", "digits": 5}, "digits"),
        ({"unit": "mm", "decimals": True}, "decimals"),
        ({"unit": "mm", "sign": "++"}, "sign"),
        ({"unit": "mm", "scale": 0}, "scale"),
        ({"unit": "mm", "scale": "much"}, "scale"),
        ({"unit": "mm", "pattern": "{unit}"}, "pattern"),
        ({"unit": "mm", "pattern": "{value}{counter}"}, "pattern"),
        ({"unit": "mm", "pattern": "{value} {speed}"}, "pattern"),
        ({"unit": "mm", "pattern": "{channel}{value}"}, "pattern"),
        ({"unit": "mm", "flags": {"X": "broken"}}, "flags"),
        ({"unit": "mm", "checksum": {"kind": "md5"}}, "checksum.kind"),
        ({"unit": "mm", "checksum": {"kind": "sum-8", "of": "all"}}, "checksum.of"),
        ({"unit": "mm", "checksum": {"kind": "sum-8", "form": "bytes"}}, "length"),
        ({"unit": "mm", "over_range": ["OL", "OL"]}, "over_range"),
        ({"unit": "mm", "mode": "frozen"}, "mode"),
    ],
)
def test_a_wrong_option_names_its_key_and_what_is_accepted(options: Options, key: str) -> None:
    with pytest.raises(OptionError) as caught:
        make(options)
    assert caught.value.key == key
    assert caught.value.accepted


def test_a_line_that_only_listens_never_asks() -> None:
    driver = make(MM_OR_INCH)
    driver.timed_out()
    assert driver.next_request() is None
