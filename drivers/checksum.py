"""Checksums of serial frames, each the way its open definition has it."""

from collections.abc import Callable, Mapping
from functools import reduce
from operator import xor

from drivers.contract import Guard


def xor_8(data: bytes) -> int:
    """Return the exclusive-or of all bytes."""
    return reduce(xor, data, 0)


def lrc_7(data: bytes) -> int:
    """Return the longitudinal redundancy check of 7-bit characters (ISO 1155, even parity).

    Each of the seven bits is the parity of its column; a parity bit is no part of it.
    """
    return xor_8(data) & 0x7F


def sum_8(data: bytes) -> int:
    """Return the sum of all bytes modulo 256."""
    return sum(data) & 0xFF


def crc_16(data: bytes) -> int:
    """Return the CRC-16 of Modbus: polynomial 0x8005 reflected, start 0xFFFF.

    "MODBUS over serial line specification and implementation guide V1.02", section 6.2.2.
    """
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = byte >> 1 ^ 0xA001 if byte & 1 else byte >> 1
        table.append(byte)
    return tuple(table)


_CRC_TABLE = _crc_table()


def guard_of(kind: str | None) -> Guard:
    """Return how well a checksum guards a frame; None for no checksum."""
    if kind is None:
        return "none"
    return "crc" if kind.startswith("crc") else "weak"


CHECKSUMS: Mapping[str, tuple[Callable[[bytes], int], int]] = {
    "xor-8": (xor_8, 1),
    "lrc-7": (lrc_7, 1),
    "sum-8": (sum_8, 1),
    "crc-16": (crc_16, 2),
}
"""Name in a bench file → the function and how many bytes it gives."""
