"""scpi: start-up, pinned identity, readings, sentinels, errors in the indicator's own words."""

from collections.abc import Mapping

import pytest

from drivers.contract import BadFrame, OptionError
from drivers.scpi import Scpi, make
from rules.reading import Reading
from simulators.scpi import ScpiResponder

METRES: Mapping[str, object] = {"identity": "Fictive Works,D1,0042", "unit": "m"}
IDENTITY = b"Fictive Works,D1,0042,1.0\n"
OVER = Reading(None, flags=frozenset({"over-range"}))


def started(options: Mapping[str, object]) -> Scpi:
    driver = make(options)
    assert driver.next_request() == b"*CLS;*IDN?\n"
    assert driver.feed(IDENTITY) == []
    assert driver.next_request() == b"SYST:ERR?\n"
    assert driver.feed(b'0,"No error"\n') == []
    return driver


def read(options: Mapping[str, object], answer: bytes) -> Reading | BadFrame:
    driver = started(options)
    assert driver.next_request() is not None
    (result,) = driver.feed(answer)
    return result


@pytest.mark.parametrize(
    ("unit", "golden", "value_nm"),
    [
        # "+4.1000000E-06" LF: NR3, 4.1 µm
        ("m", "2B 34 2E 31 30 30 30 30 30 30 45 2D 30 36 0A", 4100),
        # "-0.0041" CR LF: NR2
        ("mm", "2D 30 2E 30 30 34 31 0D 0A", -4100),
        # "12" LF: NR1
        ("um", "31 32 0A", 12_000),
        # "2E-4" LF: 0.0002 in = 5.08 µm
        ("inch", "32 45 2D 34 0A", 5080),
        # "-0.0E+00" LF
        ("m", "2D 30 2E 30 45 2B 30 30 0A", 0),
    ],
)
def test_a_golden_answer_is_read(unit: str, golden: str, value_nm: int) -> None:
    result = read({**METRES, "unit": unit}, bytes.fromhex(golden))
    assert isinstance(result, Reading)
    assert result.value_nm == value_nm


@pytest.mark.parametrize(
    "answer", [b"9.9E37\n", b"+9.90000000E+37\n", b"-9.9E+37\n", b"99E36\n"]
)
def test_infinity_is_over_range(answer: bytes) -> None:
    assert read(METRES, answer) == OVER


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        (b"+9.91E+37\n", "not a number (9.91E37)"),
        (b"+9.92E+37\n", "the value is above 1 km"),
        (b"1001\n", "the value is above 1 km"),
        (b"0,0041\n", "a comma: two values, or no decimal point"),
        (b"+1E-6,+2E-6\n", "a comma: two values, or no decimal point"),
        (b"4.1E-06 mm\n", "no decimal number"),
        (b"\n", "empty answer"),
        (b"0x41\n", "no decimal number"),
    ],
)
def test_an_answer_that_is_no_reading_says_why(answer: bytes, reason: str) -> None:
    assert read(METRES, answer) == BadFrame(answer, reason)


def test_a_seven_bit_line_is_told() -> None:
    # "+4.1E-06" LF with even parity, by hand: E (45), - (2D even), + (2B even), . (2E even),
    # 4 (34), 1 (31) and LF (0A even); odd ones get the top bit.
    result = read(METRES, bytes.fromhex("2B B4 2E B1 C5 2D 30 36 0A"))
    assert isinstance(result, BadFrame)
    assert result.reason == "looks like 7E1 read as 8N1"


def test_each_reading_is_asked_for_anew() -> None:
    driver = started({**METRES, "query": "MEAS:SCAL:DIST?"})
    for answer, value_nm in ((b"1E-6\n", 1000), (b"1E-6\n", 1000), (b"2E-6\n", 2000)):
        assert driver.next_request() == b"MEAS:SCAL:DIST?\n"
        assert driver.next_request() is None
        assert driver.feed(answer) == [Reading(value_nm)]


def test_another_indicator_is_noticed_and_never_read() -> None:
    driver = make(METRES)
    for _ in range(3):
        request = driver.next_request()
        assert request in (b"*CLS;*IDN?\n", b"*IDN?\n")
        (result,) = driver.feed(b"Fictive Works,D1,0043,1.0\n")
        assert isinstance(result, BadFrame)
        assert "the bench file says 'Fictive Works,D1,0042'" in result.reason
        driver.timed_out()
        driver.timed_out()


def test_errors_are_told_until_the_queue_is_empty() -> None:
    driver = make(METRES)
    driver.next_request()
    driver.feed(IDENTITY)
    answers = [b'-113,"Undefined header"\n', b'-222,"Data out of range"\n', b'+0,"No error"\n']
    told: list[Reading | BadFrame] = []
    for answer in answers:
        while driver.next_request() != b"SYST:ERR?\n":
            driver.timed_out()
        told += driver.feed(answer)
    assert told == [
        BadFrame(answer, f"the indicator reports {answer[:-1]!r}") for answer in answers[:2]
    ]
    assert driver.next_request() == b"READ?\n"


def test_after_a_timeout_the_identity_is_asked_again_without_clearing_errors() -> None:
    driver = started(METRES)
    assert driver.next_request() == b"READ?\n"
    driver.timed_out()
    assert driver.next_request() is None
    driver.timed_out()
    assert driver.next_request() == b"*IDN?\n"
    driver.feed(IDENTITY)
    assert driver.next_request() == b"SYST:ERR?\n"


def test_a_late_reading_answers_neither_the_identity_nor_the_next_query() -> None:
    driver = started(METRES)
    driver.next_request()
    driver.timed_out()
    late = driver.feed(b"4.1E-06\n")
    assert [type(result) for result in late] == [BadFrame]
    driver.timed_out()
    assert driver.next_request() is None


def test_the_simulated_indicator_is_read_through_start_up_and_trouble() -> None:
    responder, driver = ScpiResponder(METRES), make(METRES)
    values = iter([Reading(4100), Reading(-5200), OVER, Reading(0)])
    results: list[Reading | BadFrame] = []
    for turn in range(20):
        request = driver.next_request()
        if request is None:
            driver.timed_out()
        elif turn == 4:
            driver.timed_out()  # this answer is lost
            responder.respond(request, lambda _: Reading(1))
        elif len(results) < 4:
            results += driver.feed(responder.respond(request, lambda _: next(values)))
    assert results == [Reading(4100), Reading(-5200), OVER, Reading(0)]


def test_the_simulated_indicator_keeps_an_error_queue() -> None:
    responder = ScpiResponder(METRES)

    def never(_: str) -> Reading:
        raise AssertionError

    assert responder.respond(b"NONSENSE?\nsyst:err?\nSYSTem:ERRor:NEXT?\n", never) == (
        b'-113,"Undefined header"\n0,"No error"\n'
    )
    responder.respond(b"X\n" * 30, never)
    queue = [responder.respond(b"SYST:ERR?\n", never) for _ in range(21)]
    assert queue[19] == b'-350,"Queue overflow"\n'
    assert queue[20] == b'0,"No error"\n'


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"query": "FETC?"}, "query"),
        ({"query": "READ"}, "query"),
        ({"query": "READ?\n*RST"}, "query"),
        ({"identity": ""}, "identity"),
        ({"identity": "a,,b"}, "identity"),
        ({"unit": "cm"}, "unit"),
        ({"sign": "+"}, "sign"),
        ({"terminator": "ETX"}, "terminator"),
        ({"ends_with": "none"}, "ends_with"),
        ({"address": 1}, "address"),
    ],
)
def test_a_wrong_option_names_its_key(change: dict[str, object], key: str) -> None:
    with pytest.raises(OptionError) as caught:
        make({**METRES, **change})
    assert caught.value.key == key


def test_the_identity_has_no_default() -> None:
    with pytest.raises(OptionError, match="identity: got nothing"):
        make({"unit": "m"})
