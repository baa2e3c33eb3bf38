"""Run-out of one sweep: whole turns, TIR a turn, and whether it can be believed.

TIR (full indicator movement) is the largest minus the smallest reading over one full turn,
taken per turn; the clamping counts with its largest turn (circular run-out in the sense of
ISO 1101). Everything that could make a bad collet read low ends as *invalid* with a reason.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from math import acos, cos, hypot, pi, sin, sqrt
from typing import Literal

EVALUATION_VERSION = "1"
"""Named on every clamping; a change of what is computed gets a new one."""

Proof = Literal["index", "speed"]

Cut = Literal[
    "lifted",        # the stylus left the pin
    "loosened",      # the pin jumped: the nut was opened before the turns were whole
    "stopped",       # no further turn for longer than the slowest turn
    "over-range",
    "frozen",        # the indicator says that it holds its value
    "wrong-mode",    # the indicator sends its max-min memory, not its indication
    "unit-changed",
]  # fmt: skip
"""What ended a sweep before its turns were whole."""

Invalid = Literal[
    "short-turn", "no-turning", "too-few-samples", "readings-missing", "turned-too-fast",
    "turned-too-slowly", "turns-disagree", "drift", "stylus-off", "frozen-value",
    "over-range", "wrong-mode", "unit-changed", "negative-value", "loosening-unproved",
]  # fmt: skip
"""Why a clamping has no result."""

WHAT_TO_DO: dict[Invalid, str] = {
    "short-turn": "no whole turns were swept; let it turn until the prompt changes",
    "no-turning": "no turning was seen; switch the spindle on",
    "too-few-samples": "too few readings a turn; turn more slowly",
    "readings-missing": "readings are missing within a turn; look at cable and indicator",
    "turned-too-fast": "the spindle turned faster than the bench file allows",
    "turned-too-slowly": "the spindle stopped or slowed within a turn",
    "turns-disagree": "the turns disagree; clean taper, slots, pin and nut",
    "drift": "start and end of a turn differ; clean, and let the bench warm up",
    "stylus-off": "the stylus left the pin; set it with enough travel",
    "frozen-value": "the value never changed; look at the indicator",
    "over-range": "the indicator was out of its range; set it anew",
    "wrong-mode": "the indicator sends its max-min memory; switch it to live readings",
    "unit-changed": "the indicator's unit changed; set it back",
    "negative-value": "a run-out can't be negative; look at the indicator's mode",
    "loosening-unproved": "the loosening was not seen well enough; loosen, rotate, clamp again",
}

_INVALID_OF_CUT: dict[Cut, Invalid] = {
    "lifted": "stylus-off",
    "loosened": "short-turn",
    "stopped": "short-turn",
    "over-range": "over-range",
    "frozen": "frozen-value",
    "wrong-mode": "wrong-mode",
    "unit-changed": "unit-changed",
}

_NOTHING_SEEN: frozenset[Invalid] = frozenset(
    {"over-range", "frozen-value", "wrong-mode", "unit-changed", "negative-value"}
)
"""Reasons that make the numbers themselves doubtful: they bound nothing."""

_AGREE_PERCENT = 20
"""Closure and turn agreement: share of the top limit or of the turn's TIR (design, part 2)."""

_FLAT_MARGIN = 0.15
"""Flat share of a turn tolerated beyond what rounding to the step explains."""


@dataclass(frozen=True, slots=True)
class SweepRules:
    """What a sweep is held to.

    Attributes:
        proof: How a whole turn is proved.
        turns: Whole turns that count, from 1.
        step_nm: The indicator's digital step.
        top_limit_nm: Tolerance limit of the best grade.
        fastest_turn_ns: A faster turn is not believed: indicators average.
        slowest_turn_ns: A turn that takes longer has stopped.
        samples_min: Fewest readings a turn.
        turn_ns: The known time of a turn; needed by proof ``speed``.
        speed_tolerance_percent: How far the known speed may be off, either way.
        has_run_contact: A contact says that the spindle runs: no run-out is needed to
            show it (a nearly perfect collet shows none).
    """

    proof: Proof
    turns: int
    step_nm: int
    top_limit_nm: int
    fastest_turn_ns: int
    slowest_turn_ns: int
    samples_min: int
    turn_ns: int = 0
    speed_tolerance_percent: int = 5
    has_run_contact: bool = False

    @property
    def swept_turn_ns(self) -> int:
        """Return how long a turn is swept under proof ``speed``: the slowest it may be."""
        return self.turn_ns * (100 + self.speed_tolerance_percent) // 100


@dataclass(frozen=True, slots=True)
class Sweep:
    """Readings of one clamping at one indicator, as they are stored.

    Attributes:
        at_ns: Monotonic times of the readings, ascending.
        value_nm: Their values.
        index_ns: Times of the index passing, ascending; the first starts the first turn.
        cut: What ended the sweep early, None when its turns were whole.
    """

    at_ns: tuple[int, ...]
    value_nm: tuple[int, ...]
    index_ns: tuple[int, ...] = ()
    cut: Cut | None = None


@dataclass(frozen=True, slots=True)
class RunOut:
    """What a sweep shows.

    Attributes:
        tir_nm: Largest TIR among the counted turns; None when invalid.
        seen_nm: Run-out that was there at least; None when nothing can be said.
        turns_nm: TIR of each whole turn.
        samples: Fewest readings in a whole turn.
        closure_nm: Largest start-end difference of a whole turn.
        invalid: Why there is no TIR.
    """

    tir_nm: int | None
    seen_nm: int | None
    turns_nm: tuple[int, ...] = ()
    samples: int = 0
    closure_nm: int | None = None
    invalid: Invalid | None = None


@dataclass(frozen=True, slots=True)
class _Turn:
    at_ns: tuple[int, ...]
    value_nm: tuple[int, ...]
    length_ns: int
    closure_nm: int

    @property
    def tir_nm(self) -> int:
        return max(self.value_nm) - min(self.value_nm)


def evaluate(sweep: Sweep, rules: SweepRules) -> RunOut:
    """Return TIR and validity of a sweep; the same sweep always gives the same answer."""
    if not sweep.value_nm:
        return RunOut(None, None, invalid=_cut_reason(sweep))
    turns = _whole_turns(sweep, rules)
    invalid = _first_fault(sweep, turns, rules)
    run_outs = tuple(turn.tir_nm for turn in turns)
    return RunOut(
        tir_nm=max(run_outs) if invalid is None else None,
        seen_nm=_seen_at_least(sweep, turns, invalid),
        turns_nm=run_outs,
        samples=min((len(turn.value_nm) for turn in turns), default=0),
        closure_nm=max((turn.closure_nm for turn in turns), default=None),
        invalid=invalid,
    )


def evaluate_single(value_nm: int) -> RunOut:
    """Return the run-out of an indicator that sends finished TIR values."""
    if value_nm < 0:
        return RunOut(None, None, invalid="negative-value")
    return RunOut(value_nm, value_nm, turns_nm=(value_nm,), samples=1)


def _cut_reason(sweep: Sweep) -> Invalid:
    return _INVALID_OF_CUT[sweep.cut] if sweep.cut else "no-turning"


def _borders(sweep: Sweep, rules: SweepRules) -> list[tuple[int, int, int]]:
    """Return start, closing time and end of each turn wanted, as far as swept."""
    if rules.proof == "index":
        pairs = list(pairwise(sweep.index_ns))[: rules.turns]
        return [(start, end, end) for start, end in pairs]
    start, length = sweep.at_ns[0], rules.swept_turn_ns
    wanted = [start + turn * length for turn in range(rules.turns)]
    return [(t, t + rules.turn_ns, t + length) for t in wanted if t + length <= sweep.at_ns[-1]]


def _whole_turns(sweep: Sweep, rules: SweepRules) -> list[_Turn]:
    turns = []
    for start, close, end in _borders(sweep, rules):
        inside = [i for i, at in enumerate(sweep.at_ns) if start <= at <= end]
        if len(inside) < 2:
            continue
        turns.append(
            _Turn(
                tuple(sweep.at_ns[i] for i in inside),
                tuple(sweep.value_nm[i] for i in inside),
                close - start,
                abs(_value_at(sweep, close) - _value_at(sweep, start)),
            )
        )
    return turns


def _value_at(sweep: Sweep, at_ns: int) -> int:
    """Return the indication at a time, linear between its neighbours (for closure only)."""
    later = next((i for i, at in enumerate(sweep.at_ns) if at >= at_ns), len(sweep.at_ns) - 1)
    if later == 0 or sweep.at_ns[later] <= at_ns:
        return sweep.value_nm[later]
    earlier = later - 1
    span = sweep.at_ns[later] - sweep.at_ns[earlier]
    rise = sweep.value_nm[later] - sweep.value_nm[earlier]
    return sweep.value_nm[earlier] + rise * (at_ns - sweep.at_ns[earlier]) // span


def _first_fault(sweep: Sweep, turns: Sequence[_Turn], rules: SweepRules) -> Invalid | None:
    if sweep.cut is not None:
        return _cut_reason(sweep)
    if len(set(sweep.value_nm)) == 1:
        return "frozen-value"
    if len(turns) < rules.turns:
        return "short-turn" if turns or sweep.index_ns else "no-turning"
    for turn in turns:
        fault = _turn_fault(turn, rules)
        if fault is not None:
            return fault
    run_outs = [turn.tir_nm for turn in turns]
    if max(run_outs) - min(run_outs) > _agreement_nm(max(run_outs), rules):
        return "turns-disagree"
    if rules.proof == "speed" and not rules.has_run_contact:
        return None if _turning_is_seen(sweep, rules) else "no-turning"
    return None


def _agreement_nm(tir_nm: int, rules: SweepRules) -> int:
    return max(rules.top_limit_nm, tir_nm) * _AGREE_PERCENT // 100


def _turn_fault(turn: _Turn, rules: SweepRules) -> Invalid | None:
    if turn.length_ns < rules.fastest_turn_ns:
        return "turned-too-fast"
    if turn.length_ns > rules.slowest_turn_ns:
        return "turned-too-slowly"
    if len(turn.value_nm) < rules.samples_min:
        return "too-few-samples"
    gap_ns = max(later - earlier for earlier, later in pairwise(turn.at_ns))
    if gap_ns * rules.samples_min > 2 * turn.length_ns:
        return "readings-missing"
    if _is_flat_at_an_end(turn, rules.step_nm):
        return "stylus-off"
    if turn.closure_nm > _agreement_nm(turn.tir_nm, rules):
        return "drift"
    return None


def _is_flat_at_an_end(turn: _Turn, step_nm: int) -> bool:
    """Return whether the turn rests at its extreme longer than rounding can explain.

    A pure eccentricity of amplitude A read in steps q stays on one value for at most
    acos(1 − q/A)/π of the turn; a stylus at the end of its travel stays longer.
    """
    tir = turn.tir_nm
    if tir < 5 * step_nm:
        return False
    explained = acos(max(-1.0, 1 - 2 * step_nm / tir)) / pi
    runs = [(value, len(list(run))) for value, run in groupby(turn.value_nm)]
    ends = (max(turn.value_nm), min(turn.value_nm))
    longest = max(length for value, length in runs if value in ends)
    return longest / len(turn.value_nm) > explained + _FLAT_MARGIN


def _turning_is_seen(sweep: Sweep, rules: SweepRules) -> bool:
    """Return whether a once-per-turn run-out stands clear of noise and step.

    Least squares of mean, cosine and sine at the known period. Twice the amplitude has to
    exceed three steps and six standard errors of the residual.
    """
    amplitude, residual = first_harmonic(sweep, rules.turn_ns)
    return 2 * amplitude > max(3 * rules.step_nm, 6 * residual)


def first_harmonic(sweep: Sweep, period_ns: int) -> tuple[float, float]:
    """Return amplitude and residual standard deviation, both in nanometres."""
    angles = [2 * pi * (at - sweep.at_ns[0]) / period_ns for at in sweep.at_ns]
    rows = [(1.0, cos(angle), sin(angle)) for angle in angles]
    normal = [[sum(r[i] * r[j] for r in rows) for j in range(3)] for i in range(3)]
    right = [sum(r[i] * v for r, v in zip(rows, sweep.value_nm, strict=True)) for i in range(3)]
    mean, in_phase, quadrature = _solve(normal, right)
    squares = sum(
        (v - mean - in_phase * r[1] - quadrature * r[2]) ** 2
        for r, v in zip(rows, sweep.value_nm, strict=True)
    )
    return hypot(in_phase, quadrature), sqrt(squares / max(1, len(rows) - 3))


def _solve(matrix: list[list[float]], right: list[float]) -> tuple[float, float, float]:
    """Return the solution of three symmetric equations; zeros where they say nothing."""

    def det(m: list[list[float]]) -> float:
        (a, b, c), (d, e, f), (g, h, i) = m
        return a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)

    whole = det(matrix)
    if abs(whole) < 1e-9:
        return 0.0, 0.0, 0.0
    parts = []
    for column in range(3):
        swapped = [
            [right[row] if j == column else matrix[row][j] for j in range(3)]
            for row in range(3)
        ]
        parts.append(det(swapped) / whole)
    return parts[0], parts[1], parts[2]


def _seen_at_least(sweep: Sweep, turns: Sequence[_Turn], invalid: Invalid | None) -> int | None:
    """Return run-out that was there whatever went wrong; None when the numbers are in doubt.

    A partial turn can only read low. Where turns disagree each shows at least the smallest;
    a turn that doesn't close may owe its closure to drift.
    """
    if invalid in _NOTHING_SEEN or invalid == "stylus-off":
        return None
    if invalid == "turns-disagree":
        return min(turn.tir_nm for turn in turns)
    if invalid == "drift":
        return max(0, min(turn.tir_nm - turn.closure_nm for turn in turns))
    return max(sweep.value_nm) - min(sweep.value_nm)
