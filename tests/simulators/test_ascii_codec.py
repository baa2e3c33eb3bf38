"""Encode and decode round trips: what the simulated indicator says is what the driver reads."""

from dataclasses import replace
from random import Random

import pytest

from drivers import ascii_line, ascii_poll
from drivers.contract import BadFrame
from rules.reading import Flag, Reading
from simulators.ascii_line import AsciiLineEncoder
from simulators.ascii_poll import AsciiPollResponder
from simulators.faults import LineFaults, spoil

DEMO: dict[str, object] = {
    "unit": {"mm": "mm", "in": "inch"},
    "pattern": "{value} {unit} {flags}",
    "decimals": 4,
    "digits": 7,
    "flags": {"I": "index", "F": "foot", "B": "low-battery", "O": "over-range", ".": []},
}
FORMS: dict[str, dict[str, object]] = {
    "demo": DEMO,
    "comma and CR": {**DEMO, "decimal_mark": ",", "terminator": "CR"},
    "blank fill": {**DEMO, "fill": "blank"},
    "blank plus": {**DEMO, "sign": " -", "start": "STX", "terminator": "ETX"},
    "fixed length": {**DEMO, "length": 30, "terminator": "none"},
    "implied": {**DEMO, "decimal_mark": "none"},
    "xor": {**DEMO, "start": "STX", "end": "ETX", "checksum": {"kind": "xor-8"}},
    "lrc raw": {
        **DEMO,
        "start": "STX",
        "end": "ETX",
        "terminator": "CRLF",
        "checksum": {"kind": "lrc-7", "form": "bytes", "covers": "start+content+end"},
    },
    "crc raw": {
        **DEMO,
        "length": 32,
        "terminator": "CRLF",
        "checksum": {"kind": "crc-16", "form": "bytes-low-first", "covers": "content"},
    },
    "crc hex": {**DEMO, "end": "*", "checksum": {"kind": "crc-16", "form": "hex-lower"}},
    "channel, angle, counter": {
        **DEMO,
        "pattern": "CH{channel} {value} {unit} {flags};{counter};{angle}",
        "channels": ["1", "2"],
        "angle_per_turn": 3600,
    },
}


def readings(count: int, seed: int = 7) -> list[Reading]:
    rng = Random(seed)
    flags: list[Flag] = ["index", "foot", "low-battery"]
    made = []
    for number in range(count):
        made.append(
            Reading(
                value_nm=rng.randint(-9_999_999, 9_999_999) * 100,
                flags=frozenset(flag for flag in flags if rng.random() < 0.3),
                channel=rng.choice("12"),
                counter=number,
                angle_udeg=rng.randrange(3600) * 100_000,
            )
        )
    made += [replace(made[0], value_nm=edge) for edge in (0, 999_999_900, -999_999_900)]
    made.append(replace(made[0], value_nm=None, flags=frozenset({"over-range"})))
    return made


def as_sent(reading: Reading, options: dict[str, object]) -> Reading:
    if "{channel}" in str(options["pattern"]):
        return reading
    return replace(reading, channel="", counter=None, angle_udeg=None)


@pytest.mark.parametrize("name", FORMS)
def test_what_is_encoded_is_read_back(name: str) -> None:
    options = FORMS[name]
    encoder, driver = AsciiLineEncoder(options), ascii_line.make(options)
    sent = readings(500)
    stream = b"".join(encoder.encode(reading) for reading in sent)
    assert driver.feed(stream) == [as_sent(reading, options) for reading in sent]


@pytest.mark.parametrize("step_nm", [508, 1270, 254, 127])
def test_inch_steps_are_read_back_to_the_nanometre(step_nm: int) -> None:
    options = {"unit": "inch", "decimals": 6}
    encoder, driver = AsciiLineEncoder(options), ascii_line.make(options)
    sent = [Reading(count * step_nm, "inch") for count in range(-1000, 1000)]
    assert driver.feed(b"".join(map(encoder.encode, sent))) == sent


def test_the_encoder_refuses_what_its_frame_can_not_say() -> None:
    encoder = AsciiLineEncoder({"unit": "mm", "decimals": 4, "sign": "none"})
    for reading in (
        Reading(150),
        Reading(-100),
        Reading(None, flags=frozenset({"over-range"})),
        Reading(1000, "inch"),
        Reading(10**12),
    ):
        with pytest.raises(ValueError, match=r"."):
            encoder.encode(reading)


def test_a_polled_indicator_answers_each_whole_request_once() -> None:
    options = {**DEMO, "request": {"1": "say 1\r", "2": "say 2\r"}}
    responder, driver = AsciiPollResponder(options), ascii_poll.make(options)
    shown = {"1": Reading(4100, channel="1"), "2": Reading(-5200, channel="2")}
    read: list[Reading | BadFrame] = []
    for _ in range(6):
        request = driver.next_request()
        assert request is not None
        for byte in request:
            answer = responder.respond(bytes([byte]), shown.__getitem__)
            read += driver.feed(answer)
    assert read == [shown["1"], shown["2"]] * 3


def test_noise_around_a_request_does_not_hide_it() -> None:
    responder = AsciiPollResponder({**DEMO, "request": "say\r"})
    assert responder.respond(b"\xff" * 1000 + b"say\rx", lambda _: Reading(0)) != b""
    assert responder.respond(b"\r", lambda _: Reading(0)) == b""


def test_a_spoiled_stream_gives_no_value_that_was_not_sent_when_a_crc_guards_it() -> None:
    options = FORMS["crc hex"]
    encoder, driver = AsciiLineEncoder(options), ascii_line.make(options)
    faults = LineFaults(noise=0.1, lost_byte=0.1, flipped_bit=0.1, cut=0.05, silence=0.05)
    rng = Random(3)
    sent = readings(4000)
    results = driver.feed(b"".join(spoil(encoder.encode(item), faults, rng) for item in sent))
    read = [result for result in results if not isinstance(result, BadFrame)]
    known = {as_sent(reading, options) for reading in sent}
    assert set(read) <= known
    assert len(read) > 2000


def test_a_spoiled_run_repeats_with_its_seed() -> None:
    faults = LineFaults(noise=0.5, lost_byte=0.5, flipped_bit=0.5, cut=0.5, repeat=0.5)
    runs = [
        [spoil(b"+0.041\r\n", faults, rng) for _ in range(50)] for rng in (Random(5), Random(5))
    ]
    assert runs[0] == runs[1]
    assert len(set(runs[0])) > 30
