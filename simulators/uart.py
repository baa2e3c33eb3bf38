"""The wire between two UARTs: bits sent at one speed and parity, sampled at another.

A pseudo-terminal knows neither, so this model stands in wherever they matter: behind
RFC 2217 and in recordings. All times are whole numbers: a unit of time is one second over
twice the product of both speeds, so that half a bit of either side is one.
"""

from collections.abc import Iterator
from dataclasses import dataclass

from drivers.contract import LineSettings

IDLE, START = 1, 0


@dataclass(frozen=True, slots=True)
class Character:
    """What the receiver's UART made of one character.

    Attributes:
        value: The data bits, lowest first on the wire.
        has_parity_error: The parity bit was not the one asked for.
        has_framing_error: The line was low where the stop bit should be.
    """

    value: int
    has_parity_error: bool = False
    has_framing_error: bool = False


def bits_of(data: bytes, line: LineSettings, idle_bits: int = 0) -> list[int]:
    """Return the line's levels, one a bit: start, data lowest first, parity, stop.

    Args:
        data: What is sent; with 7 data bits the top bit is not.
        line: The sender's settings.
        idle_bits: How many bits the line rests after each character, at least 0.
    """
    bits: list[int] = []
    for byte in data:
        ones = [byte >> place & 1 for place in range(line.data_bits)]
        bits.append(START)
        bits += ones
        if line.parity != "N":
            bits.append(_parity_bit(sum(ones), line.parity))
        bits += [IDLE] * (line.stop_bits + idle_bits)
    return bits


def _parity_bit(ones: int, parity: str) -> int:
    return ones % 2 if parity == "E" else 1 - ones % 2


def sampled(bits: list[int], sent_baud: int, asked: LineSettings) -> Iterator[Character]:
    """Yield the characters that a receiver sees: each bit is sampled once, in its middle.

    The line is idle before the first bit and after the last one. A start that is not low in
    its middle is no start; after a framing error the line must be high before the next.

    Args:
        bits: The line's levels, one a bit of the sender.
        sent_baud: The sender's speed.
        asked: The receiver's settings; of two stop bits the first is looked at.
    """
    wire = _Wire(bits, sent_baud, asked.baud)
    edge = wire.next_fall(0)
    while edge is not None:
        now = edge + wire.half_bit
        if wire.level(now) != START:
            edge = wire.next_fall(now)
            continue
        value = 0
        for place in range(asked.data_bits):
            now += 2 * wire.half_bit
            value |= wire.level(now) << place
        is_wrong = False
        if asked.parity != "N":
            now += 2 * wire.half_bit
            is_wrong = wire.level(now) != _parity_bit(value.bit_count(), asked.parity)
        now += 2 * wire.half_bit
        yield Character(value, is_wrong, wire.level(now) != IDLE)
        edge = wire.next_fall(now)


class _Wire:
    """The levels over time, in the common unit of both speeds."""

    def __init__(self, bits: list[int], sent_baud: int, asked_baud: int) -> None:
        self._bits = bits
        self._sent_bit = 2 * asked_baud
        self.half_bit = sent_baud

    def level(self, time: int) -> int:
        """Return the level at a time."""
        at = time // self._sent_bit
        return self._bits[at] if at < len(self._bits) else IDLE

    def next_fall(self, time: int) -> int | None:
        """Return when the line next falls from high to low, None if it does not.

        A line that is low at the time must rise first.
        """
        at = time // self._sent_bit
        before = IDLE if time == 0 else self.level(time)
        for number in range(at if time == 0 else at + 1, len(self._bits)):
            if before == IDLE and self._bits[number] == START:
                return number * self._sent_bit
            before = self._bits[number]
        return None


def delivered(characters: Iterator[Character]) -> bytes:
    """Return the bytes a program gets from a port opened as pyserial opens it.

    Parity is not checked on input (INPCK off): the byte comes as it is. A character with a
    framing error comes as a zero byte (IGNPAR and PARMRK off). termios(3), from memory.
    """
    return bytes(0 if each.has_framing_error else each.value for each in characters)


def through_the_wire(
    data: bytes, sent: LineSettings, asked: LineSettings, idle_bits: int = 0
) -> bytes:
    """Return what a program reads when data is sent with one setting and read with another."""
    return delivered(sampled(bits_of(data, sent, idle_bits), sent.baud, asked))
