"""Seven-bit characters read as eight: the top bit then is a parity, and gives itself away."""

from dataclasses import dataclass

from daemon.recognise.sample import Sample

_FEWEST_BYTES = 24
_LEAST_SHARE = 0.97
"""Some noise is allowed for; by chance a byte fits every second time."""


@dataclass(frozen=True, slots=True)
class Characters:
    """The bytes as the indicator meant them.

    Attributes:
        sample: Without parity bits.
        framing: What the parity bits show; None where there are none.
    """

    sample: Sample
    framing: str | None


def read_characters(sample: Sample) -> Characters:
    """Return the sample as seven-bit characters if its bytes show a parity, else as it is."""
    framing = _seen_parity(sample.heard)
    if framing is None:
        return Characters(sample, None)
    plain = sample.translated(lambda data: bytes(byte & 0x7F for byte in data))
    return Characters(plain, framing)


def _seen_parity(data: bytes) -> str | None:
    if len(data) < _FEWEST_BYTES:
        return None
    needed = _LEAST_SHARE * len(data)
    tops = sum(byte >> 7 for byte in data)
    odd = sum(byte.bit_count() & 1 for byte in data)
    if not tops or text_share(bytes(byte & 0x7F for byte in data)) < _LEAST_SHARE:
        return None
    if tops >= needed:
        return "7N2"
    if len(data) - odd >= needed:
        return "7E1"
    return "7O1" if odd >= needed else None


def text_share(data: bytes) -> float:
    """Return the share of bytes that a text could hold."""
    return sum(is_text(byte) for byte in data) / len(data) if data else 0.0


def is_text(byte: int) -> bool:
    """Return True for printable characters and those that frame a message (ISO 646)."""
    return 0x20 <= byte < 0x7F or byte in b"\x02\x03\x04\x05\x06\x09\x0a\x0d\x15"
