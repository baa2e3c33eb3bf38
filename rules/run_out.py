"""Run-out of one sweep: TIR a turn, and whether it can be believed.

TIR (full indicator movement) is the largest minus the smallest reading over one full turn,
taken per turn; the clamping counts with its largest turn (circular run-out in the sense of
ISO 1101). Everything that could make a bad collet read low ends as *invalid* with a reason.
"""

from collections.abc import Sequence
from dataclasses import replace

from rules.cut_crest import is_cut_off
from rules.flag_order import flags_out_of_order
from rules.harmonic import first_harmonic
from rules.spikes import spikes
from rules.spindle_angle import went_back
from rules.standstill import range_until_standstill_nm, standstill
from rules.sweep import (
    WHAT_TO_DO,
    Cut,
    Invalid,
    Proof,
    RunOut,
    Sweep,
    SweepRules,
)
from rules.turns import Turn, held_too_long, turns_gone, way_gone

__all__ = [
    "EVALUATION_VERSION", "WHAT_TO_DO", "Cut", "Invalid", "Proof", "RunOut", "Sweep",
    "SweepRules", "evaluate", "evaluate_single", "evaluate_v1", "evaluate_v2",
]  # fmt: skip

EVALUATION_VERSION = "4"
"""Named on every clamping; a change of what is computed gets a new one.

Version 1 looked for no spikes. Version 2 took much noise for spikes, and a stylus at the end
of its travel for a broad crest where noise hid how flat it lay. Both are still computed:
``evaluate_v1``, ``evaluate_v2``. Version 3 took a clamping for itself, however like the one
before it read (``rules.grading.assess_v3``).
"""

_INVALID_OF_CUT: dict[Cut, Invalid] = {
    "lifted": "stylus-off",
    "loosened": "short-turn",
    "stopped": "short-turn",
    "turned-back": "turned-back",
    "over-range": "over-range",
    "frozen": "frozen-value",
    "wrong-mode": "wrong-mode",
    "unit-changed": "unit-changed",
    "offset-changed": "offset-changed",
}

_AFTER_A_STOP: frozenset[Cut] = frozenset({"lifted", "over-range"})
"""What a hand does once the spindle stands: the sweep was short, the stylus was all right."""

_NOTHING_SEEN: frozenset[Invalid] = frozenset(
    {"no-turning", "stylus-off", "over-range", "frozen-value", "wrong-mode", "unit-changed",
     "offset-changed", "negative-value"}
)  # fmt: skip
"""Reasons that leave the numbers themselves in doubt: they bound nothing."""

_AGREE_PERCENT = 20
"""Closure and turn agreement: share of the top limit or of the turn's TIR (design, part 2)."""


_SPIKE_PERCENT = 10
"""A spike below this share of the top limit or of the TIR changes no grade by much."""


_NOISE_DEVIATIONS = 6
"""So far from the line between its neighbours chance brings one reading in 5e8."""


def evaluate(sweep: Sweep, rules: SweepRules) -> RunOut:
    """Return TIR and validity of a sweep; the same sweep always gives the same answer."""
    turns, found = _evaluated(sweep, rules, _NOISE_DEVIATIONS)
    if found.invalid is None and is_cut_off(sweep, turns, rules):
        return replace(found, tir_nm=None, seen_nm=None, invalid="stylus-off")
    return found


def evaluate_v2(sweep: Sweep, rules: SweepRules) -> RunOut:
    """Return TIR and validity as version 2 computed them."""
    return _evaluated(sweep, rules, 0)[1]


def _evaluated(
    sweep: Sweep, rules: SweepRules, noise_deviations: int
) -> tuple[list[Turn], RunOut]:
    gone = way_gone(sweep, rules)
    turns = turns_gone(sweep, rules, gone)
    found = _judged(sweep, turns, gone, rules)
    if found.invalid not in (None, "turns-disagree", "drift"):
        return turns, found
    largest_nm = max(rules.top_limit_nm, *found.turns_nm)
    least_nm = largest_nm * _SPIKE_PERCENT // 100
    dirt = spikes(sweep, turns, rules.step_nm, least_nm, noise_deviations)
    if not dirt:
        return turns, found
    seen_nm = _seen_without(turns, dirt)
    return turns, replace(found, tir_nm=None, seen_nm=seen_nm, invalid="spike")


def _seen_without(turns: Sequence[Turn], dirt: frozenset[int]) -> int:
    """Return the run-out that was there at least, whatever made the spikes."""
    bounds = []
    for turn in turns:
        pairs = zip(turn.at_ns, turn.value_nm, strict=True)
        clean = [value for at, value in pairs if at not in dirt]
        bounds.append(max(clean) - min(clean) - turn.closure_nm if clean else 0)
    return max(0, min(bounds))


def evaluate_v1(sweep: Sweep, rules: SweepRules) -> RunOut:
    """Return TIR and validity as version 1 computed them."""
    gone = way_gone(sweep, rules)
    return _judged(sweep, turns_gone(sweep, rules, gone), gone, rules)


def _judged(
    sweep: Sweep, turns: Sequence[Turn], gone: Sequence[int], rules: SweepRules
) -> RunOut:
    invalid = _first_fault(sweep, turns, gone, rules)
    run_outs = tuple(turn.tir_nm for turn in turns)
    tir_nm = max(run_outs) if invalid is None else None
    return RunOut(
        tir_nm=tir_nm,
        seen_nm=tir_nm if invalid is None else _seen_at_least(sweep, turns, invalid, rules),
        turns_nm=run_outs,
        samples=min((turn.samples for turn in turns), default=0),
        closure_nm=max((turn.closure_nm for turn in turns), default=None),
        invalid=invalid,
    )


def evaluate_single(sweep: Sweep) -> RunOut:
    """Return the run-out of a finished TIR value: a sweep of that one value, or of none."""
    if sweep.cut == "over-range" or not sweep.value_nm:
        return RunOut(None, None, invalid="over-range")
    value_nm = sweep.value_nm[0]
    if value_nm < 0:
        return RunOut(None, None, invalid="negative-value")
    return RunOut(value_nm, value_nm, turns_nm=(value_nm,), samples=1)


def _first_fault(
    sweep: Sweep, turns: Sequence[Turn], gone: Sequence[int], rules: SweepRules
) -> Invalid | None:
    if sweep.cut is not None:
        is_short = sweep.cut in _AFTER_A_STOP and standstill(sweep, rules) is not None
        return "short-turn" if is_short else _INVALID_OF_CUT[sweep.cut]
    if _is_turned_back(sweep, gone, rules):
        return "turned-back"
    if len(turns) < rules.turns:
        return "short-turn" if turns or _has_begun(sweep, rules) else "no-turning"
    largest_nm = max(turn.tir_nm for turn in turns)
    for turn in turns:
        fault = _turn_fault(turn, rules) or _shape_fault(turn, largest_nm, rules)
        if fault is not None:
            return fault
    if not _agree(turns, rules):
        return "turns-disagree"
    if rules.proof == "speed" and not rules.has_run_contact:
        return None if _turning_is_seen(sweep, rules) else "no-turning"
    return None


def _is_turned_back(sweep: Sweep, gone: Sequence[int], rules: SweepRules) -> bool:
    if rules.proof == "angle":
        return went_back(gone)
    if rules.proof == "index" and rules.second_flag_deg:
        index_ns = sweep.index_ns[: rules.turns + 1]
        return flags_out_of_order(index_ns, sweep.second_ns, rules.second_flag_deg)
    return False


def _has_begun(sweep: Sweep, rules: SweepRules) -> bool:
    """Return whether the spindle was seen to turn, if not a whole turn."""
    if rules.proof == "angle":
        return bool(sweep.angle_udeg)  # it turns before the sweep begins
    return bool(sweep.index_ns)


def _turn_fault(turn: Turn, rules: SweepRules) -> Invalid | None:
    if turn.length_ns < rules.fastest_turn_ns:
        return "turned-too-fast"
    if turn.length_ns > rules.slowest_turn_ns:
        return "turned-too-slowly"
    if turn.samples < rules.samples_min:
        return "too-few-samples"
    if _has_gap(turn, rules):
        return "readings-missing"
    return None


def _has_gap(turn: Turn, rules: SweepRules) -> bool:
    if turn.gone_udeg:
        return turn.gap_share * rules.samples_min > 2
    return turn.gap_ns * rules.samples_min > 2 * turn.length_ns


def _shape_fault(turn: Turn, largest_nm: int, rules: SweepRules) -> Invalid | None:
    held_nm = held_too_long(turn, largest_nm, rules.step_nm)
    if held_nm is not None:
        is_end = turn.tir_nm > 0 and held_nm in (turn.high_nm, turn.low_nm)
        return "stylus-off" if is_end else "frozen-value"
    return "drift" if turn.closure_nm > _agreement_nm(turn.tir_nm, rules) else None


def _agreement_nm(tir_nm: int, rules: SweepRules) -> int:
    return max(rules.top_limit_nm, tir_nm) * _AGREE_PERCENT // 100


def _agree(turns: Sequence[Turn], rules: SweepRules) -> bool:
    """Return whether all turns saw the same: TIR, largest and smallest value.

    The extremes too: two halves of one turn, cut apart by a stray index edge, have the same
    TIR and half the run-out.
    """
    limit_nm = _agreement_nm(max(turn.tir_nm for turn in turns), rules)
    of_turns = [(turn.tir_nm, turn.high_nm, turn.low_nm) for turn in turns]
    return all(max(seen) - min(seen) <= limit_nm for seen in zip(*of_turns, strict=True))


def _turning_is_seen(sweep: Sweep, rules: SweepRules) -> bool:
    """Return whether a once-per-turn run-out stands clear of noise and step.

    Twice the amplitude has to exceed three steps and six times the residual's standard
    deviation: what does not come back every turn.
    """
    amplitude, residual = first_harmonic(sweep, rules.turn_ns)
    return 2 * amplitude > max(3 * rules.step_nm, 6 * residual)


def _seen_at_least(
    sweep: Sweep, turns: Sequence[Turn], invalid: Invalid, rules: SweepRules
) -> int | None:
    """Return run-out that was there whatever went wrong; None when the numbers are in doubt.

    A partial turn can only read low. Where turns disagree each shows at least the smallest;
    a turn that doesn't close may owe its closure to drift.
    """
    if invalid in _NOTHING_SEEN:
        return None
    if turns:
        return max(0, min(turn.tir_nm - turn.closure_nm for turn in turns))
    return range_until_standstill_nm(sweep, rules)
