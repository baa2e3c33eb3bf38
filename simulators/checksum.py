"""Checksums as a sender makes them: bit by bit from their definitions, slow and plain.

Written apart from ``drivers.checksum``, so that one misreading can't hide in both.
"""


def checksum(kind: str, data: bytes) -> tuple[int, int]:
    """Return a checksum's number and its width in bytes.

    Raises:
        ValueError: If the kind is unknown.
    """
    match kind:
        case "xor-8":
            return _columns(data, 8), 1
        case "lrc-7":
            return _columns(data, 7), 1
        case "sum-8":
            total = 0
            for byte in data:
                total = (total + byte) % 256
            return total, 1
        case "crc-16":
            return _crc_16(data), 2
        case _:
            raise ValueError(f"no checksum named {kind!r}")


def _columns(data: bytes, bits: int) -> int:
    """Return the parity of each bit's column: 1 where an odd number of bytes has it set."""
    return sum(sum(byte >> bit & 1 for byte in data) % 2 << bit for bit in range(bits))


def _crc_16(data: bytes) -> int:
    """Return the remainder of Modbus' CRC-16 by shifting out each bit, lowest first."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return register
