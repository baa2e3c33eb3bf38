"""A sweep that could read low has no result."""

from dataclasses import replace
from math import cos, pi
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.run_out import evaluate
from rules.sweep import Invalid, Sweep
from tests.rules.bench_tape import INDEX_RULES, MS, SPEED_RULES, S
from tests.rules.waves import FINE, Wave, eccentric, reason, sweep_of, without

FINE_AT_24 = replace(FINE, samples_min=24)


def test_an_honest_sweep_is_valid() -> None:
    found = evaluate(sweep_of(eccentric(2_000), step_nm=100), INDEX_RULES)
    assert (found.tir_nm, found.invalid, found.samples) == (4_000, None, 48)


@pytest.mark.parametrize(
    ("turn_ns", "expected"),
    [
        pytest.param(2 * S, None, id="just the fastest turn"),
        pytest.param(2 * S - 48, "turned-too-fast", id="a little faster"),
        pytest.param(6 * S, None, id="just the slowest turn"),
        pytest.param(6 * S + 48, "turned-too-slowly", id="a little slower"),
    ],
)
def test_a_turn_may_be_as_fast_and_as_slow_as_the_bench_says(
    turn_ns: int, expected: Invalid | None
) -> None:
    assert reason(sweep_of(eccentric(2_000), turn_ns=turn_ns, step_nm=100)) == expected


@pytest.mark.parametrize(("samples", "expected"), [(24, None), (23, "too-few-samples")])
def test_a_turn_needs_its_samples(samples: int, expected: Invalid | None) -> None:
    assert reason(sweep_of(eccentric(2_000), samples, step_nm=100)) == expected


@pytest.mark.parametrize("first", [1, 20, 44, 49, 70, 92])
def test_readings_missing_within_a_turn_make_it_invalid(first: int) -> None:
    whole = sweep_of(eccentric(2_000), step_nm=100)
    assert reason(without(whole, first, first + 2)) is None
    assert reason(without(whole, first, first + 4)) == "readings-missing"


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        pytest.param(46, 51, None, id="two before and two after: neither turn lacks much"),
        pytest.param(44, 49, "readings-missing", id="all at the end of the first"),
        pytest.param(48, 53, "readings-missing", id="all at the beginning of the second"),
    ],
)
def test_readings_missing_where_two_turns_meet_count_for_the_turn_that_lacks_them(
    first: int, last: int, expected: Invalid | None
) -> None:
    whole = sweep_of(eccentric(2_000), step_nm=100)
    assert reason(without(whole, first, last)) == expected


def test_two_halves_of_two_turns_are_no_whole_turn() -> None:
    # First half of the first turn, second half of the second: 24 readings each.
    whole = sweep_of(eccentric(3_000, phase=0.25), step_nm=100)
    assert reason(without(whole, 24, 73)) == "readings-missing"


@given(st.integers(1, 95), st.integers(1, 40))
def test_no_gap_hides_more_than_the_loss_it_is_allowed(first: int, count: int) -> None:
    whole = sweep_of(eccentric(5_000, phase=-first / 48))  # the high spot lies in the gap
    found = evaluate(without(whole, first, min(96, first + count)), FINE_AT_24)
    if found.invalid is None:
        # 1/12 of a turn may be missing: the worst loss of a 30° gap is (1 − cos 15°) / 2.
        assert found.tir_nm is not None
        assert found.tir_nm >= 10_000 * (1 - 0.0171) - 60


def test_turns_that_disagree_are_invalid_and_bound_by_the_smaller_one() -> None:
    sweep = sweep_of(lambda t: (2_000 if t <= 1 else 3_000) * cos(2 * pi * t), step_nm=100)
    found = evaluate(sweep, INDEX_RULES)
    assert (found.invalid, found.tir_nm) == ("turns-disagree", None)
    assert found.seen_nm == 4_000


@pytest.mark.parametrize(("more_nm", "expected"), [(1_000, None), (1_100, "turns-disagree")])
def test_turns_agree_within_a_fifth_of_the_top_limit(
    more_nm: int, expected: Invalid | None
) -> None:
    # 20 % of 5 µm; the second turn's high spot is higher, its TIR of 4 µm below the limit.
    def wave(turns: float) -> float:
        high = more_nm if 1.25 < turns < 1.75 else 0
        return -1_500 * cos(2 * pi * turns) - high * cos(2 * pi * turns)

    assert reason(sweep_of(wave, step_nm=100)) == expected


@pytest.mark.parametrize(("more_nm", "expected"), [(3_900, None), (4_200, "turns-disagree")])
def test_turns_of_a_large_run_out_agree_within_a_fifth_of_it(
    more_nm: int, expected: Invalid | None
) -> None:
    # A fifth of 16 + 3.9 = 19.9 µm is 3.98 µm, a fifth of 16 + 4.2 = 20.2 µm is 4.04 µm.
    def wave(turns: float) -> float:
        high = more_nm if 1.25 < turns < 1.75 else 0
        return -(8_000 + high) * cos(2 * pi * turns)

    assert reason(sweep_of(wave, step_nm=100)) == expected


@pytest.mark.parametrize("stray", range(6, 43))
def test_a_stray_index_edge_never_makes_two_part_turns_into_whole_ones(stray: int) -> None:
    # A slow spindle of 4.8 s a turn: half of it would still be slow enough to be believed.
    for k in range(96):
        whole = sweep_of(eccentric(4_000, k / 96), 96, turns=1, turn_ns=4_800 * MS)
        at_ns = whole.at_ns
        cut = replace(whole, index_ns=(at_ns[0], at_ns[2 * stray], at_ns[96]))
        found = evaluate(cut, replace(INDEX_RULES, fastest_turn_ns=500 * MS, samples_min=12))
        if found.tir_nm is not None:
            assert found.tir_nm >= 0.8 * 8_000


def test_drift_over_a_turn_is_invalid_and_bound_by_what_is_left() -> None:
    found = evaluate(
        sweep_of(lambda t: 1_500 * cos(2 * pi * t) + 1_200 * t, step_nm=100), INDEX_RULES
    )
    assert found.invalid == "drift"
    assert found.seen_nm is not None
    assert found.seen_nm <= 3_000


@given(st.integers(0, 8_000), st.integers(-6_000, 6_000), st.floats(0, 1))
def test_drift_never_raises_the_lower_bound_above_the_run_out(
    e_nm: int, drift_nm: int, phase: float
) -> None:
    sweep = sweep_of(lambda t: e_nm * cos(2 * pi * (t + phase)) + drift_nm * t)
    found = evaluate(sweep, replace(INDEX_RULES, step_nm=1))
    if found.invalid is not None and found.seen_nm is not None:
        assert found.seen_nm <= 2 * e_nm + 2


def test_a_value_that_never_changes_is_frozen() -> None:
    assert reason(sweep_of(lambda _: 0.0)) == "frozen-value"


@pytest.mark.parametrize("froze_at", [0.02, 0.1, 0.3, 0.5, 0.8, 0.97, 1.0, 1.2, 1.5])
@pytest.mark.parametrize("phase", [0.0, 0.125, 0.25, 0.5, 0.75])
def test_an_indicator_that_freezes_in_the_sweep_never_passes_low(
    froze_at: float, phase: float
) -> None:
    alive = eccentric(6_000, phase)
    sweep = sweep_of(lambda t: alive(min(t, froze_at)), step_nm=100)
    found = evaluate(sweep, INDEX_RULES)
    # Whatever froze after a whole turn has shown its run-out already.
    assert found.invalid is not None or (froze_at >= 1 and found.tir_nm == 12_000)
    if found.invalid == "frozen-value":
        assert found.seen_nm is None


@pytest.mark.parametrize("noise", [False, True])
@pytest.mark.parametrize("kept", [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7])
@pytest.mark.parametrize("sign", [-1, 1])
def test_a_stylus_at_the_end_of_its_travel_is_off_the_pin(
    kept: float, sign: int, noise: bool
) -> None:
    """Of a run-out of 12 µm only a share is seen; the rest of the turn it lies at its end."""
    rng = Random(7)
    end_nm = 6_000 * (1 - 2 * kept)

    def wave(turns: float) -> float:
        flicker = rng.choice((0, 100)) if noise else 0
        return sign * (max(end_nm, 6_000 * cos(2 * pi * turns)) + flicker)

    found = evaluate(sweep_of(wave, step_nm=100), INDEX_RULES)
    assert found.invalid == "stylus-off"
    assert found.seen_nm is None


def clipped(end_nm: float) -> Wave:
    return lambda turns: max(end_nm, 6_000 * cos(2 * pi * turns))


def test_a_stylus_that_barely_reaches_its_end_loses_no_more_than_a_fifth() -> None:
    for kept in (k / 100 for k in range(70, 100)):
        end_nm = 6_000 * (1 - 2 * kept)
        found = evaluate(sweep_of(clipped(end_nm), step_nm=100), INDEX_RULES)
        assert found.invalid is not None or (found.tir_nm or 0) >= 0.8 * 12_000


@pytest.mark.parametrize("e_nm", [300, 500, 1_000, 3_000, 8_000])
@pytest.mark.parametrize("second", [0.0, 0.1, 0.2])
def test_an_oval_pin_is_no_stylus_at_its_end(e_nm: int, second: float) -> None:
    for k in range(48):
        assert reason(sweep_of(oval(e_nm, second, k / 480), step_nm=100)) is None


def oval(e_nm: int, second: float, phase: float) -> Wave:
    def wave(turns: float) -> float:
        angle = 2 * pi * (turns + phase)
        return e_nm * (cos(angle) - second * cos(2 * angle))

    return wave


def timed(wave: Wave, period: float = 1.0, seconds: float = 5.1) -> Sweep:
    """Return a sweep without index; ``period`` is the true turn as a share of the known."""
    at_ns = tuple(10 * S + i * 50 * MS for i in range(round(seconds * 20)))
    values = (wave((at - at_ns[0]) / (2_400 * MS * period)) for at in at_ns)
    return Sweep(at_ns, tuple(round(v / 100) * 100 for v in values))


@pytest.mark.parametrize("period", [0.95, 1.0, 1.05])
@pytest.mark.parametrize("e_nm", [500, 2_000, 7_500])
def test_a_known_speed_proves_a_turn_when_the_run_out_shows_it(
    e_nm: int, period: float
) -> None:
    for k in range(24):
        found = evaluate(timed(eccentric(e_nm, k / 24), period), SPEED_RULES)
        assert found.invalid is None
        assert found.tir_nm is not None
        assert abs(found.tir_nm - 2 * e_nm) <= 100 + 0.003 * 2 * e_nm


def test_noise_alone_is_no_turning() -> None:
    rng = Random(3)
    for _ in range(200):
        noise = timed(lambda _: rng.gauss(0, 150))
        assert reason(noise, SPEED_RULES) == "no-turning"
        assert evaluate(noise, SPEED_RULES).seen_nm is None


def test_a_wild_noise_is_no_turning_either() -> None:
    rng = Random(5)
    for _ in range(400):
        assert reason(timed(lambda _: rng.gauss(0, 400)), SPEED_RULES) is not None


def test_slow_drift_alone_is_no_turning_and_bounds_nothing() -> None:
    found = evaluate(timed(lambda turns: 300 * turns), SPEED_RULES)
    assert (found.invalid, found.seen_nm) == ("no-turning", None)


@pytest.mark.parametrize("period", [1.5, 2.0, 3.0, 5.0])
def test_a_spindle_at_the_wrong_speed_never_reads_low(period: float) -> None:
    for k in range(48):
        found = evaluate(timed(eccentric(6_000, k / 48), period), SPEED_RULES)
        assert found.invalid is not None or (found.tir_nm or 0) >= 0.8 * 12_000


def test_a_run_contact_spares_the_run_out_that_a_good_collet_has_not() -> None:
    rng = Random(4)
    quiet = timed(lambda _: rng.gauss(0, 60))
    assert reason(quiet, SPEED_RULES) == "no-turning"
    assert reason(quiet, replace(SPEED_RULES, has_run_contact=True)) is None


def test_a_sweep_of_one_turns_time_is_too_short_for_two() -> None:
    assert reason(timed(eccentric(2_000), seconds=3), SPEED_RULES) == "short-turn"
