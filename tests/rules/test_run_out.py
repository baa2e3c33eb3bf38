"""Run-out of a sweep by itself: exact where the geometry is, invalid where doubt is."""

from collections.abc import Callable
from dataclasses import replace
from math import cos, pi, sin
from random import Random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rules.harmonic import first_harmonic
from rules.run_out import evaluate, evaluate_single
from rules.sweep import WHAT_TO_DO, Cut, Invalid, Sweep, SweepRules
from tests.rules.bench_tape import INDEX_RULES, MS, SPEED_RULES, S

FINE = replace(INDEX_RULES, step_nm=1, samples_min=3, top_limit_nm=1_000_000_000)
"""Rules that a geometric check needs: no rounding, few samples, wide agreement."""

Wave = Callable[[float], float]


def sweep_of(
    wave: Wave, samples: int = 48, turns: int = 2, turn_ns: int = 2_400 * MS, step_nm: int = 1
) -> Sweep:
    """Return whole turns of a wave given in nanometres over turns, index on the readings."""
    count = samples * turns
    at_ns = tuple(10 * S + round(i * turn_ns / samples) for i in range(count + 1))
    values = tuple(round(wave(i / samples) / step_nm) * step_nm for i in range(count + 1))
    return Sweep(at_ns, values, tuple(at_ns[::samples]))


def eccentric(e_nm: float, phase: float = 0.0) -> Wave:
    return lambda turns: e_nm * cos(2 * pi * (turns + phase))


# --- geometry --------------------------------------------------------------------------------

# Published check values, section 6: max − min of N even samples of a pure eccentricity, worst
# and mean share of 2e (closed forms there; from memory of no single source, recomputed here).
SAMPLING = {
    3: (0.750000, 0.826993), 4: (0.707107, 0.900316), 6: (0.866025, 0.954930),
    8: (0.923880, 0.974495), 12: (0.965926, 0.988616), 16: (0.980785, 0.993587),
    24: (0.991445, 0.997147), 36: (0.996195, 0.998731), 72: (0.999048, 0.999683),
    100: (0.999507, 0.999836),
}  # fmt: skip


@pytest.mark.parametrize("samples", SAMPLING)
def test_what_sampling_loses_is_as_published(samples: int) -> None:
    e_nm, phases = 10_000_000, 400
    shares = []
    for k in range(phases):
        wave = eccentric(e_nm, k / phases / samples)
        found = evaluate(sweep_of(wave, samples), FINE)
        # Below eight a turn, which no bench file may ask for, a crest can look flat.
        assert found.invalid is None or samples < 8
        shares.append(max(found.turns_nm) / (2 * e_nm))
    worst, mean = SAMPLING[samples]
    assert min(shares) == pytest.approx(worst, abs=2e-5)
    assert sum(shares) / phases == pytest.approx(mean, abs=2e-5)


@given(st.integers(1_000, 50_000), st.floats(0, 1))
def test_tir_is_twice_the_eccentricity(e_nm: int, phase: float) -> None:
    """FIM = TIR = 2e for a pure eccentricity (ISO 1101, from memory; and by computation)."""
    found = evaluate(sweep_of(eccentric(e_nm, phase), samples=720), FINE)
    assert found.tir_nm is not None
    assert abs(found.tir_nm - 2 * e_nm) <= 2 + 2 * e_nm * (1 - cos(pi / 720))


def test_a_fit_of_four_gives_eight() -> None:
    """Published check values, section 1: r = 3 + 4 cos(θ − 0.7) has e = 4 and TIR = 8."""
    sweep = sweep_of(lambda turns: 3e6 + 4e6 * cos(2 * pi * turns - 0.7), samples=720)
    amplitude_nm, residual_nm = first_harmonic(sweep, 2_400 * MS)
    assert amplitude_nm == pytest.approx(4e6, rel=1e-9)
    assert residual_nm < 1
    assert evaluate(sweep, FINE).tir_nm == pytest.approx(8e6, rel=1e-5)


@given(st.lists(st.integers(-50_000, 50_000), min_size=97, max_size=97))
def test_a_valid_tir_is_the_largest_turns_max_minus_min(values: list[int]) -> None:
    at_ns = tuple(10 * S + i * 50 * MS for i in range(97))
    sweep = Sweep(at_ns, tuple(values), (at_ns[0], at_ns[48], at_ns[96]))
    found = evaluate(sweep, FINE)
    turns = (values[:49], values[48:])
    assert found.turns_nm == tuple(max(turn) - min(turn) for turn in turns)
    if found.invalid is None:
        assert found.tir_nm == found.seen_nm == max(found.turns_nm)


@given(st.integers(-500_000, 500_000))
def test_a_zero_offset_changes_nothing(offset_nm: int) -> None:
    plain, shifted = eccentric(2_000), eccentric(2_000)
    of_plain = evaluate(sweep_of(plain, step_nm=1), INDEX_RULES)
    of_shifted = evaluate(sweep_of(lambda t: shifted(t) + offset_nm), INDEX_RULES)
    assert abs((of_plain.tir_nm or 0) - (of_shifted.tir_nm or 0)) <= 2


@given(st.integers(500, 30_000), st.floats(0, 1), st.integers(1, 20))
def test_amplitude_and_noise_of_the_first_harmonic_are_told_apart(
    e_nm: int, phase: float, waves: int
) -> None:
    assume(waves != 1)

    def wave(turns: float) -> float:
        return e_nm * cos(2 * pi * (turns + phase)) + 300 * sin(2 * pi * waves * turns)

    amplitude_nm, residual_nm = first_harmonic(sweep_of(wave), 2_400 * MS)
    assert amplitude_nm == pytest.approx(e_nm, rel=0.02, abs=10)
    assert residual_nm == pytest.approx(300 / 2**0.5, rel=0.05)


# --- at the edge of validity -----------------------------------------------------------------


def reason(sweep: Sweep, rules: SweepRules = INDEX_RULES) -> Invalid | None:
    return evaluate(sweep, rules).invalid


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


def without(sweep: Sweep, first: int, last: int) -> Sweep:
    """Return the sweep without some of its readings, ``last`` not included."""
    at_ns = sweep.at_ns[:first] + sweep.at_ns[last:]
    return replace(sweep, at_ns=at_ns, value_nm=sweep.value_nm[:first] + sweep.value_nm[last:])


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


FINE_AT_24 = replace(FINE, samples_min=24)


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


@pytest.mark.parametrize("stray", range(6, 43, 4))
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


# --- stylus and indicator --------------------------------------------------------------------


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


# --- proof by speed --------------------------------------------------------------------------


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


# --- what was seen at least ------------------------------------------------------------------


def partial(degrees: int, e_nm: int = 6_000, phase: float = 0.0) -> Sweep:
    """Return a sweep that began at the index and was cut within its first turn."""
    count = round(48 * degrees / 360) + 1
    whole = sweep_of(eccentric(e_nm, phase), step_nm=100)
    index_ns = tuple(at for at in whole.index_ns if at <= whole.at_ns[count - 1])
    return Sweep(whole.at_ns[:count], whole.value_nm[:count], index_ns, "stopped")


# Published trade facts: what a part of a turn shows of a once-per-turn run-out at worst.
@pytest.mark.parametrize(("degrees", "share"), [(180, 0.5), (270, 0.85), (300, 0.93)])
def test_a_short_turn_has_no_result_and_bounds_the_run_out(degrees: int, share: float) -> None:
    seen = []
    for k in range(48):
        found = evaluate(partial(degrees, phase=k / 48), INDEX_RULES)
        assert (found.invalid, found.tir_nm) == ("short-turn", None)
        assert found.seen_nm is not None
        seen.append(found.seen_nm / 12_000)
    assert min(seen) == pytest.approx(share, abs=0.02)
    assert max(seen) <= 1


def test_what_moves_after_a_standstill_bounds_nothing() -> None:
    short = partial(200, e_nm=1_000)
    last_ns, still = short.at_ns[-1], short.value_nm[-1]
    resting = [(last_ns + i * 50 * MS, still + 100 * (i % 2)) for i in range(1, 31)]
    opening = [(last_ns + (30 + i) * 50 * MS, still + i * 3_000) for i in range(1, 20)]
    at_ns, value_nm = zip(*resting, *opening, strict=True)
    sweep = replace(short, at_ns=short.at_ns + at_ns, value_nm=short.value_nm + value_nm)
    found = evaluate(sweep, INDEX_RULES)
    assert found.invalid == "short-turn"
    assert found.seen_nm is not None
    assert found.seen_nm <= 2_100


CUTS: dict[Cut, Invalid] = {
    "lifted": "stylus-off", "loosened": "short-turn", "stopped": "short-turn",
    "over-range": "over-range", "frozen": "frozen-value", "wrong-mode": "wrong-mode",
    "unit-changed": "unit-changed", "offset-changed": "offset-changed",
}  # fmt: skip


@pytest.mark.parametrize("cut", CUTS)
def test_a_cut_sweep_is_invalid_even_if_its_turns_look_whole(cut: Cut) -> None:
    found = evaluate(replace(sweep_of(eccentric(2_000), step_nm=100), cut=cut), INDEX_RULES)
    assert (found.invalid, found.tir_nm) == (CUTS[cut], None)
    if cut not in ("loosened", "stopped"):
        assert found.seen_nm is None


@pytest.mark.parametrize("rules", [INDEX_RULES, SPEED_RULES])
def test_an_empty_sweep_and_one_reading_show_no_turning(rules: SweepRules) -> None:
    for sweep in (Sweep((), ()), Sweep((S,), (1_000,))):
        found = evaluate(sweep, rules)
        assert (found.invalid, found.tir_nm) == ("no-turning", None)
        assert not found.seen_nm


def test_every_reason_says_what_to_do() -> None:
    for text in WHAT_TO_DO.values():
        assert text


@given(
    st.lists(st.integers(-30, 30), min_size=0, max_size=120),
    st.lists(st.integers(0, 120), max_size=5, unique=True),
    st.sampled_from([None, *CUTS]),
    st.sampled_from([INDEX_RULES, SPEED_RULES]),
)
def test_no_sweep_at_all_breaks_the_evaluation(
    values: list[int], index: list[int], cut: Cut | None, rules: SweepRules
) -> None:
    at_ns = tuple(10 * S + i * 50 * MS for i in range(len(values)))
    index_ns = tuple(10 * S + i * 50 * MS for i in sorted(index))
    found = evaluate(Sweep(at_ns, tuple(v * 100 for v in values), index_ns, cut), rules)
    assert (found.tir_nm is None) == (found.invalid is not None)
    if found.seen_nm is not None:
        assert 0 <= found.seen_nm <= (max(values) - min(values)) * 100


@given(st.integers(-10_000, 10_000_000))
def test_a_finished_value_is_its_own_run_out_unless_negative(value_nm: int) -> None:
    found = evaluate_single(value_nm)
    if value_nm < 0:
        assert (found.invalid, found.tir_nm, found.seen_nm) == ("negative-value", None, None)
    else:
        assert (found.invalid, found.tir_nm, found.seen_nm) == (None, value_nm, value_nm)
