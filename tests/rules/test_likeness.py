"""Clampings that read alike, values that never fall, clampings too soon for a hand."""

from collections import Counter
from dataclasses import replace
from math import hypot, pi, sqrt
from random import Random

import pytest

from rules import cycle
from rules.capture_model import CaptureEvent, CaptureRules, Noticed, Seen
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.cycle import ClampingCounted, ClampingEnded, CycleState
from rules.exact_vector import A_NANOMETRE, ExactVector, are_within, exact_vector
from rules.grading import Assessed, assess, assess_v3
from rules.likeness import are_alike, false_call_rate, is_read_again
from rules.reading import Reading
from rules.ruleset import Evidence, Grade, RuleSet
from rules.sweep import Sweep
from tests.rules.bench_tape import INDEX, S, captured, clampings, loosenings, tape
from tests.rules.diagnosed_sweep import evaluate_diagnosed
from tests.rules.turned_sweeps import RULES, Pin, Reader, steady

SINGLE = replace(INDEX, mode="single-value")


def noticed(events: list[Seen], rules: CaptureRules) -> list[tuple[str, bool]]:
    _, outcomes = captured(events, rules)
    return [(o.what, o.is_on) for o in outcomes if isinstance(o, Noticed)]


def values(*um: float) -> list[Seen]:
    return [
        Seen("IND-1", Reading(round(v * 1000)), (10 + 20 * k) * S) for k, v in enumerate(um)
    ]


def test_seven_values_that_never_fall_raise_an_alarm_and_count_all_the_same() -> None:
    events = values(1, 2, 2, 3, 5, 5.5)
    assert noticed(events, SINGLE) == []
    events = values(1, 2, 2, 3, 5, 5.5, 5.5, 6)
    assert noticed(events, SINGLE) == [("values-never-fall", True)]
    assert [c.invalid for c in clampings(events, SINGLE)] == [None] * 8


def test_the_alarm_is_over_when_a_value_falls() -> None:
    events = values(1, 2, 3, 4, 5, 6, 7, 3)
    assert noticed(events, SINGLE) == [
        ("values-never-fall", True),
        ("values-never-fall", False),
    ]


def test_honest_values_seldom_raise_it() -> None:
    rng = Random(1)
    # One start in 7! rises seven times (combinatorics): runs of it are rarer than that.
    events = values(*(rng.uniform(1, 9) for _ in range(5_000)))
    assert len(noticed(events, SINGLE)) <= 2 * 5


def never_fall(shares: list[float], count: int) -> float:
    """Return how often so many independent values never fall, of values of these shares.

    The complete homogeneous symmetric polynomial of the shares (combinatorics); 1/count!
    where no two are equal.
    """
    ways = list(shares)
    for _ in range(count - 1):
        ways = [sum(ways[: i + 1]) * share for i, share in enumerate(shares)]
    return sum(ways)


def test_values_that_are_never_equal_rise_once_in_a_factorial() -> None:
    assert never_fall([1 / 4_000] * 4_000, 4) == pytest.approx(1 / 24, rel=0.01)


@pytest.mark.long
def test_honest_finished_values_raise_it_as_often_as_combinatorics_says() -> None:
    """TIR of two normal offsets of 1 µm an axis (Rayleigh); coarse steps make ties."""
    rng, count = Random(7), 60_000
    print("\nstep µm   alarms   expected   (of 60 000 honest values)")
    for step_um in (0.1, 0.5, 1.0):
        drawn = [
            round(2 * hypot(rng.gauss(0, 1), rng.gauss(0, 1)) / step_um) for _ in range(count)
        ]
        alarms = sum(
            is_on for _, is_on in noticed(values(*(v * step_um for v in drawn)), SINGLE)
        )
        of_value = Counter(drawn)
        shares = [of_value[value] / count for value in sorted(of_value)]
        # An alarm begins where seven never fell and the one before was above their first.
        expected = count * (never_fall(shares, 7) - never_fall(shares, 8))
        print(f"{step_um:7.1f}   {alarms:6}   {expected:8.1f}")
        assert abs(alarms - expected) < 4 * sqrt(expected)


GRADED = RuleSet(
    "1", "0" * 64, (Grade("top", 5_000, 3, "1"), Grade("second", 12_000, 1, "2")), "N", "H"
)


def counted(
    events: list[CaptureEvent], rules: RuleSet = GRADED, evidence: Evidence | None = None
) -> list[Assessed]:
    """Return what the clampings of one cycle count for."""
    state, found = CycleState(), []
    for one in clampings(events, INDEX):
        if evidence is not None:
            one = replace(one, loosening=replace(one.loosening, evidence=evidence))
        state, outcomes = cycle.step(state, ClampingEnded(one), rules)
        found += [o.assessed for o in outcomes if isinstance(o, ClampingCounted)]
    return found


def reread(times: int, tir_um: float = 4.0) -> list[CaptureEvent]:
    written = tape().reclamp(tir_um, 0.3).turn(3.4)
    for _ in range(times):
        written.rest(2).lift(8).rest(1.5).turn(3.4)
    return written.events


def test_the_same_tightening_read_again_has_no_result_and_says_what_to_do() -> None:
    first, again = counted(reread(1))
    assert first.result == "within"
    assert (again.result, again.tir_nm, again.invalid) == ("invalid", None, "read-alike")
    assert again.reason.endswith("loosen the nut, rotate, clamp again")
    assert again.seen_nm is not None
    assert abs(again.seen_nm - 4_000) < 500


def test_read_again_and_again_it_ends_on_hold_and_never_in_a_grade() -> None:
    found = counted(reread(3))
    assert [one.invalid for one in found] == [None, *["read-alike"] * 3]
    state = CycleState()
    for one in clampings(reread(3), INDEX):
        state, outcomes = cycle.step(state, ClampingEnded(one), GRADED)
    ended = outcomes[-1]
    assert isinstance(ended, cycle.CycleEnded)
    assert ended.decision is not None
    assert (ended.how, ended.decision.bin) == ("invalid", "H")


@pytest.mark.parametrize("seen", ["pin-jump", "foot-switch", "torque-pulse"])
def test_where_more_than_the_stylus_was_seen_to_move_likeness_refuses_nothing(
    seen: Evidence,
) -> None:
    assert [one.result for one in counted(reread(1), evidence=seen)] == ["within"] * 2


def test_what_is_beyond_stays_beyond_however_like_the_one_before() -> None:
    first, again = clampings(reread(1, 9.0), INDEX)
    strict = replace(GRADED, grades=(Grade("only", 5_000, 3, "1"),))
    assert is_read_again(first, again)
    assert assess(again, strict, first).result == "beyond"
    assert assess(again, GRADED, first).invalid == "read-alike"


def test_a_new_piece_and_a_retry_are_compared_with_nothing() -> None:
    first, again = clampings(reread(1), INDEX)
    state, _ = cycle.step(CycleState(), ClampingEnded(first), GRADED)
    state, _ = cycle.step(state, cycle.Interrupted("line lost"), GRADED)
    assert state.before is None
    state, _ = cycle.step(state, ClampingEnded(again), GRADED)
    assert [one.result for one in state.assessed] == ["within"]


def test_a_sweep_without_a_result_in_between_hides_nothing() -> None:
    written = tape().reclamp(4.0, 0.3).turn(3.4).rest(2).lift(8).rest(1.5).turn(1.4)
    events = written.rest(7).lift(8).rest(1.5).turn(3.4).events
    found = [one.invalid for one in counted(events)]
    assert found == [None, "short-turn", "read-alike"]


def test_versions_before_took_a_clamping_for_itself() -> None:
    first, again = clampings(reread(1), INDEX)
    assert assess_v3(again, GRADED, first) == assess(again, GRADED)
    assert assess(again, GRADED).result == "within"


@pytest.mark.parametrize("eccentric_nm", [0.0, 300.0, 2_500.0])
def test_the_exact_vector_is_that_of_the_least_squares(eccentric_nm: float) -> None:
    """The fit is numpy's; the two differ by what noise leaves of 100 readings' mean."""
    rng, rules = Random(5), RULES["index"]
    pin = Pin(((eccentric_nm, 0.2), (200, 0.4), (150, 0.7)))
    sweep = Reader(rng).sweep(pin, steady(), rules)
    vector, run_out = exact_vector(sweep, rules), evaluate_diagnosed(sweep, rules)
    assert vector is not None
    assert run_out.diagnosis is not None
    length_nm = hypot(vector.x, vector.y) / A_NANOMETRE
    assert length_nm == pytest.approx(run_out.diagnosis.amplitude_nm, abs=15)


def test_vectors_are_compared_to_the_last_unit() -> None:
    zero, far = ExactVector(0, 0), ExactVector(100 * A_NANOMETRE, 0)
    assert are_within(zero, far, 100)
    assert not are_within(zero, replace(far, y=1), 100)


@pytest.mark.parametrize("proof", ["speed", "period", "angle"])
def test_without_an_index_nothing_is_laid_over_another(proof: str) -> None:
    rules = next(held for held in RULES.values() if held.proof == proof)
    sweep = Reader(Random(1)).sweep(Pin(((2_000, 0.1),)), steady(), rules)
    assert exact_vector(sweep, rules) is None
    place = PositionRunOut("IND-1", "far", sweep, evaluate_diagnosed(sweep, rules))
    one = Clamping("sweep", 0, 1, (place,), Loosening("stylus-lift", 0))
    assert not is_read_again(one, one)


def test_a_part_of_the_turn_without_a_reading_gives_no_vector() -> None:
    sweep = Reader(Random(1)).sweep(Pin(((2_000, 0.1),)), steady(), RULES["index"])
    start_ns, length_ns = sweep.index_ns[0], sweep.index_ns[1] - sweep.index_ns[0]
    kept = [
        place
        for place, at in enumerate(sweep.at_ns)
        if (at - start_ns) % length_ns * 12 // length_ns != 5
    ]
    values = tuple(sweep.value_nm[place] for place in kept)
    holed = Sweep(tuple(sweep.at_ns[place] for place in kept), values, sweep.index_ns)
    assert exact_vector(holed, RULES["index"]) is None


def test_the_same_tightening_read_twice_is_noticed() -> None:
    written = tape().reclamp(4.0, 0.3).turn(3.4).rest(2).lift(8).rest(1.5).turn(3.4)
    found = clampings(written.events, INDEX)
    assert [c.invalid for c in found] == [None, None]
    _, outcomes = captured(written.events, INDEX)
    assert [o.what for o in outcomes if isinstance(o, Noticed)] == ["clampings-alike"]


def test_a_collet_rotated_between_is_not_noticed() -> None:
    written = tape().reclamp(4.0, 0.3).turn(3.4).rest(2).reclamp(4.0, 0.63).turn(3.4)
    _, outcomes = captured(written.events, INDEX)
    assert [o for o in outcomes if isinstance(o, Noticed)] == []


def test_a_clamping_sooner_than_a_hand_can_make_it_waits_for_a_loosening() -> None:
    written = tape().honest(4.0).lift(1.0).rest(0.7).turn(6)
    assert len(clampings(written.events, INDEX)) == 1
    written.lift(9).rest(1).turn(3.4)
    assert len(clampings(written.events, INDEX)) == 2
    assert loosenings(written.events, INDEX).count("stylus-lift") >= 2


@pytest.mark.parametrize(("e_um", "rate"), [(0.0, 0.0155), (0.9, 0.0)])
def test_the_rate_of_false_calls_by_eccentricity(e_um: float, rate: float) -> None:
    """Rayleigh for a perfect collet: 1 − exp(−(0.1 / 0.566)² / 2); it hits the best ones."""
    assert false_call_rate(e_um, 0.4, 0.1) == pytest.approx(rate, abs=0.0005)


@pytest.mark.long
def test_false_calls_are_as_often_as_the_formula_says() -> None:
    rng, rules = Random(11), RULES["index"]
    print(
        "\ne µm   called alike, taken again   formula"
        "  (scatter 0.4 µm an axis, step 0.1 µm, 120° between)"
    )
    for e_um in (0.0, 0.15, 0.3, 0.6, 0.9):
        pairs = [_pair(rng, e_um) for _ in range(1_500)]
        calls, again = (sum(called) / 1_500 for called in zip(*pairs, strict=True))
        expected = false_call_rate(e_um, 0.4, rules.step_nm / 1000)
        print(f"{e_um:4.2f}   {calls:10.2%} {again:10.2%}   {expected:8.2%}")
        assert calls == pytest.approx(expected, abs=0.012)
        assert again == pytest.approx(expected, abs=0.012)


def _pair(rng: Random, e_um: float) -> tuple[bool, bool]:
    """Return whether two honest clampings are called alike, and the second taken again."""
    seen = []
    for turned in (0.0, 1 / 3):
        x, y = rng.gauss(0, 400), rng.gauss(0, 400)
        vector = complex(x, y) + 1000 * e_um * complex(1, 0) * complex(-0.5, 0.866) ** (
            3 * turned
        )
        pin = Pin(((abs(vector), _turns(vector)),))
        sweep = Reader(rng).sweep(pin, steady(), RULES["index"])
        run_out = evaluate_diagnosed(sweep, RULES["index"])
        exact = exact_vector(sweep, RULES["index"])
        place = PositionRunOut("IND-1", "far", sweep, run_out, exact)
        seen.append(Clamping("sweep", 0, 1, (place,), Loosening("stylus-lift", 0)))
    one, other = seen
    alike = are_alike(one.positions, other.positions, RULES["index"].step_nm)
    return alike, is_read_again(one, other)


def _turns(vector: complex) -> float:
    from cmath import phase

    return phase(vector) / (2 * pi)
