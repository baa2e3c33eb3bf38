"""Where on the turn each reading of a sweep was taken, by what the bench knows of it.

An index (with a second flag, where there is one) and an encoder have a zero of their own, so
that they give an angle of the spindle; speed and period tell only how far it has come since
the first reading.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from rules.own_period import own_period_ns
from rules.spindle_angle import TURN_UDEG, unwrapped
from rules.sweep import Sweep, SweepRules

__all__ = ["SweepAngle", "sweep_angle"]


@dataclass(frozen=True, slots=True)
class SweepAngle:
    """The angle at each reading, in turns.

    Attributes:
        gone: How far the spindle has come since the first whole turn began; rises, and is
            below 0 before it.
        angle: Angle of the spindle from the zero of index or encoder, positive in its sense
            of turning (an encoder's own sense); None where nothing marks a zero.
    """

    gone: tuple[float, ...]
    angle: tuple[float, ...] | None = None


def sweep_angle(sweep: Sweep, rules: SweepRules) -> SweepAngle | None:
    """Return the angle at each reading; None where nothing tells it, or no whole turn came.

    The indicator's delay is taken off ``angle``: what it says belongs to where the spindle
    was.
    """
    if not sweep.at_ns:
        return None
    match rules.proof:
        case "index":
            return _by_index(sweep, rules)
        case "angle":
            return _by_encoder(sweep, rules)
        case "speed":
            return _by_time(sweep, rules.turn_ns)
        case "period":
            return _by_time(sweep, own_period_ns(sweep, rules) or 0)


def _by_time(sweep: Sweep, turn_ns: int) -> SweepAngle | None:
    if not turn_ns:
        return None
    first_ns = sweep.at_ns[0]
    return SweepAngle(tuple((at - first_ns) / turn_ns for at in sweep.at_ns))


def _by_encoder(sweep: Sweep, rules: SweepRules) -> SweepAngle | None:
    if len(sweep.angle_udeg) != len(sweep.at_ns):
        return None
    gone = tuple(way / TURN_UDEG for way in unwrapped(sweep.angle_udeg))
    span_ns = sweep.at_ns[-1] - sweep.at_ns[0]
    late = rules.delay_ns * gone[-1] / span_ns if span_ns else 0.0
    # Unwrapped angles rise whichever way it went; the encoder's zero has its own sense.
    half = TURN_UDEG // 2
    steps = ((b - a + half) % TURN_UDEG - half for a, b in pairwise(sweep.angle_udeg))
    sense = 1 if sum(steps) >= 0 else -1
    start = sweep.angle_udeg[0] / TURN_UDEG
    return SweepAngle(gone, tuple(start + sense * (way - late) for way in gone))


def _by_index(sweep: Sweep, rules: SweepRules) -> SweepAngle | None:
    if len(sweep.index_ns) < 2:
        return None
    second = rules.second_flag_deg / 360
    share = _share_of_second(sweep) if second else None
    is_back = share is not None and abs(1 - second - share) < abs(second - share)
    knots = _knots(sweep, 1 - second if is_back else second)
    gone = tuple(_between(knots, at) for at in sweep.at_ns)
    length_ns = (sweep.index_ns[-1] - sweep.index_ns[0]) / (len(sweep.index_ns) - 1)
    late = rules.delay_ns / length_ns
    sense = -1 if is_back else 1
    return SweepAngle(gone, tuple(sense * (way - late) for way in gone))


def _share_of_second(sweep: Sweep) -> float | None:
    """Return at which part of the time of its turn the second flag passed first."""
    for start, end in pairwise(sweep.index_ns):
        for at in sweep.second_ns:
            if start < at < end:
                return (at - start) / (end - start)
    return None


def _knots(sweep: Sweep, second: float) -> list[tuple[int, float]]:
    """Return times at which the angle is known, and the angle in turns."""
    knots = [(at, float(turn)) for turn, at in enumerate(sweep.index_ns)]
    if second:
        for turn, (start, end) in enumerate(pairwise(sweep.index_ns)):
            knots += [(at, turn + second) for at in sweep.second_ns if start < at < end]
    return sorted(knots)


def _between(knots: Sequence[tuple[int, float]], at_ns: int) -> float:
    """Return the angle at a time, even between the knots on either side and beyond the last."""
    later = min(max(1, bisect_right(knots, (at_ns, 0.0))), len(knots) - 1)
    (from_ns, low), (to_ns, high) = knots[later - 1], knots[later]
    return low + (high - low) * (at_ns - from_ns) / (to_ns - from_ns)
