"""The spindle's angle as the frames tell it: unwrapped, and which way it went."""

from collections.abc import Sequence
from itertools import accumulate, islice, pairwise
from operator import sub

TURN_UDEG = 360_000_000

BACK_UDEG = 5_000_000
"""So far a spindle may go back before it was turned back: play, an encoder's last digit."""


def unwrapped(angle_udeg: Sequence[int]) -> tuple[int, ...]:
    """Return how far the spindle has come since the first angle, positive the way it went.

    From one reading to the next it is taken to go the shorter way round; a bench that turns
    half a turn between two readings has too few of them, which the gaps then show.
    """
    half = TURN_UDEG // 2
    steps = ((b - a + half) % TURN_UDEG - half for a, b in pairwise(angle_udeg))
    gone = tuple(accumulate(steps, initial=0)) if angle_udeg else ()
    if gone and abs(min(gone)) > max(gone):
        return tuple(-way for way in gone)
    return gone


def went_back(gone_udeg: Sequence[int]) -> bool:
    """Return whether a spindle went back by more than play at any time."""
    furthest = islice(accumulate(gone_udeg, max, initial=0), 1, None)
    return max(map(sub, furthest, gone_udeg), default=0) > BACK_UDEG
