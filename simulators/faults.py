"""What goes wrong on a cable: noise, lost bytes, cut frames, silence. Seeded."""

from dataclasses import dataclass
from random import Random


@dataclass(frozen=True, slots=True)
class LineFaults:
    """How likely each fault is for one frame, 0 to 1.

    Attributes:
        noise: Random bytes in front of the frame (1 to ``most_noise_bytes``).
        lost_byte: One byte of the frame is missing.
        flipped_bit: One bit of the frame is the other way.
        cut: The frame ends early.
        silence: The frame does not come at all.
        repeat: The frame comes twice.
        most_noise_bytes: The longest burst of noise, at least 1.
    """

    noise: float = 0.0
    lost_byte: float = 0.0
    flipped_bit: float = 0.0
    cut: float = 0.0
    silence: float = 0.0
    repeat: float = 0.0
    most_noise_bytes: int = 20


def spoil(frame: bytes, faults: LineFaults, rng: Random) -> bytes:
    """Return the bytes that arrive where this frame was sent; empty where none do."""
    drawn = [rng.random() for _ in range(6)]
    arriving = frame
    if drawn[0] < faults.lost_byte and arriving:
        at = rng.randrange(len(arriving))
        arriving = arriving[:at] + arriving[at + 1 :]
    if drawn[1] < faults.flipped_bit and arriving:
        arriving = flip_bit(arriving, rng.randrange(8 * len(arriving)))
    if drawn[2] < faults.cut and arriving:
        arriving = arriving[: rng.randrange(len(arriving))]
    if drawn[3] < faults.repeat:
        arriving += arriving
    if drawn[4] < faults.silence:
        arriving = b""
    if drawn[5] < faults.noise:
        arriving = rng.randbytes(rng.randint(1, faults.most_noise_bytes)) + arriving
    return arriving


def flip_bit(frame: bytes, bit: int) -> bytes:
    """Return the frame with one bit the other way; bit 0 is the lowest of the first byte."""
    at, place = divmod(bit, 8)
    return frame[:at] + bytes([frame[at] ^ 1 << place]) + frame[at + 1 :]
