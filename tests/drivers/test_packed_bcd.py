"""packed-bcd: golden frames by hand in hex; a half byte above 9 is no digit."""

from collections.abc import Mapping

import pytest

from drivers.contract import BadFrame, OptionError
from drivers.packed_bcd import make
from rules.reading import Reading

BARE = {"unit": "mm", "digits": 5, "decimals": 4}
POLLED = {**BARE, "request": "05"}
FIRST = bytes.fromhex("00 04 1C")  # 00041 plus: 0.0041 mm
SECOND = bytes.fromhex("00 05 2D")  # 00052 minus: -0.0052 mm


@pytest.mark.parametrize(
    ("options", "golden", "reading"),
    [
        # 12345 with four decimals: 1.2345 mm
        (BARE, "12 34 5C", Reading(1_234_500)),
        (BARE, "00 00 0D", Reading(0)),
        # 123 in units of 0.5 µm: 61.5 µm
        (
            {"unit": "um", "digits": 3, "decimals": 0, "scale": "0.5"},
            "12 3D",
            Reading(-61_500),
        ),
        # status 41 hex: bits 6 and 0; 41 + 00 + 20 + 0F = 70 hex; 00200 with 5 decimals
        (
            {
                "unit": "inch",
                "digits": 5,
                "decimals": 5,
                "plus": ["A", "F"],
                "start": "02",
                "status": {"0": "index", "6": "low-battery"},
                "checksum": {"kind": "sum-8"},
            },
            "02 41 00 20 0F 70",
            Reading(50_800, "inch", flags=frozenset({"index", "low-battery"})),
        ),
    ],
)
def test_a_golden_frame_is_read_as_its_digits_say(
    options: Mapping[str, object], golden: str, reading: Reading
) -> None:
    assert make(options).feed(bytes.fromhex(golden)) == [reading]


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        ("0A 04 1C", "a digit above 9"),
        ("00 0F 1C", "a digit above 9"),
        ("00 04 11", "1 is no sign"),
        ("00 04 1A", "A is no sign"),
    ],
)
def test_a_frame_that_is_no_packed_decimal_says_why(frame: str, reason: str) -> None:
    raw = bytes.fromhex(frame)
    assert make(BARE).feed(raw + FIRST) == [BadFrame(raw, reason), Reading(4100)]


def test_every_half_byte_above_nine_among_the_digits_is_a_bad_frame() -> None:
    for nibble in range(10, 16):
        for place in range(5):
            text = f"{0:05X}C"
            raw = bytes.fromhex(text[:place] + f"{nibble:X}" + text[place + 1 :])
            results = make(BARE).feed(raw + FIRST)
            assert [type(result) for result in results] == [BadFrame, Reading]


def test_a_status_bit_without_a_name_is_a_bad_frame() -> None:
    driver = make({**BARE, "status": {"0": "index"}})
    (result,) = driver.feed(bytes.fromhex("02 00 04 1C"))
    assert isinstance(result, BadFrame)
    assert result.reason == "bit 1 of the status is set and has no name"


def test_polled_each_answer_follows_its_request() -> None:
    driver = make(POLLED)
    assert driver.next_request() == b"\x05"
    assert driver.next_request() is None
    assert driver.feed(FIRST) == [Reading(4100)]
    assert driver.next_request() == b"\x05"
    assert driver.feed(SECOND) == [Reading(-5200)]


def test_polled_a_late_answer_never_answers_the_next_request() -> None:
    driver = make(POLLED)
    driver.next_request()
    driver.timed_out()
    assert driver.next_request() is None
    assert [type(result) for result in driver.feed(FIRST)] == [BadFrame]
    driver.timed_out()
    driver.timed_out()
    assert driver.next_request() == b"\x05"
    assert driver.feed(SECOND) == [Reading(-5200)]


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"unit": {"mm": "mm"}}, "unit"),
        ({"digits": 4}, "digits"),
        ({"digits": 17}, "digits"),
        ({"decimals": 6}, "decimals"),
        ({"plus": "9"}, "plus"),
        ({"minus": ["C"]}, "minus"),
        ({"start": "xyz"}, "start"),
        ({"status": {"8": "index"}}, "status"),
        ({"status": {"0": "broken"}}, "status"),
        ({"checksum": {"kind": "sum-8", "form": "hex"}}, "checksum.form"),
        ({"request": ""}, "request"),
        ({"terminator": "CR"}, "terminator"),
    ],
)
def test_a_wrong_option_names_its_key(change: dict[str, object], key: str) -> None:
    with pytest.raises(OptionError) as caught:
        make({**BARE, **change})
    assert caught.value.key == key
