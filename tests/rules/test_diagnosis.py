"""What a sweep shows beside its TIR, held to geometry, published figures and scipy."""

from dataclasses import replace
from math import cos, hypot, pi, sin
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import lsq_linear

from rules.diagnosis import delay_ns, diagnose, sampling_loss_nm
from rules.run_out import evaluate
from rules.spindle_angle import TURN_UDEG
from rules.sweep import Diagnosis, Proof, Sweep, SweepRules
from rules.vectors import sweep_vector
from tests.rules.bench_tape import S
from tests.rules.diagnosed_sweep import evaluate_diagnosed
from tests.rules.test_run_out import SAMPLING
from tests.rules.turned_sweeps import RULES, Pin, Reader, drawn_pin, steady
from tests.rules.waves import FINE, sweep_of

ONE = 1_000_000
"""A microdegree's million: one degree."""


def shown(sweep: Sweep, rules: SweepRules) -> Diagnosis:
    found = diagnose(sweep, rules)
    assert found is not None
    return found


def test_amplitude_and_direction_of_the_published_circle() -> None:
    """Published check values, section 1: r = 3 + 4 cos(θ − 0.7), least-squares circle e = 4."""
    found = shown(sweep_of(lambda t: 3e6 + 4e6 * cos(2 * pi * t - 0.7), 720), FINE)
    assert found.amplitude_nm == pytest.approx(4e6, abs=1)
    assert found.direction_udeg / TURN_UDEG * 2 * pi == pytest.approx(0.7, abs=1e-6)
    assert (found.drift_nm, found.form_nm, found.noise_nm) == (0, 0, 0)


@pytest.mark.parametrize("samples", [n for n in SAMPLING if n >= 6])
def test_the_sampling_loss_covers_the_published_worst_case_and_no_more(samples: int) -> None:
    """Published check values, section 6: worst share of 2e seen by N even samples."""
    worst, _ = SAMPLING[samples]
    seen_nm = 10_000_000
    loss = sampling_loss_nm(seen_nm, 1 / samples, 1)
    assert loss is not None
    assert seen_nm / (seen_nm + loss) == pytest.approx(worst, abs=1e-6)
    assert sampling_loss_nm(seen_nm, 1 / samples, 2) == (
        None if samples < 5 else pytest.approx(seen_nm / cos(2 * pi / samples) - seen_nm, abs=2)
    )


def test_a_gap_that_a_wave_fits_into_could_hide_all_of_it() -> None:
    assert sampling_loss_nm(5_000, 0.5, 1) is None
    assert sampling_loss_nm(5_000, 0.25, 2) is None
    assert sampling_loss_nm(5_000, 0.0, 3) == 0


@pytest.mark.parametrize("proof", ["index", "angle"])
def test_uneven_samples_give_the_same_fit_as_scipy(proof: Proof) -> None:
    rng = Random(8)
    sweep = Reader(rng).sweep(drawn_pin(rng, 6_000), steady(3.0, 0.2, 0.3), RULES[proof])
    found = shown(sweep, RULES[proof])
    if proof == "angle":
        turns = [((a - sweep.angle_udeg[0]) / TURN_UDEG) % 1 for a in sweep.angle_udeg]
    else:
        start, close, end = sweep.index_ns
        turns = [
            (at - start) / (close - start) if at < close else (at - close) / (end - close)
            for at in sweep.at_ns
        ]
    rows = [
        [1.0, *(wave(2 * pi * k * t) for k in range(1, 6) for wave in (cos, sin))]
        for t in turns
    ]
    fitted = lsq_linear(rows, sweep.value_nm, method="bvls").x
    assert found.amplitude_nm == pytest.approx(hypot(fitted[1], fitted[2]), abs=15)


@given(st.floats(-300, 300), st.floats(0, 1))
def test_a_drift_is_told_a_turn_and_signed(drift_nm: float, phase: float) -> None:
    sweep = sweep_of(lambda t: 3_000 * cos(2 * pi * (t + phase)) + drift_nm * t)
    assert shown(sweep, FINE).drift_nm == pytest.approx(drift_nm, abs=2)


@pytest.mark.parametrize("noise_nm", [50, 100, 300])
def test_noise_and_form_are_told_apart(noise_nm: float) -> None:
    pin = Pin(((3_000, 0.1), (400, 0.3)))
    found = [
        shown(Reader(Random(k), noise_nm=noise_nm, step_nm=1).sweep(pin, steady(), FINE), FINE)
        for k in range(40)
    ]
    assert sum(f.noise_nm for f in found) / 40 == pytest.approx(noise_nm, rel=0.06)
    assert sum(f.form_nm for f in found) / 40 == pytest.approx(800, abs=40 + noise_nm)


def test_a_delay_turned_by_two_speeds_is_found_and_taken_off() -> None:
    pin, delay_s = Pin(((3_000, 0.0),)), 0.12
    seen = []
    for turn_s in (6.0, 2.4):
        late = steady(turn_s)
        rules = replace(RULES["index"], slowest_turn_ns=8 * S)
        sweep = Reader(Random(2), noise_nm=0, step_nm=1).sweep(pin, late, rules)
        at_ns = tuple(at + round(delay_s * S) for at in sweep.at_ns)
        index = tuple(i for i in sweep.index_ns if i <= at_ns[-1])
        sweep = replace(sweep, at_ns=at_ns, index_ns=index)
        seen.append((shown(sweep, replace(rules, turns=1)).direction_udeg, turn_s))
        corrected = shown(sweep, replace(rules, turns=1, delay_ns=round(delay_s * S)))
        off = (corrected.direction_udeg + 180 * ONE) % TURN_UDEG - 180 * ONE
        assert abs(off) < 2 * ONE
    (slow, slow_s), (fast, fast_s) = seen
    found = delay_ns(slow, round(slow_s * S), fast, round(fast_s * S))
    assert found == pytest.approx(delay_s * S, rel=0.05)
    with pytest.raises(ValueError, match="slow, then fast"):
        delay_ns(0, S, 0, S)


def test_the_diagnosis_changes_no_result() -> None:
    for seed in range(20):
        rng = Random(seed)
        sweep = Reader(rng).sweep(drawn_pin(rng, 5_000), steady(), RULES["index"])
        found = evaluate_diagnosed(sweep, RULES["index"])
        assert replace(found, diagnosis=None) == evaluate(sweep, RULES["index"])
        assert found.diagnosis is not None
        assert found.diagnosis == diagnose(sweep, RULES["index"])
    assert diagnose(Sweep((), ()), RULES["index"]) is None


@pytest.mark.parametrize("sense", [1, -1], ids=["forward", "backward"])
@pytest.mark.parametrize("start_deg", [0, 77, 301])
def test_by_an_encoder_the_direction_counts_from_its_zero(sense: int, start_deg: int) -> None:
    """``rules.vectors`` fits turn by turn at the frame's own angles: another computation."""
    rng, pin = Random(start_deg), Pin(((3_000, 0.31),))
    count, every_ns = 100, 48_000_000
    gone = [i * 2.05 / (count - 1) for i in range(count)]
    angles = [start_deg / 360 + sense * way for way in gone]
    sweep = Sweep(
        tuple(i * every_ns for i in range(count)),
        tuple(round(pin.at(angle) + rng.gauss(0, 20)) for angle in angles),
        angle_udeg=tuple(round(angle * TURN_UDEG) % TURN_UDEG for angle in angles),
    )
    late = replace(RULES["angle"], delay_ns=60_000_000)
    for rules in (RULES["angle"], late):
        found = shown(sweep, rules).direction_udeg / ONE
        other = sweep_vector(sweep, rules).whole.direction_deg
        assert (found - other + 180) % 360 - 180 == pytest.approx(0, abs=0.5)
    # cos(2π(a + 0.31)) is largest at a = -0.31, whichever way it went.
    straight = shown(sweep, RULES["angle"]).direction_udeg / ONE
    assert (straight + 0.31 * 360 + 180) % 360 - 180 == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("proof", ["speed", "period"])
def test_turns_known_by_time_alone_are_laid_over_each_other(proof: Proof) -> None:
    # The second is swept from 5 % of a turn after the first closed: the same pin all the same.
    pin, rules = Pin(((3_000, 0.2),)), RULES[proof]
    for seed in range(5):
        seen = diagnose(Reader(Random(seed), noise_nm=50).sweep(pin, steady(), rules), rules)
        assert seen is not None
        assert seen.amplitude_nm == pytest.approx(3_000, abs=30)
        assert seen.noise_nm < 80
