"""Separation against theory and against an independent least squares."""

from cmath import exp
from math import pi, sqrt
from random import Random

import numpy as np
import pytest

from rules.separation import (
    Separated,
    SeparationError,
    holder_share,
    inseparable_harmonics,
    pooled_scatter,
    separate,
)

E_NM, S_NM = 900.0, 400.0
HOLDER = 200 * exp(0.6j * pi)


def axis_pair(rng: Random, sigma: float) -> complex:
    return complex(rng.gauss(0, sigma), rng.gauss(0, sigma))


def piece(
    rng: Random, angle_sigma_deg: float = 0.0, sense: int = 1
) -> tuple[complex, Separated]:
    """Return a collet's true vector and what three clampings show of it."""
    collet = axis_pair(rng, E_NM)
    nominal = [0.0, 120.0, 240.0]
    vectors = []
    for step in nominal:
        angle = sense * step + rng.gauss(0, angle_sigma_deg) * (step > 0)
        vectors.append(HOLDER + collet * exp(1j * angle * pi / 180) + axis_pair(rng, S_NM))
    return collet, separate(vectors, nominal)


def test_without_scatter_holder_and_collet_come_back_exactly() -> None:
    collet = 700 * exp(1.1j)
    vectors = [HOLDER + collet * exp(1j * a * pi / 180) for a in (0, 120, 240)]
    found = separate(vectors, (0, 120, 240))
    assert abs(found.holder - HOLDER) < 1e-9
    assert abs(found.collet - collet) < 1e-9
    assert abs(found.minus_one) < 1e-9
    assert found.residual < 1e-12
    assert found.collet_run_out_nm == 1400  # TIR = 2 × eccentricity
    assert found.holder_run_out_nm == 400


def test_three_equal_steps_are_the_discrete_fourier_terms() -> None:
    # Estler, Evans & Shao, Precision Engineering 21 (1997) 72: N equal steps average to the
    # part fixed to the spindle; numpy.fft is the independent computation.
    rng = Random(4)
    vectors = [axis_pair(rng, 1000) for _ in range(3)]
    terms = np.fft.fft(np.array(vectors)) / 3
    found = separate(vectors, (0, 120, 240))
    assert found.holder == pytest.approx(terms[0])
    assert found.collet == pytest.approx(terms[1])
    assert found.minus_one == pytest.approx(terms[2])


def test_general_angles_agree_with_numpy_s_least_squares() -> None:
    rng = Random(5)
    for _ in range(50):
        angles = [0.0, *(rng.uniform(20, 340) for _ in range(3))]
        vectors = [axis_pair(rng, 1000) for _ in angles]
        design = np.array([[1, exp(1j * a * pi / 180)] for a in angles])
        (holder, collet), *_ = np.linalg.lstsq(design, np.array(vectors), rcond=None)
        try:
            found = separate(vectors, angles)
        except SeparationError:
            continue
        assert found.holder == pytest.approx(complex(holder), rel=1e-9, abs=1e-6)
        assert found.collet == pytest.approx(complex(collet), rel=1e-9, abs=1e-6)


def test_a_collet_that_was_hardly_rotated_is_not_separated() -> None:
    with pytest.raises(SeparationError, match="hardly rotated"):
        separate([1 + 0j, 2 + 0j, 3 + 0j], [0, 3, 6])


@pytest.mark.parametrize(
    ("angle_sigma_deg", "expected_nm"),
    # Shared measurement of the plan: 0.231/0.234/0.242/0.256/0.296 µm at 0/5/10/15/25°.
    [(0, 231), (5, 234), (10, 242), (15, 256), (25, 296)],
)
def test_the_collet_is_found_within_the_scatter_theory_predicts(
    angle_sigma_deg: float, expected_nm: float
) -> None:
    rng = Random(11)
    errors = []
    for _ in range(4000):
        collet, found = piece(rng, angle_sigma_deg)
        error = found.collet - collet
        errors += [error.real, error.imag]
    spread = float(np.std(errors))
    assert spread == pytest.approx(expected_nm, rel=0.06)
    if angle_sigma_deg == 0:
        assert spread == pytest.approx(S_NM / sqrt(3), rel=0.03)


def test_scatter_is_pooled_over_pieces_and_its_interval_holds() -> None:
    covered = 0
    for seed in range(200):
        rng = Random(seed)
        scatter = pooled_scatter([piece(rng)[1] for _ in range(30)])
        assert scatter.degrees_of_freedom == 60
        covered += scatter.low_nm <= S_NM <= scatter.high_nm
    assert 180 <= covered <= 199  # 95 % of 200, three standard errors either way


def test_scatter_of_pieces_with_two_clampings_is_refused() -> None:
    with pytest.raises(SeparationError):
        pooled_scatter([separate([1 + 0j, 2 + 0j], [0, 180])])


@pytest.mark.parametrize(
    ("steps", "named"), [(3, (3, 6, 9, 12)), (2, (2, 4, 6, 8, 10, 12)), (4, (4, 8, 12))]
)
def test_the_harmonics_that_steps_cannot_separate_are_named(
    steps: int, named: tuple[int, ...]
) -> None:
    # Estler, Evans & Shao 1997: all but frequencies of kN average to zero.
    assert inseparable_harmonics(steps, 12) == named


@pytest.mark.parametrize("steps", [2, 3, 4])
def test_what_is_named_is_what_the_mean_of_turned_profiles_leaves(steps: int) -> None:
    """m_j(t) = s(t) + a(t − 2πj/N); mean over j: s(t) + ∑ a_kN(t) (Estler, Evans & Shao)."""
    rng, points = Random(6), 48
    part = np.array([rng.gauss(0, 1) for _ in range(points)])
    spindle = np.array([rng.gauss(0, 1) for _ in range(points)])
    turned = [spindle + np.roll(part, points * j // steps) for j in range(steps)]
    left = np.fft.rfft(np.mean(turned, axis=0) - spindle)
    found = tuple(k for k in range(1, 13) if abs(left[k]) > 1e-9)
    assert found == inseparable_harmonics(steps, 12)
    for k in found:
        assert left[k] == pytest.approx(np.fft.rfft(part)[k])


def test_half_a_turn_is_the_reversal_of_two_readings() -> None:
    # Donaldson reversal (published check values, section 6): half the sum is what stays, half
    # the difference what is turned.
    first, second = 1_100 + 300j, -250 + 90j
    found = separate([first, second], [0, 180])
    assert found.holder == pytest.approx((first + second) / 2)
    assert found.collet == pytest.approx((first - second) / 2)


@pytest.mark.parametrize("steps", [3, 4, 6, 12])
def test_the_uncertainty_goes_with_one_over_the_root_of_the_steps(steps: int) -> None:
    """u ∝ 1/√N (Estler, Evans & Shao 1997)."""
    rng, errors = Random(steps), []
    for _ in range(1_500):
        angles = [360 * k / steps for k in range(steps)]
        vectors = [700 * exp(1j * a * pi / 180) + axis_pair(rng, S_NM) for a in angles]
        wrong = separate(vectors, angles).collet - 700
        errors += [wrong.real, wrong.imag]
    assert float(np.std(errors)) == pytest.approx(S_NM / sqrt(steps), rel=0.05)


def test_the_holder_s_share_of_all_first_clampings_covers_the_truth() -> None:
    covered = 0
    for seed in range(200):
        rng = Random(seed)
        firsts = [HOLDER + axis_pair(rng, E_NM) + axis_pair(rng, S_NM) for _ in range(60)]
        share = holder_share(firsts)
        covered += abs(share.run_out_nm - 400) <= share.uncertainty_nm
    assert covered >= 185
