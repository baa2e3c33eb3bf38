"""ascii-poll: one request, one answer; a late answer never answers the next request."""

import pytest

from drivers.ascii_poll import make
from drivers.contract import BadFrame, OptionError
from rules.reading import Reading

OPTIONS = {"request": "say\r", "unit": {"mm": "mm"}, "decimals": 4, "digits": 7}
FIRST = bytes.fromhex("2B 30 30 30 2E 30 30 34 31 20 6D 6D 0D 0A")  # "+000.0041 mm" CR LF
SECOND = bytes.fromhex("2B 30 30 30 2E 30 30 35 32 20 6D 6D 0D 0A")  # "+000.0052 mm" CR LF


def test_each_answer_follows_its_request() -> None:
    driver = make(OPTIONS)
    assert driver.next_request() == b"say\r"
    assert driver.next_request() is None
    assert driver.feed(FIRST) == [Reading(4100)]
    assert driver.next_request() == b"say\r"
    assert driver.feed(SECOND[:5]) == []
    assert driver.next_request() is None
    assert driver.feed(SECOND[5:]) == [Reading(5200)]


def test_a_late_answer_never_answers_the_next_request() -> None:
    driver = make(OPTIONS)
    driver.next_request()
    driver.timed_out()
    assert driver.next_request() is None
    late = driver.feed(FIRST)
    assert [type(result) for result in late] == [BadFrame]
    driver.timed_out()
    assert driver.next_request() is None, "bytes came since: the line was not quiet"
    driver.timed_out()
    assert driver.next_request() == b"say\r"
    assert driver.feed(SECOND) == [Reading(5200)]


def test_an_answer_cut_by_the_timeout_is_not_glued_to_the_next() -> None:
    driver = make(OPTIONS)
    driver.next_request()
    driver.feed(FIRST[:6])
    driver.timed_out()
    assert [type(result) for result in driver.feed(FIRST[6:])] == [BadFrame]
    driver.timed_out()
    driver.timed_out()
    assert driver.next_request() == b"say\r"
    assert driver.feed(SECOND) == [Reading(5200)]


def test_noise_that_ends_like_a_frame_does_not_shift_the_answers() -> None:
    driver = make(OPTIONS)
    driver.next_request()
    results = driver.feed(b"noise\r\n" + FIRST)
    assert [type(result) for result in results] == [BadFrame, BadFrame]
    assert driver.next_request() is None


def test_an_answer_that_nobody_asked_for_is_no_reading() -> None:
    driver = make(OPTIONS)
    assert driver.feed(FIRST) == [BadFrame(FIRST, "answer that nobody asked for")]


def test_bytes_that_nobody_asked_for_hold_the_next_request_back() -> None:
    driver = make(OPTIONS)
    driver.feed(FIRST[:4])
    assert driver.next_request() is None
    driver.timed_out()
    driver.timed_out()
    assert driver.next_request() == b"say\r"


def test_a_silent_indicator_is_asked_again_after_one_quiet_timeout() -> None:
    driver = make(OPTIONS)
    asked = []
    for _ in range(6):
        asked.append(driver.next_request())
        driver.timed_out()
    assert asked == [b"say\r", None, b"say\r", None, b"say\r", None]


def test_channels_are_asked_in_turn_and_named_by_their_request() -> None:
    driver = make({**OPTIONS, "request": {"left": "L\r", "right": "R\r"}})
    assert driver.next_request() == b"L\r"
    assert driver.feed(FIRST) == [Reading(4100, channel="left")]
    assert driver.next_request() == b"R\r"
    assert driver.feed(SECOND) == [Reading(5200, channel="right")]
    assert driver.next_request() == b"L\r"


def test_a_silent_channel_does_not_keep_the_others_from_being_asked() -> None:
    driver = make({**OPTIONS, "request": {"left": "L\r", "right": "R\r"}})
    driver.next_request()
    driver.timed_out()
    driver.timed_out()
    assert driver.next_request() == b"R\r"


def test_the_answer_of_another_channel_is_no_answer() -> None:
    options = {
        **OPTIONS,
        "request": {"1": "say 1\r", "2": "say 2\r"},
        "channels": ["1", "2"],
        "pattern": "{channel} {value} {unit}",
    }
    driver = make(options)
    driver.next_request()
    frame = b"2 " + FIRST
    assert driver.feed(frame) == [BadFrame(frame, "channel 2 answers the request to 1")]


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"request": ""}, "request"),
        ({"request": {}}, "request"),
        ({"request": {"a": "x", "b": "x"}}, "request"),
        ({"request": 5}, "request"),
        ({"quiet_timeouts": 0}, "quiet_timeouts"),
        ({"ask": "?"}, "ask"),
    ],
)
def test_a_wrong_option_names_its_key(change: dict[str, object], key: str) -> None:
    with pytest.raises(OptionError) as caught:
        make({**OPTIONS, **change})
    assert caught.value.key == key


def test_the_request_has_no_default() -> None:
    with pytest.raises(OptionError, match="request: got nothing"):
        make({"unit": "mm"})
