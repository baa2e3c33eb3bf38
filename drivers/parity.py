"""What a wrong parity setting makes of a line's bytes."""

_FEWEST_BYTES = 6


def parity_mismatch(raw: bytes) -> str | None:
    """Return what the bytes look like if they were 7-bit characters read as 8N1.

    A seven-bit character with parity arrives as eight bits whose top bit is the parity.
    It is told and never masked away: the line must be set right. None where fewer than six
    bytes, or bytes of both parities, leave it open.
    """
    if len(raw) < _FEWEST_BYTES or not any(byte & 0x80 for byte in raw):
        return None
    odd = [byte.bit_count() & 1 for byte in raw]
    if not any(odd):
        return "looks like 7E1 read as 8N1"
    if all(odd):
        return "looks like 7O1 read as 8N1"
    if all(byte & 0x80 for byte in raw):
        return "looks like 7N2 read as 8N1"
    return None
