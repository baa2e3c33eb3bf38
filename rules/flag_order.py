"""Two flags at unequal angles: the order of their passing shows turning from rocking.

A spindle that turns passes them in turn. One that is rocked passes one of them twice, unless
it is reversed on a flag both times; then the way out and the way back are the same, while
the two ways round are not, and the time between the flags shows it.
"""

from collections.abc import Sequence
from itertools import pairwise


def flags_out_of_order(
    index_ns: Sequence[int], second_ns: Sequence[int], second_deg: int
) -> bool:
    """Return whether the flags of some whole turns passed as no turning spindle passes them.

    Args:
        index_ns: Times of the index flag, ascending.
        second_ns: Times of the second flag, ascending.
        second_deg: Angle from index to second flag, degrees; not near 0, 180 or 360.
    """
    ways = set()
    for start, end in pairwise(index_ns):
        between = [at for at in second_ns if start < at < end]
        if len(between) != 1:
            return True
        ways.add(_way((between[0] - start) / (end - start), second_deg / 360))
    return len(ways) > 1 or None in ways


def _way(share: float, expected: float) -> int | None:
    """Return +1 or -1 for a share of the turn that fits either way round, None for neither.

    Halfway between what a steady turn and a rocked one show is where they are told apart.
    """
    unequal = abs(expected - 0.5)
    off = share - 0.5
    if abs(off) < unequal / 2:
        return None
    return 1 if (off > 0) == (expected > 0.5) else -1
