"""Speeds and framings, tried on a wire between two UARTs (the model of simulators/uart)."""

from collections.abc import Iterator
from itertools import cycle, islice

import pytest

from daemon.recognise.sample import Piece, Sample
from daemon.recognise.search import SPEEDS_BAUD, framed, framing_of, search
from drivers import LineSettings
from simulators.uart import through_the_wire

_FRAMES_A_SECOND = 20
TEXT = [
    f"{count / 10000:+09.4f} mm\r\n".encode("ascii")
    for count in (*range(-40, 40, 7), 3, -1, 0, 25)
]
PACKED = [
    bytes.fromhex(f"AA55{abs(count):05d}{'D' if count < 0 else 'C'}")
    for count in (*range(-400, 400, 37), 3, -1, 0, 25)
]


class Wire:
    """An indicator that never stops talking, at its own settings.

    Attributes:
        tried: The settings it was heard with.
    """

    knows_speed = True

    def __init__(self, frames: list[bytes], own: LineSettings) -> None:
        self._frames = cycle(frames)
        self._own = own
        self.tried: list[LineSettings] = []

    def hear(
        self, settings: LineSettings, seconds: float, most_bytes: int, first_byte_s: float
    ) -> Sample:
        self.tried.append(settings)
        return Sample(tuple(self._pieces(settings, seconds)))

    def _pieces(self, settings: LineSettings, seconds: float) -> Iterator[Piece]:
        count = round(seconds * _FRAMES_A_SECOND)
        for number, frame in enumerate(islice(self._frames, count)):
            heard = through_the_wire(frame, self._own, settings, idle_bits=1)
            yield Piece(number * 50_000_000, False, heard)


def settings_found(frames: list[bytes], own: LineSettings) -> tuple[int, str, str] | None:
    found = search(Wire(frames, own), 3, lambda text: None)
    if found.finding is None or not found.is_confirmed:
        return None
    driver = found.finding.outcome.candidate.driver
    return found.settings.baud, framing_of(found.settings), driver


@pytest.mark.parametrize("framing", ["8N1", "7E1", "7O1", "8E1"])
@pytest.mark.parametrize("baud", SPEEDS_BAUD)
def test_speed_and_framing_of_a_text_are_found(baud: int, framing: str) -> None:
    assert settings_found(TEXT, framed(baud, framing)) == (baud, framing, "ascii-line")


@pytest.mark.parametrize("framing", ["8N1", "8E1"])
@pytest.mark.parametrize("baud", SPEEDS_BAUD)
def test_speed_and_framing_of_packed_decimals_are_found(baud: int, framing: str) -> None:
    assert settings_found(PACKED, framed(baud, framing)) == (baud, framing, "packed-bcd")


def test_odd_parity_with_eight_bits_is_heard_like_even_parity() -> None:
    assert settings_found(TEXT, framed(19200, "8O1")) == (19200, "8E1", "ascii-line")


def test_a_stream_without_a_value_still_shows_its_settings() -> None:
    found = search(Wire([b"-------- mm\r\n"], framed(4800, "7E1")), 3, lambda text: None)
    assert found.finding is None
    assert found.is_text
    assert (found.settings.baud, framing_of(found.settings)) == (4800, "7E1")


def test_silence_ends_the_search_at_once() -> None:
    wire = Wire([b""], LineSettings())
    found = search(wire, 3, lambda text: None)
    assert found.finding is None
    assert len(wire.tried) <= 3


def test_noise_is_recognised_at_no_speed() -> None:
    noise = [bytes(range(at, 256, 7)) for at in range(7)]
    assert settings_found(noise, LineSettings(19200)) is None
