"""The UART model: equal settings are clean, every mismatch shows what a real one shows."""

from itertools import product
from random import Random
from typing import Literal

import pytest

from drivers.ascii_line import make
from drivers.contract import BadFrame, LineSettings
from rules.reading import Reading
from simulators.uart import Character, bits_of, sampled, through_the_wire

FRAME = b"+0.004\r\n"
PARITIES: tuple[Literal["N", "E", "O"], ...] = ("N", "E", "O")
DATA_BITS: tuple[Literal[7, 8], ...] = (7, 8)
STOP_BITS: tuple[Literal[1, 2], ...] = (1, 2)
EIGHT_N_ONE = LineSettings()


def test_a_character_is_start_data_lowest_first_parity_and_stop() -> None:
    # "+" is 2B hex: 1101 010 from the lowest bit, four ones.
    even = LineSettings(data_bits=7, parity="E")
    odd = LineSettings(data_bits=7, parity="O", stop_bits=2)
    assert bits_of(b"+", even) == [0, 1, 1, 0, 1, 0, 1, 0, 0, 1]
    assert bits_of(b"+", odd, idle_bits=1) == [0, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 1]


@pytest.mark.parametrize("parity", PARITIES)
@pytest.mark.parametrize("data_bits", DATA_BITS)
@pytest.mark.parametrize("stop_bits", STOP_BITS)
def test_equal_settings_deliver_what_was_sent(
    parity: Literal["N", "E", "O"], data_bits: Literal[7, 8], stop_bits: Literal[1, 2]
) -> None:
    rng = Random(4)
    data = bytes(rng.randrange(1 << data_bits) for _ in range(300))
    for baud in (1200, 9600, 115200):
        line = LineSettings(baud, data_bits, parity, stop_bits)
        assert through_the_wire(data, line, line, idle_bits=rng.randrange(3)) == data
        characters = list(sampled(bits_of(data, line), baud, line))
        assert characters == [Character(byte) for byte in data]


@pytest.mark.parametrize(
    ("parity", "read_as"),
    [
        # "+0.004" CR LF, by hand: the top bit makes the ones of each byte even, or odd.
        ("E", "2B 30 2E 30 30 B4 8D 0A"),
        ("O", "AB B0 AE B0 B0 34 0D 8A"),
    ],
)
def test_seven_bits_with_parity_arrive_with_the_parity_on_top(
    parity: Literal["E", "O"], read_as: str
) -> None:
    sent = LineSettings(data_bits=7, parity=parity)
    assert through_the_wire(FRAME, sent, EIGHT_N_ONE) == bytes.fromhex(read_as)


def test_eight_bits_without_parity_read_as_seven_even_shows_parity_errors() -> None:
    asked = LineSettings(data_bits=7, parity="E")
    characters = list(sampled(bits_of(FRAME, EIGHT_N_ONE), 9600, asked))
    assert bytes(each.value for each in characters) == FRAME
    odd = [each.has_parity_error for each in characters]
    assert odd == [byte.bit_count() % 2 == 1 for byte in FRAME]


@pytest.mark.parametrize("factor", [0.96, 0.98, 1.02, 1.04])
def test_a_clock_a_few_percent_off_is_still_read(factor: float) -> None:
    # Half a bit over the nine and a half bits to the middle of the stop bit: 5 %
    # (common practice, no source).
    asked = LineSettings(baud=round(10_000 * factor))
    assert through_the_wire(FRAME, LineSettings(baud=10_000), asked) == FRAME


@pytest.mark.parametrize("factor", [0.93, 1.07])
def test_a_clock_further_off_is_not(factor: float) -> None:
    asked = LineSettings(baud=round(10_000 * factor))
    assert through_the_wire(FRAME, LineSettings(baud=10_000), asked) != FRAME


@pytest.mark.parametrize(("sent", "asked"), [(9600, 4800), (9600, 19200), (1200, 115200)])
def test_a_wrong_speed_gives_no_reading(sent: int, asked: int) -> None:
    driver = make({"unit": "mm", "decimals": 3, "digits": 4})
    arriving = through_the_wire(FRAME * 50, LineSettings(baud=sent), LineSettings(baud=asked))
    assert arriving
    assert not [each for each in driver.feed(arriving) if isinstance(each, Reading)]


def test_a_framing_error_is_delivered_as_a_zero_byte() -> None:
    # A break: the line is low for twenty bits.
    characters = list(sampled([0] * 20 + [1] * 5, 9600, EIGHT_N_ONE))
    assert characters == [Character(0, has_framing_error=True)]
    assert through_the_wire(b"\x00", LineSettings(baud=4800), EIGHT_N_ONE) == b"\x00"


def test_a_glitch_shorter_than_half_a_bit_is_no_start() -> None:
    glitch = [1, 1, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1]
    assert list(sampled(glitch, 38400, EIGHT_N_ONE)) == []


def test_every_mismatch_of_parity_is_told_by_the_driver_or_gives_no_wrong_value() -> None:
    settings = [
        LineSettings(9600, data_bits, parity, 1)
        for data_bits, parity in product(DATA_BITS, PARITIES)
    ]
    frames = b"+0.004\r\n-1.237\r\n+0.815\r\n"
    truth = {4_000, -1_237_000, 815_000}
    for sent, asked in product(settings, settings):
        driver = make({"unit": "mm", "decimals": 3, "digits": 4})
        arriving = through_the_wire(frames * 12, sent, asked, idle_bits=2)
        results = driver.feed(arriving)
        read = {each.value_nm for each in results if isinstance(each, Reading)}
        assert read <= truth, (sent, asked)
        if sent.data_bits == 7 and sent.parity != "N" and asked == EIGHT_N_ONE:
            told = [each.reason for each in results if isinstance(each, BadFrame)]
            assert any(f"looks like 7{sent.parity}1" in reason for reason in told)
