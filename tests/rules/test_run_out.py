"""Run-out of a sweep is exact where the geometry is: published figures and properties."""

from dataclasses import replace
from math import cos, pi, sin

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rules.harmonic import first_harmonic
from rules.run_out import evaluate, evaluate_single
from rules.sweep import WHAT_TO_DO, Cut, Invalid, Sweep, SweepRules
from tests.rules.bench_tape import INDEX_RULES, MS, SPEED_RULES, S
from tests.rules.waves import FINE, eccentric, sweep_of

# Published check values, section 6: max − min of N even samples of a pure eccentricity, worst
# and mean share of 2e; at best all of it, for odd N cos(π / 2N) (closed forms there; from
# memory of no single source, recomputed here).
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
    best = 1.0 if samples % 2 == 0 else cos(pi / (2 * samples))
    assert max(shares) == pytest.approx(best, abs=2e-5)
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


def test_a_turn_whose_end_was_not_read_any_more_is_not_whole() -> None:
    whole = sweep_of(eccentric(2_000), step_nm=100)
    cut = replace(whole, at_ns=whole.at_ns[:40], value_nm=whole.value_nm[:40], cut="loosened")
    found = evaluate(cut, INDEX_RULES)
    assert (found.invalid, found.turns_nm) == ("short-turn", ())


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
    found = evaluate_single(Sweep((10 * S,), (value_nm,)))
    if value_nm < 0:
        assert (found.invalid, found.tir_nm, found.seen_nm) == ("negative-value", None, None)
    else:
        assert (found.invalid, found.tir_nm, found.seen_nm) == (None, value_nm, value_nm)
