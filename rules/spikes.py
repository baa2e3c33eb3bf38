"""Spikes: an isolated reading that stands out of its neighbours in one turn and in no other.

Dirt under the stylus or a fault of the line. What belongs to the pin comes back at the same
angle in the next turn. A spike is never taken out: the sweep has no result.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from operator import sub

from rules.sweep import Sweep
from rules.turns import Turn

_LEAST_STEPS = 4
_LEAST_DEVIATIONS = 8
_MAD_TO_DEVIATION = 1.4826
"""Median absolute deviation to standard deviation of normal noise (common practice)."""


def spikes(
    sweep: Sweep, turns: Sequence[Turn], step_nm: int, least_nm: int, noise_deviations: int
) -> frozenset[int]:
    """Return the times of spikes of at least ``least_nm`` in the turns of a sweep.

    With one turn alone nothing can be compared: none is found. What all readings of a noisy
    indicator do is no spike: it has to lie so many deviations of theirs off the line between
    its neighbours.
    """
    least_nm = max(least_nm, _LEAST_STEPS * step_nm)
    if len(turns) < 2:
        return frozenset()
    first = max(1, bisect_left(sweep.at_ns, turns[0].start_ns))
    end = min(len(sweep.at_ns) - 1, bisect_right(sweep.at_ns, turns[-1].end_ns))
    near = sweep.value_nm[first - 1 : end + 1]
    if max(map(abs, map(sub, near[1:], near)), default=0) < least_nm:
        return frozenset()  # no reading is so far from either neighbour, nor from their line
    high = {i: _excess(sweep, i) for i in range(first, end)}
    if not any(abs(size) >= least_nm for size in high.values()):
        return frozenset()  # almost always; the rest costs more than all other checks
    lying = sorted(map(abs, high.values()))
    noise_nm = _MAD_TO_DEVIATION * lying[len(lying) // 2]
    places = _places(sweep, turns, first, end)
    apart = {i: _apart(i, high, places) for i in high if i in places}
    sizes = sorted(apart.values())
    deviation = _MAD_TO_DEVIATION * sizes[len(sizes) // 2] if sizes else 0.0
    limit = max(least_nm, _LEAST_DEVIATIONS * deviation, noise_deviations * noise_nm)
    found = (i for i, size in apart.items() if size >= limit and _stands_out(i, high))
    return frozenset(sweep.at_ns[i] for i in found)


def _excess(sweep: Sweep, i: int) -> float:
    """Return how far a reading lies off the line between its neighbours, nm."""
    before, at, after = sweep.at_ns[i - 1 : i + 2]
    low, value, high = sweep.value_nm[i - 1 : i + 2]
    share = (at - before) / (after - before) if after > before else 0.5
    return value - low - share * (high - low)


def _places(
    sweep: Sweep, turns: Sequence[Turn], first: int, end: int
) -> dict[int, tuple[int, float]]:
    """Return for each reading which turn it is in and where in the turn, 0 to 1."""
    places = {}
    for number, turn in enumerate(turns):
        for i in range(first, end):
            if turn.start_ns <= sweep.at_ns[i] < turn.close_ns:
                places[i] = (number, turn.share_at(sweep.at_ns[i]))
    return places


def _apart(i: int, high: dict[int, float], places: dict[int, tuple[int, float]]) -> float:
    """Return by how much a reading stands out more than its like in any other turn."""
    mine, where = places[i]
    best = abs(high[i])
    for number in {number for number, _ in places.values()} - {mine}:
        others = sorted(
            (min(abs(share - where), 1 - abs(share - where)), j)
            for j, (turn, share) in places.items()
            if turn == number
        )
        best = min([best, *(abs(high[i] - high[j]) for _, j in others[:3])])
    return best


def _stands_out(i: int, high: dict[int, float]) -> bool:
    """Return whether it is the peak, not a neighbour that the peak only makes look low."""
    return abs(high[i]) >= max(abs(high.get(i - 1, 0.0)), abs(high.get(i + 1, 0.0)))
