"""Whole turns of a sweep: where they begin and end, and what each shows by itself."""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from itertools import groupby, pairwise
from math import acos, pi

from rules.sweep import Sweep, SweepRules

_FLAT_MARGIN = 0.15
"""Share of a turn tolerated at an extreme beyond what rounding to the step explains."""

_FLICKER_STEPS = 6
"""From so many steps of TIR on, a last digit that flickers is not the run-out itself."""


@dataclass(frozen=True, slots=True)
class Turn:
    """Readings of one whole turn, both ends included.

    Attributes:
        at_ns: Times of its readings.
        value_nm: Their values.
        start_ns: When it began.
        close_ns: When the pin was back where it began.
        end_ns: How far it was swept: never before ``close_ns``.
        closure_nm: Difference of the indication between start and close.
    """

    at_ns: tuple[int, ...]
    value_nm: tuple[int, ...]
    start_ns: int
    close_ns: int
    end_ns: int
    closure_nm: int

    @property
    def high_nm(self) -> int:
        """Return its largest value."""
        return max(self.value_nm)

    @property
    def low_nm(self) -> int:
        """Return its smallest value."""
        return min(self.value_nm)

    @property
    def tir_nm(self) -> int:
        """Return largest minus smallest value."""
        return self.high_nm - self.low_nm

    @property
    def length_ns(self) -> int:
        """Return how long the turn took."""
        return self.close_ns - self.start_ns

    @property
    def samples(self) -> int:
        """Return how many readings came in the turn: an end on a reading counts once."""
        return bisect_left(self.at_ns, self.close_ns)

    @property
    def gap_ns(self) -> int:
        """Return the longest time without a reading, seen round the turn.

        What is missing at its end and at its beginning is one gap: in the angle they meet.
        """
        over_the_ends = self.at_ns[0] - self.start_ns + self.end_ns - self.at_ns[-1]
        inside = (later - earlier for earlier, later in pairwise(self.at_ns))
        return max(over_the_ends, max(inside, default=0))

    def longest_held(self) -> tuple[int, float]:
        """Return the value it stayed on longest, and for which share of the turn."""
        runs = ((len(list(run)), value) for value, run in groupby(self.value_nm))
        length, value = max(runs)
        return value, (length - 1) / len(self.value_nm)


def whole_turns(sweep: Sweep, rules: SweepRules) -> list[Turn]:
    """Return the first ``turns`` whole turns of a sweep, or as many as there are."""
    turns = []
    for start, close, end in _borders(sweep, rules):
        first, last = bisect_left(sweep.at_ns, start), bisect_right(sweep.at_ns, end)
        if last - first < 2:
            continue
        closure = abs(_value_at(sweep, close) - _value_at(sweep, start))
        at_ns, value_nm = sweep.at_ns[first:last], sweep.value_nm[first:last]
        turns.append(Turn(at_ns, value_nm, start, close, end, closure))
    return turns


def _borders(sweep: Sweep, rules: SweepRules) -> list[tuple[int, int, int]]:
    """Return start, closing time and end of each turn wanted, as far as swept."""
    if not sweep.at_ns:
        return []
    last_ns = sweep.at_ns[-1]
    if rules.proof == "index":
        pairs = list(pairwise(sweep.index_ns))[: rules.turns]
        return [(start, end, end) for start, end in pairs if end <= last_ns]
    start, length = sweep.at_ns[0], rules.swept_turn_ns
    wanted = [start + turn * length for turn in range(rules.turns)]
    return [(t, t + rules.turn_ns, t + length) for t in wanted if t + length <= last_ns]


def _value_at(sweep: Sweep, at_ns: int) -> int:
    """Return the indication at a time, linear between its neighbours (for closure only)."""
    later = bisect_left(sweep.at_ns, at_ns)
    if later == 0:
        return sweep.value_nm[0]
    if later == len(sweep.at_ns):
        return sweep.value_nm[-1]
    earlier = later - 1
    span = sweep.at_ns[later] - sweep.at_ns[earlier]
    rise = sweep.value_nm[later] - sweep.value_nm[earlier]
    return sweep.value_nm[earlier] + rise * (at_ns - sweep.at_ns[earlier]) // span


def held_too_long(turn: Turn, tir_nm: int, step_nm: int) -> int | None:
    """Return the value a turn stayed on for longer than rounding can explain, else None.

    A pure eccentricity of amplitude A read in steps q is within w of its extreme for
    acos(1 − w/A)/π of the turn, at any order of waves a turn. A stylus at the end of its
    travel stays longer, on one value or flickering between two neighbours; a frozen
    indicator stays on whatever it showed last.

    Args:
        turn: The turn.
        tir_nm: The largest TIR of the sweep: a turn that froze has too small a one itself.
        step_nm: The indicator's digital step.
    """
    value, share = turn.longest_held()
    if turn.tir_nm == 0 or share > _explained(step_nm, tir_nm) + _FLAT_MARGIN:
        return value
    if turn.tir_nm < _FLICKER_STEPS * step_nm:
        return None
    most = _explained(2 * step_nm, turn.tir_nm) + _FLAT_MARGIN
    values = turn.value_nm[: turn.samples]  # the closing reading is the first angle again
    high_nm, low_nm = turn.high_nm, turn.low_nm
    if sum(1 for v in values if v >= high_nm - step_nm) - 1 > most * len(values):
        return high_nm
    if sum(1 for v in values if v <= low_nm + step_nm) - 1 > most * len(values):
        return low_nm
    return None


def _explained(width_nm: int, tir_nm: int) -> float:
    """Return the share of a turn that a once-per-turn run-out is so near its extreme."""
    return acos(max(-1.0, 1 - 2 * width_nm / tir_nm)) / pi if tir_nm else 1.0
