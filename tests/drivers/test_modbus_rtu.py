"""modbus-rtu: golden frames by hand, framing by head, length and CRC, refusals."""

import struct
from collections.abc import Mapping

import pytest

from drivers.checksum import crc_16
from drivers.contract import BadFrame, OptionError
from drivers.modbus_rtu import make
from rules.reading import Reading

FLOAT: Mapping[str, object] = {
    "unit_id": 1,
    "function": 3,
    "address": 0,
    "address_base": 0,
    "format": "float32",
    "byte_order": "ABCD",
    "unit": "mm",
    "step_um": 0.1,
}
REQUEST = bytes.fromhex("01 03 00 00 00 02 C4 0B")
ANSWER = bytes.fromhex("01 03 04 3B 89 A0 27 1E E7")  # 0.0042 as IEEE 754 single


def answer(*registers: int, head: tuple[int, int] = (1, 3)) -> bytes:
    data = struct.pack(f">{len(registers)}H", *registers)
    body = bytes((*head, len(data))) + data
    return body + crc_16(body).to_bytes(2, "little")


def ask(options: Mapping[str, object], raw: bytes) -> Reading | BadFrame:
    driver = make(options)
    driver.next_request()
    (result,) = driver.feed(raw)
    return result


def test_the_request_is_the_one_of_the_specification() -> None:
    assert make(FLOAT).next_request() == REQUEST


def test_a_golden_answer_is_read() -> None:
    assert ask(FLOAT, ANSWER) == Reading(4200, channel="1")


@pytest.mark.parametrize(
    ("order", "registers"),
    [
        ("ABCD", (0x3B89, 0xA027)),
        ("CDAB", (0xA027, 0x3B89)),
        ("BADC", (0x893B, 0x27A0)),
        ("DCBA", (0x27A0, 0x893B)),
    ],
)
def test_a_float_is_read_in_each_byte_order(order: str, registers: tuple[int, int]) -> None:
    options = {**FLOAT, "byte_order": order}
    assert ask(options, answer(*registers)) == Reading(4200, channel="1")


@pytest.mark.parametrize("value_um", [0.1, -0.1, 4.2, 700.0, -700.0, 12_345.6])
def test_a_float_of_whole_steps_is_exact_to_the_nanometre(value_um: float) -> None:
    registers = struct.unpack(">HH", struct.pack(">f", value_um / 1000))
    assert ask(FLOAT, answer(*registers)) == Reading(round(value_um * 1000), channel="1")


@pytest.mark.parametrize(
    ("raw", "reason"),
    [
        ("7F C0 00 00", "is no number"),
        ("7F 80 00 00", "is no number"),
        ("FF 80 00 00", "is no number"),
        ("00 00 00 01", "denormal"),
        ("80 7F FF FF", "denormal"),
        ("49 74 24 00", "too far for the step"),  # 1 000 000 mm
    ],
)
def test_a_float_that_is_no_length_is_refused(raw: str, reason: str) -> None:
    registers = struct.unpack(">HH", bytes.fromhex(raw))
    result = ask(FLOAT, answer(*registers))
    assert isinstance(result, BadFrame)
    assert reason in result.reason


def test_floats_that_can_not_carry_the_last_digit_are_refused() -> None:
    # Near 130 mm, singles lie 2**-17 mm = 15 nm apart (IEEE 754: 24 bits): a step of 0.1 µm
    # allows 10 nm.
    registers = struct.unpack(">HH", struct.pack(">f", 130.0))
    result = ask(FLOAT, answer(*registers))
    assert isinstance(result, BadFrame)
    coarse = ask({**FLOAT, "step_um": 1}, answer(*registers))
    assert coarse == Reading(130_000_000, channel="1")


def test_a_long_integer_in_inches_is_exact() -> None:
    options = {**FLOAT, "format": "int32", "unit": "inch", "scale": "0.00001"}
    del options["step_um"]
    # FF FF FF EC = -20: -0.0002 in = -5.08 µm
    assert ask(options, answer(0xFFFF, 0xFFEC)) == Reading(-5080, "inch", channel="1")


def test_value_and_status_are_read_in_one_request_whichever_comes_first() -> None:
    status = {"address": 107, "bits": {"15": "over-range", "0": "frozen"}}
    options = {**FLOAT, "address": 110, "status": status}
    driver = make(options)
    request = driver.next_request()
    assert request is not None
    assert request[2:6] == bytes.fromhex("00 6B 00 05")
    frozen = Reading(4200, flags=frozenset({"frozen"}), channel="1")
    assert driver.feed(answer(0x0001, 0, 0, 0x3B89, 0xA027)) == [frozen]
    driver.next_request()
    over = Reading(None, flags=frozenset({"over-range"}), channel="1")
    assert driver.feed(answer(0x8000, 0, 0, 0x3B89, 0xA027)) == [over]


def test_an_address_counted_from_one_asks_for_the_register_before() -> None:
    request = make({**FLOAT, "address": 1, "address_base": 1}).next_request()
    assert request == REQUEST


def test_an_exception_is_a_fault_in_words_and_the_next_request_follows() -> None:
    driver = make(FLOAT)
    driver.next_request()
    raw = bytes.fromhex("01 83 02 C0 F1")
    reason = "unit 1: exception 02, illegal data address"
    assert driver.feed(raw) == [BadFrame(raw, reason)]
    assert driver.next_request() == REQUEST


@pytest.mark.parametrize(
    "raw",
    [
        answer(0x3B89, 0xA027, head=(2, 3)),  # another unit
        answer(0x3B89, 0xA027, head=(1, 4)),  # another function
        answer(0x3B89, 0xA027, 0x0000)[:9],  # more registers than asked for
        ANSWER[:-1] + b"\x00",  # a wrong CRC
    ],
)
def test_an_answer_to_something_else_gives_no_reading(raw: bytes) -> None:
    driver = make(FLOAT)
    driver.next_request()
    assert [type(result) for result in driver.feed(raw)] == [BadFrame]
    assert driver.next_request() is None


def test_a_late_answer_never_answers_the_next_request() -> None:
    driver = make({**FLOAT, "unit_id": [1, 2]})
    driver.next_request()
    driver.timed_out()
    assert [type(result) for result in driver.feed(ANSWER)] == [BadFrame]
    driver.timed_out()
    assert driver.next_request() is None
    driver.timed_out()
    request = driver.next_request()
    assert request is not None
    assert request[0] == 2


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"unit_id": 0}, "unit_id"),
        ({"unit_id": [1, 1]}, "unit_id"),
        ({"unit_id": None}, "unit_id"),
        ({"function": 6}, "function"),
        ({"address_base": 2}, "address_base"),
        ({"address": 0, "address_base": 1}, "address"),
        ({"format": "float64"}, "format"),
        ({"byte_order": "AB"}, "byte_order"),
        ({"step_um": 0}, "step_um"),
        ({"over_range": [1]}, "over_range"),
        ({"status": {"address": 1, "bits": {"0": "index"}}}, "status"),
        ({"status": {"address": 90, "bits": {"0": "index"}}}, "status"),
        ({"status": {"address": 2, "bits": {"16": "index"}}}, "status.bits"),
        ({"status": {"address": 2}}, "status.bits"),
        ({"port": 502}, "port"),
    ],
)
def test_a_wrong_option_names_its_key(change: dict[str, object], key: str) -> None:
    with pytest.raises(OptionError) as caught:
        make({**FLOAT, **change})
    assert caught.value.key == key


@pytest.mark.parametrize(
    "key", ["unit_id", "function", "address", "address_base", "byte_order"]
)
def test_what_differs_from_maker_to_maker_has_no_default(key: str) -> None:
    options = {name: value for name, value in FLOAT.items() if name != key}
    with pytest.raises(OptionError) as caught:
        make(options)
    assert caught.value.key == key
