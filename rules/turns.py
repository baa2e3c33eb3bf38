"""Whole turns of a sweep: where they begin and end, and what each shows by itself."""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from math import acos, pi
from operator import eq, sub

from rules.own_period import own_period_ns
from rules.spindle_angle import TURN_UDEG, unwrapped
from rules.sweep import PERIOD_MARGIN_PERCENT, Sweep, SweepRules

_FLAT_MARGIN = 0.15
"""Share of a turn tolerated at an extreme beyond what rounding to the step explains."""

_ANGLES_A_TURN = 180
"""By hand a pin is held here and there: of an angle only one reading counts as a stay."""

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
        high_nm: Largest value.
        low_nm: Smallest value.
        gone_udeg: How far the spindle had come at each reading, where frames say it.
    """

    at_ns: tuple[int, ...]
    value_nm: tuple[int, ...]
    start_ns: int
    close_ns: int
    end_ns: int
    closure_nm: int
    high_nm: int
    low_nm: int
    gone_udeg: tuple[int, ...] = ()

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
        return max(over_the_ends, _widest(self.at_ns))

    @property
    def gap_share(self) -> float:
        """Return the largest part of the turn without a reading, seen round the turn.

        By the angle where frames say it, else by the time.
        """
        if not self.gone_udeg:
            return self.gap_ns / self.length_ns
        over_the_ends = max(0, TURN_UDEG - (self.gone_udeg[-1] - self.gone_udeg[0]))
        return max(_widest(self.gone_udeg), over_the_ends) / TURN_UDEG

    def share_at(self, at_ns: int) -> float:
        """Return where in the turn a reading of this time lies, 0 at its start."""
        if not self.gone_udeg:
            return (at_ns - self.start_ns) / self.length_ns
        place = min(bisect_left(self.at_ns, at_ns), len(self.at_ns) - 1)
        return (self.gone_udeg[place] - self.gone_udeg[0]) / TURN_UDEG

    @property
    def stays_nm(self) -> tuple[int, ...]:
        """Return its values up to where it closes, one for each angle it was read at."""
        values = self.value_nm[: self.samples]  # the closing reading is the first angle again
        if not self.gone_udeg:
            return values
        kept: list[int] = []
        next_udeg = self.gone_udeg[0]
        for way, value in zip(self.gone_udeg, values, strict=False):
            if way >= next_udeg:
                kept.append(value)
                next_udeg = way + TURN_UDEG // _ANGLES_A_TURN
        return tuple(kept)

    def longest_held_share(self) -> float:
        """Return the longest part of the turn in which the value never changed."""
        values = self.stays_nm if self.gone_udeg else self.value_nm
        is_as_before = bytes(map(eq, values[1:], values))
        return max(map(len, is_as_before.split(b"\0"))) / len(values)

    def longest_held_nm(self) -> int:
        """Return the value it stayed on longest."""
        values = self.stays_nm if self.gone_udeg else self.value_nm
        return max((len(list(run)), value) for value, run in groupby(values))[1]


def _widest(places: Sequence[int]) -> int:
    """Return the largest step from one to the next, 0 at least."""
    return max(0, max(map(sub, places[1:], places), default=0))


def whole_turns(sweep: Sweep, rules: SweepRules) -> list[Turn]:
    """Return the first ``turns`` whole turns of a sweep, or as many as there are."""
    return turns_gone(sweep, rules, way_gone(sweep, rules))


def way_gone(sweep: Sweep, rules: SweepRules) -> tuple[int, ...]:
    """Return how far the spindle had come at each reading, microdegrees; () without angles."""
    return unwrapped(sweep.angle_udeg) if rules.proof == "angle" else ()


def turns_gone(sweep: Sweep, rules: SweepRules, gone: tuple[int, ...]) -> list[Turn]:
    """Return the whole turns where ``way_gone`` is known already: it takes its time."""
    turns = []
    for start, close, end in _borders(sweep, rules, gone):
        first, last = bisect_left(sweep.at_ns, start), bisect_right(sweep.at_ns, end)
        if last - first < 2:
            continue
        closure = abs(_value_at(sweep, close) - _value_at(sweep, start))
        at_ns, value_nm = sweep.at_ns[first:last], sweep.value_nm[first:last]
        high, low = max(value_nm), min(value_nm)
        turns.append(
            Turn(at_ns, value_nm, start, close, end, closure, high, low, gone[first:last])
        )
    return turns


def _borders(
    sweep: Sweep, rules: SweepRules, gone: tuple[int, ...]
) -> list[tuple[int, int, int]]:
    """Return start, closing time and end of each turn wanted, as far as swept."""
    if not sweep.at_ns:
        return []
    last_ns = sweep.at_ns[-1]
    if rules.proof == "index":
        pairs = list(pairwise(sweep.index_ns))[: rules.turns]
        return [(start, end, end) for start, end in pairs if end <= last_ns]
    if rules.proof == "angle":
        return _borders_by_angle(sweep, rules, gone)
    start, length, turn_ns = sweep.at_ns[0], rules.swept_turn_ns, rules.turn_ns
    if rules.proof == "period":
        turn_ns = own_period_ns(sweep, rules) or 0
        length = turn_ns * (100 + PERIOD_MARGIN_PERCENT) // 100
    wanted = [start + turn * length for turn in range(rules.turns)] if turn_ns else []
    return [(t, t + turn_ns, t + length) for t in wanted if t + length <= last_ns]


def _borders_by_angle(
    sweep: Sweep, rules: SweepRules, gone: tuple[int, ...]
) -> list[tuple[int, int, int]]:
    """Return the turns by the angle of each reading; none where a reading has no angle."""
    if len(sweep.angle_udeg) != len(sweep.at_ns):
        return []
    borders: list[tuple[int, int, int]] = []
    start_ns, reached = sweep.at_ns[0], 0
    for turn in range(1, rules.turns + 1):
        while reached < len(gone) and gone[reached] < turn * TURN_UDEG:
            reached += 1
        if reached == len(gone):
            break
        last, this = gone[reached - 1], gone[reached]
        before_ns, end_ns = sweep.at_ns[reached - 1], sweep.at_ns[reached]
        missing = turn * TURN_UDEG - last
        close_ns = before_ns + (end_ns - before_ns) * missing // (this - last)
        borders.append((start_ns, close_ns, end_ns))
        start_ns = close_ns
    return borders


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


def turn_shares(
    sweep: Sweep, turns: Sequence[Turn], rules: SweepRules
) -> list[tuple[int, float]]:
    """Return the readings of the whole turns: which, and how many turns from their start."""
    if rules.proof != "index" and turns:
        # By time alone a turn is swept for longer, and the next begins where that ends.
        return _shares(sweep, turns, rules, [turns[0].share_at(t.start_ns) for t in turns])
    return turn_shares_v2(sweep, turns, rules)


def turn_shares_v2(
    sweep: Sweep, turns: Sequence[Turn], rules: SweepRules
) -> list[tuple[int, float]]:
    """Return them as version 2 took them: each turn to begin where the last one closed."""
    return _shares(sweep, turns, rules, range(len(turns)))


def _shares(
    sweep: Sweep, turns: Sequence[Turn], rules: SweepRules, begun: Sequence[float]
) -> list[tuple[int, float]]:
    if not turns:
        return []
    if rules.proof == "angle":
        gone = unwrapped(sweep.angle_udeg)
        end = len(turns) * TURN_UDEG
        return [(i, way / TURN_UDEG) for i, way in enumerate(gone) if 0 <= way < end]
    shares: list[tuple[int, float]] = []
    for before, turn in zip(begun, turns, strict=True):
        start_ns, length_ns = turn.start_ns, turn.length_ns
        first, end = bisect_left(sweep.at_ns, start_ns), bisect_left(sweep.at_ns, turn.close_ns)
        # What Turn.share_at says where only time tells: a call a reading costs more than it.
        inside = enumerate(sweep.at_ns[first:end], first)
        shares += [(i, before + (at - start_ns) / length_ns) for i, at in inside]
    return shares


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
    longest = turn.longest_held_share()
    if turn.tir_nm == 0 or longest > _explained(step_nm, tir_nm) + _FLAT_MARGIN:
        return turn.longest_held_nm()
    if turn.tir_nm < _FLICKER_STEPS * step_nm:
        return None
    most = _explained(2 * step_nm, turn.tir_nm) + _FLAT_MARGIN
    values = turn.stays_nm
    high_nm, low_nm = turn.high_nm, turn.low_nm
    # Mapped methods of the bound: a generator takes four times as long, 800 times a sweep.
    if sum(map((high_nm - step_nm).__le__, values)) - 1 > most * len(values):
        return high_nm
    if sum(map((low_nm + step_nm).__ge__, values)) - 1 > most * len(values):
        return low_nm
    return None


def _explained(width_nm: int, tir_nm: int) -> float:
    """Return the share of a turn that a once-per-turn run-out is so near its extreme."""
    return acos(max(-1.0, 1 - 2 * width_nm / tir_nm)) / pi if tir_nm else 1.0
