"""The vector of a sweep against geometry, numpy's Fourier transform, and made-up sweeps."""

from cmath import exp, rect
from dataclasses import replace
from math import cos, pi, radians, sin, sqrt
from random import Random

import numpy as np
import pytest
from scipy.optimize import least_squares

from rules.sweep import Proof, Sweep
from rules.vectors import Harmonic, VectorError, fit_harmonic, sweep_vector
from simulators.collet import Tightening
from simulators.spindle import Drive
from tests.daemon.measured import Bench, sweep
from tests.rules.bench_tape import INDEX_RULES

S = 1_000_000_000
TURN_NS = 2_400_000_000
RULES = replace(INDEX_RULES, samples_min=24)
ENCODER = replace(RULES, proof="angle")


def uneven(rng: Random, count: int) -> list[float]:
    """Return angles over one turn, some of it read far more closely than the rest."""
    return sorted(2 * pi * rng.random() ** 1.7 for _ in range(count))


def made(
    vector: complex,
    rng: Random,
    drift_nm: float = 0.0,
    second_nm: float = 0.0,
    noise_nm: float = 0.0,
    turns: int = 2,
    samples: int = 48,
) -> Sweep:
    """Return a sweep at uneven times whose vector, drift a turn and form are known."""
    at_ns, value_nm = [], []
    for turn in range(turns):
        for angle in uneven(rng, samples):
            turned = turn + angle / (2 * pi)
            seen = (vector * exp(1j * angle)).real + second_nm * cos(2 * angle + 0.4)
            value_nm.append(round(5_000 + seen + drift_nm * turned + rng.gauss(0, noise_nm)))
            at_ns.append(round(turned * TURN_NS))
    index = tuple(turn * TURN_NS for turn in range(turns + 1))
    return Sweep(tuple(at_ns), tuple(value_nm), index)


@pytest.mark.parametrize("direction_deg", [0, 37, 90, 180, 251, 359])
def test_the_largest_indication_comes_so_many_degrees_after_the_index(
    direction_deg: float,
) -> None:
    angles = [2 * pi * i / 360 for i in range(360)]
    values = [1_500 * cos(angle - radians(direction_deg)) for angle in angles]
    found = fit_harmonic(angles, values)
    assert found.amplitude_nm == pytest.approx(1_500)
    assert found.direction_deg == pytest.approx(direction_deg, abs=1e-6)
    assert angles[values.index(max(values))] == pytest.approx(radians(direction_deg))


def test_even_steps_are_the_discrete_fourier_term() -> None:
    # numpy.fft is the independent computation: of Re(V·exp(iφ)) the first term is V/2.
    rng = Random(3)
    values = [rng.gauss(0, 1_000) for _ in range(64)]
    term = np.fft.fft(np.array(values))[1] / 64
    found = fit_harmonic([2 * pi * i / 64 for i in range(64)], values)
    assert found.vector == pytest.approx(2 * complex(term))
    assert found.mean_nm == pytest.approx(float(np.mean(values)))


def test_it_is_the_centre_of_the_least_squares_circle() -> None:
    """Published check values, section 6: evenly read, a = 2/n ∑ x, b = 2/n ∑ y, R = 1/n ∑ r.

    The least-squares circle in the sense of ISO 4291:1985 / ISO 12181-1 (from memory); scipy
    fits the circle itself, which that formula takes to be small beside its radius.
    """
    rng, n, radius_nm = Random(9), 72, 5e6
    centre = complex(620, -810)
    angles = [2 * pi * i / n for i in range(n)]
    r = [radius_nm + (centre * exp(-1j * a)).real + rng.gauss(0, 50) for a in angles]
    x, y = zip(
        *((ri * cos(a), ri * sin(a)) for ri, a in zip(r, angles, strict=True)), strict=True
    )
    found = fit_harmonic(angles, r)
    assert found.vector.conjugate() == pytest.approx(complex(2 / n * sum(x), 2 / n * sum(y)))
    assert found.mean_nm == pytest.approx(sum(r) / n)
    points = np.array(x) + 1j * np.array(y)
    fitted = least_squares(
        lambda c: np.abs(points - complex(c[0], c[1])) - c[2], [0.0, 0.0, 4e6], x_scale=1e3,
        xtol=1e-14, ftol=1e-14, gtol=1e-14,
    )  # fmt: skip
    # The circle's curvature adds e²/R: 0.2 nm here.
    assert found.vector.conjugate() == pytest.approx(complex(*fitted.x[:2]), abs=0.5)
    assert found.mean_nm == pytest.approx(fitted.x[2], abs=0.5)


def test_readings_that_come_unevenly_pull_nothing_aside() -> None:
    rng = Random(5)
    for _ in range(50):
        vector = complex(rng.gauss(0, 900), rng.gauss(0, 900))
        angles = uneven(rng, 40)
        values = [700 + (vector * exp(1j * angle)).real for angle in angles]
        found = fit_harmonic(angles, values)
        assert found.vector == pytest.approx(vector, abs=1e-6)
        assert found.residual_nm < 1e-6


def test_a_collet_rotated_the_way_the_spindle_turns_has_its_vector_rotated_so() -> None:
    # Geometry: the pin's axis lies at V in a frame that turns by φ; the stylus sees the part
    # towards it, Re(V·exp(iφ)). Rotating the collet by θ in that sense makes V·exp(iθ).
    own = rect(1.2, 0.7)
    firsts = [
        sweep_vector(sweep(pin(own * exp(1j * radians(angle))), Bench(), Random(1)), RULES)
        for angle in (0, 120)
    ]
    turned = firsts[1].whole.vector / firsts[0].whole.vector
    assert turned == pytest.approx(exp(1j * radians(120)), abs=0.03)


def pin(vector_um: complex) -> Tightening:
    return Tightening(1, 1, 0.0, vector_um)


@pytest.mark.parametrize("index_at", [0.0, 0.37, 0.8])
def test_the_simulated_pin_is_found_in_the_frame_of_the_index(index_at: float) -> None:
    rng = Random(9)
    bench = Bench(drive=Drive(ripple=0.0), index_at=index_at)
    errors = []
    for _ in range(60):
        vector = complex(rng.gauss(0, 0.9), rng.gauss(0, 0.9))
        found = sweep_vector(sweep(pin(vector), bench, rng), RULES)
        truth = vector * exp(2j * pi * index_at) * 1_000
        errors += [(found.whole.vector - truth).real, (found.whole.vector - truth).imag]
    # Noise 50 nm and a step of 100 nm (uniform, 100/√12), 96 readings: σ·√(2/96) an axis.
    expected = sqrt(50**2 + 100**2 / 12) * sqrt(2 / 96)
    assert float(np.std(errors)) == pytest.approx(expected, rel=0.35)
    assert abs(float(np.mean(errors))) < 4 * expected / sqrt(len(errors))


@pytest.mark.parametrize("ripple", [0.05, 0.2])
def test_a_speed_that_swings_turns_every_vector_alike(ripple: float) -> None:
    rng = Random(2)
    bench = Bench(drive=Drive(ripple=ripple), index_at=0.37)
    ratios = []
    for _ in range(24):
        vector = rect(3.0, rng.uniform(0, 2 * pi))
        found = sweep_vector(sweep(pin(vector), bench, rng), RULES)
        ratios.append(found.whole.vector / (vector * 1_000 * exp(2j * pi * 0.37)))
    mean = sum(ratios) / len(ratios)
    assert abs(np.angle(mean)) <= ripple
    assert abs(mean) == pytest.approx(1 - ripple**2 / 4, abs=0.006)
    assert max(abs(ratio - mean) for ratio in ratios) < 0.02


def test_drift_is_found_and_takes_nothing_from_the_vector() -> None:
    rng = Random(4)
    for drift in (-300.0, 40.0, 900.0):
        found = sweep_vector(made(600 + 800j, rng, drift_nm=drift, samples=400), RULES)
        assert found.drift_per_turn_nm == pytest.approx(drift, abs=3)
        assert found.whole.vector == pytest.approx(600 + 800j, abs=3)
        assert found.whole.residual_nm < 3


def test_the_form_of_the_pin_is_no_drift_and_stays_in_the_residual() -> None:
    at_ns = tuple(round(i / 96 * TURN_NS) for i in range(193))
    value_nm = tuple(
        round(1_000 * cos(2 * pi * i / 96) + 400 * cos(4 * pi * i / 96 + 1.1))
        for i in range(193)
    )
    found = sweep_vector(Sweep(at_ns, value_nm, (0, TURN_NS, 2 * TURN_NS)), RULES)
    assert found.drift_per_turn_nm == pytest.approx(0, abs=0.1)
    assert found.whole.vector == pytest.approx(1_000, abs=0.5)
    assert found.whole.residual_nm == pytest.approx(400 / sqrt(2), rel=0.02)


def test_noise_is_the_residual() -> None:
    found = sweep_vector(
        made(1_000j, Random(6), noise_nm=80, turns=5, samples=200), replace(RULES, turns=5)
    )
    assert found.whole.residual_nm == pytest.approx(80, rel=0.06)
    assert len(found.turns) == 5
    assert found.whole.samples == 1_000


def test_turns_that_differ_show_it_one_by_one() -> None:
    first = made(1_000 + 0j, Random(7), turns=1)
    second = made(2_000j, Random(8), turns=1)
    both = Sweep(
        first.at_ns + tuple(at + TURN_NS for at in second.at_ns),
        first.value_nm + second.value_nm,
        (0, TURN_NS, 2 * TURN_NS),
    )
    found = sweep_vector(both, RULES)
    assert found.turns[0].vector == pytest.approx(1_000, abs=2)
    assert found.turns[1].vector == pytest.approx(2_000j, abs=2)


def test_only_the_turns_that_count_are_looked_at() -> None:
    swept = made(500j, Random(1), turns=3)
    assert sweep_vector(swept, RULES).whole.samples == 96


@pytest.mark.parametrize("index_ns", [(), (0,), (0, TURN_NS)])
def test_without_enough_index_passings_there_is_no_direction(index_ns: tuple[int, ...]) -> None:
    swept = made(500j, Random(1))
    with pytest.raises(VectorError, match="fewer than 2 whole turns by index"):
        sweep_vector(Sweep(swept.at_ns, swept.value_nm, index_ns), RULES)


def test_too_few_readings_have_no_direction() -> None:
    with pytest.raises(VectorError, match="7 readings"):
        fit_harmonic([i / 7 * 2 * pi for i in range(7)], [1.0] * 7)


def test_readings_over_a_small_part_of_the_turn_have_no_direction() -> None:
    with pytest.raises(VectorError, match="too little of a turn"):
        fit_harmonic([i * 0.001 for i in range(40)], [float(i) for i in range(40)])


def test_a_pin_without_run_out_has_no_length() -> None:
    found = fit_harmonic([i / 36 * 2 * pi for i in range(36)], [4_200.0] * 36)
    assert isinstance(found, Harmonic)
    assert found.amplitude_nm == pytest.approx(0, abs=1e-9)
    assert 0 <= found.direction_deg < 360


def by_encoder(vector: complex, sense: int, start_deg: float, rng: Random) -> Sweep:
    """Return a sweep turned by hand, now faster, now slower, with an angle in each frame."""
    at_ns, value_nm, angle_udeg = [], [], []
    turned = 0.0
    for i in range(200):
        turned += rng.uniform(0.002, 0.02)
        true = start_deg / 360 + sense * turned
        at_ns.append(i * 50_000_000)
        value_nm.append(round((vector * exp(2j * pi * true)).real))
        angle_udeg.append(round(true * 360_000_000) % 360_000_000)
    return Sweep(tuple(at_ns), tuple(value_nm), angle_udeg=tuple(angle_udeg))


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("start_deg", [0.0, 211.0])
def test_an_encoder_s_zero_is_the_zero_however_unevenly_and_whichever_way_it_was_turned(
    sense: int, start_deg: float
) -> None:
    swept = by_encoder(700 - 900j, sense, start_deg, Random(3))
    found = sweep_vector(swept, replace(ENCODER, turns=1))
    assert found.whole.vector == pytest.approx(700 - 900j, abs=1)


def test_a_second_flag_straightens_an_uneven_hand() -> None:
    # 100° from flag to flag take half of the time: one flag alone would be misled.
    turned = [i / 96 for i in range(192)]

    def time(turns: float) -> int:
        whole, part = divmod(turns, 1)
        share = part / (100 / 360) / 2 if part < 100 / 360 else 0.5 + (part - 100 / 360) / 1.444
        return round((whole + share) * TURN_NS)

    vector = 1_000 * exp(0.9j)
    values = tuple(round((vector * exp(2j * pi * way)).real) for way in turned)
    swept = Sweep(
        tuple(time(way) for way in turned), values, (0, TURN_NS, 2 * TURN_NS),
        second_ns=(TURN_NS // 2, TURN_NS + TURN_NS // 2),
    )  # fmt: skip
    two = sweep_vector(swept, replace(RULES, second_flag_deg=100)).whole.vector
    one = sweep_vector(swept, RULES).whole.vector
    assert two == pytest.approx(vector, abs=3)
    assert abs(one - vector) > 200


def test_two_flags_passed_the_other_way_round_give_the_same_vector() -> None:
    vector = 1_000 * exp(-2.1j)
    turned = [i / 96 for i in range(193)]
    values = tuple(round((vector * exp(-2j * pi * way)).real) for way in turned)
    swept = Sweep(
        tuple(round(way * TURN_NS) for way in turned), values, (0, TURN_NS, 2 * TURN_NS),
        second_ns=tuple(round((n + 1 - 100 / 360) * TURN_NS) for n in range(2)),
    )  # fmt: skip
    found = sweep_vector(swept, replace(RULES, second_flag_deg=100))
    assert found.whole.vector == pytest.approx(vector, abs=2)


@pytest.mark.parametrize("proof", ["index", "angle"])
def test_what_the_indicator_says_late_is_put_where_it_was_seen(proof: str) -> None:
    vector, late = 1_000 * exp(0.4j), 1 / 24
    turned = [i / 96 for i in range(193)]
    values = tuple(round((vector * exp(2j * pi * (way - late))).real) for way in turned)
    swept = Sweep(
        tuple(round(way * TURN_NS) for way in turned), values, (0, TURN_NS, 2 * TURN_NS),
        angle_udeg=tuple(round(way * 360_000_000) % 360_000_000 for way in turned),
    )  # fmt: skip
    rules = RULES if proof == "index" else ENCODER
    blind = sweep_vector(swept, rules).whole.vector
    assert blind == pytest.approx(vector * exp(-2j * pi * late), abs=2)
    told = sweep_vector(swept, replace(rules, delay_ns=round(late * TURN_NS)))
    assert told.whole.vector == pytest.approx(vector, abs=2)


@pytest.mark.parametrize("proof", ["speed", "period"])
def test_time_alone_gives_no_direction(proof: Proof) -> None:
    with pytest.raises(VectorError, match="no direction without an index or an encoder"):
        sweep_vector(made(500j, Random(1)), replace(RULES, proof=proof, turn_ns=TURN_NS))
