"""How late an indicator speaks, from the eccentric master turned at two speeds.

What is read a delay d late, on a spindle that takes T for a turn, seems to lie d / T of a turn
further on. So the high spot of one and the same tightening moves with the speed, and between
two speeds by d (1/T_fast − 1/T_slow): only the flags and the readings have to come over the
same wires at both. Averaging delays too, by half its time, and flattens besides; that shows
as an eccentricity that shrinks with the speed.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import floor, sqrt
from statistics import fmean

from rules.diagnosis import delay_ns, unwrapped_step
from rules.spindle_angle import TURN_UDEG, unwrapped
from rules.sweep import Sweep, SweepRules
from rules.sweep_angle import sweep_angle
from rules.vectors import VectorError, sweep_vector

LEAST_TURNS = 3
"""A spread of directions needs more than two."""

_LEAST_RATIO_PERCENT = 125
"""Two speeds closer than that move the high spot by less than its own scatter allows."""

_STEADY_PERCENT = 5
"""By how much a turn may take longer or shorter than the mean of its recording."""

_UDEG = 1_000_000


class DelayError(ValueError):
    """Two recordings that show no delay; the message says why and what is accepted."""


@dataclass(frozen=True, slots=True)
class Turning:
    """The eccentric master at one speed.

    Attributes:
        turn_ns: Mean time of a turn.
        turns: How many were evaluated.
        eccentricity_nm: Amplitude of the first harmonic.
        direction_udeg: Spindle angle at the high spot, in the sense of turning.
        doubt_udeg: Standard uncertainty of that, from its spread over the turns.
    """

    turn_ns: int
    turns: int
    eccentricity_nm: int
    direction_udeg: int
    doubt_udeg: int


@dataclass(frozen=True, slots=True)
class Delay:
    """What two speeds say.

    Attributes:
        delay_ns: By how much the indicator speaks late; negative where what marks the
            angle comes later still, as an index that travels in the frames does.
        uncertainty_ns: Expanded uncertainty of it, 95 %: few turns widen it.
        slow: The slower one.
        fast: The faster one.
    """

    delay_ns: int
    uncertainty_ns: int
    slow: Turning
    fast: Turning

    @property
    def is_shown(self) -> bool:
        """Return whether there is a delay beyond doubt."""
        return abs(self.delay_ns) > self.uncertainty_ns

    @property
    def flattened_percent(self) -> float:
        """Return by how much the eccentricity shrinks from the slow speed to the fast."""
        return 100 * (1 - self.fast.eccentricity_nm / self.slow.eccentricity_nm)


def indicator_delay(first: Sweep, second: Sweep, rules: SweepRules) -> Delay:
    """Return how late the indicator speaks.

    Args:
        first: Readings and marks of at least ``LEAST_TURNS`` whole turns of one tightening.
        second: The same tightening at another speed; which is the faster one is seen.
        rules: How the angle is known; a delay in it is left out of account.

    Raises:
        DelayError: If a sweep shows no steady turns, or both show much the same speed.
    """
    fast, slow = sorted(
        (turning(sweep, rules) for sweep in (first, second)), key=lambda one: one.turn_ns
    )
    if slow.turn_ns * 100 < fast.turn_ns * _LEAST_RATIO_PERCENT:
        raise DelayError(
            f"turns of {slow.turn_ns / 1e9:.2f} and {fast.turn_ns / 1e9:.2f} s: accepted are"
            f" two speeds, one at least {_LEAST_RATIO_PERCENT / 100:g} times the other"
        )
    per_turn = 1 / fast.turn_ns - 1 / slow.turn_ns
    doubt = sqrt(fast.doubt_udeg**2 + slow.doubt_udeg**2) / TURN_UDEG
    found_ns = delay_ns(slow.direction_udeg, slow.turn_ns, fast.direction_udeg, fast.turn_ns)
    factor = _coverage(min(fast.turns, slow.turns) - 1)
    return Delay(found_ns, round(factor * doubt / per_turn), slow, fast)


def _coverage(degrees_of_freedom: int) -> float:
    """Return Student's factor for 95 %, as JCGM 100:2008, G.3, takes it (from memory)."""
    from scipy.stats import t

    return float(t.ppf(0.975, degrees_of_freedom))


def turning(sweep: Sweep, rules: SweepRules) -> Turning:
    """Return what the master shows at one speed.

    Raises:
        DelayError: If nothing marks a zero, the turns are too few, or not steady.
    """
    lengths_ns = _turns(sweep, rules)
    if len(lengths_ns) < LEAST_TURNS:
        raise DelayError(
            f"{len(lengths_ns)} whole turns by {rules.proof}: accepted are {LEAST_TURNS} or"
            " more"
        )
    turn_ns = round(fmean(lengths_ns))
    worst_ns = max(abs(length - turn_ns) for length in lengths_ns)
    if worst_ns * 100 > turn_ns * _STEADY_PERCENT:
        raise DelayError(
            f"turns of {min(lengths_ns) / 1e9:.2f} to {max(lengths_ns) / 1e9:.2f} s: accepted"
            f" is a steady speed, within {_STEADY_PERCENT} % of its mean"
        )
    asked = replace(rules, turns=len(lengths_ns), delay_ns=0)
    try:
        found = sweep_vector(sweep, asked)
    except VectorError as error:
        raise DelayError(str(error)) from error
    sense = _sense(sweep, asked)
    directions = [sense * round(one.direction_deg * _UDEG) for one in found.turns]
    start = directions[0]
    steps = [unwrapped_step(direction - start) for direction in directions]
    mean = fmean(steps)
    spread = sqrt(sum((step - mean) ** 2 for step in steps) / (len(steps) - 1) / len(steps))
    return Turning(
        turn_ns,
        len(lengths_ns),
        round(found.whole.amplitude_nm),
        round(start + mean) % TURN_UDEG,
        round(spread),
    )


def _turns(sweep: Sweep, rules: SweepRules) -> Sequence[int]:
    """Return how long each whole turn took."""
    if rules.proof != "angle":
        return [later - at for at, later in pairwise(sweep.index_ns)]
    gone = unwrapped(sweep.angle_udeg) or (0,)
    marks = [
        _passed(gone, sweep.at_ns, turn) for turn in range(floor(gone[-1] / TURN_UDEG) + 1)
    ]
    return [later - at for at, later in pairwise(marks)]


def _sense(sweep: Sweep, rules: SweepRules) -> int:
    """Return 1 where the angle rises as it turns, else -1."""
    found = sweep_angle(sweep, rules)
    if found is None or found.angle is None:
        return 1
    return 1 if found.angle[-1] > found.angle[0] else -1


def _passed(gone: Sequence[int], at_ns: Sequence[int], turn: int) -> int:
    """Return when so many turns were gone, even between two readings."""
    way = turn * TURN_UDEG
    for (before, after), (from_ns, to_ns) in zip(pairwise(gone), pairwise(at_ns), strict=True):
        if before <= way <= after and after > before:
            return from_ns + (to_ns - from_ns) * (way - before) // (after - before)
    return at_ns[-1]
