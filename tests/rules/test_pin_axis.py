"""The pin's axis against geometry in space: a stylus feels a cylinder that leans and turns."""

from cmath import exp, phase, rect
from math import asin, degrees, pi, sqrt
from random import Random

import numpy as np
import pytest

from rules.pin_axis import PinAxisError, pin_axis, tilt_deviation_urad
from rules.vectors import sweep_vector
from tests.rules.bench_tape import INDEX_RULES
from tests.rules.waves import sweep_of

MM = 1_000_000
RADIUS_NM = 5 * MM


def felt_nm(face: complex, slope_urad: complex, projection_nm: int, turns: float) -> float:
    """Return how far from the spindle's axis a stylus on +x meets the turned cylinder, nm.

    Straight from the geometry: the ray y = 0 at this distance from the face cuts the cylinder
    where a point is one radius off its axis, |(p − a) × u| = r with the axis a + u·t.
    """
    turn = exp(2j * pi * turns)
    foot, lean = face * turn, slope_urad * turn * 1e-6
    axis = np.array([foot.real, foot.imag, 0.0])
    along = np.array([lean.real, lean.imag, 1.0])
    along = along / sqrt(float(along @ along))
    # |(p − a) × u|² is a quadratic in the x of p = (x, 0, z): no small angle is assumed.
    base = np.cross(np.array([0.0, 0.0, float(projection_nm)]) - axis, along)
    rise = np.cross(np.array([1.0, 0.0, 0.0]), along)
    a, b = float(rise @ rise), 2 * float(base @ rise)
    c = float(base @ base) - RADIUS_NM**2
    return (-b + sqrt(b * b - 4 * a * c)) / (2 * a)


@pytest.mark.parametrize("seed", range(6))
def test_the_axis_of_a_leaning_cylinder_is_found_from_two_sweeps(seed: int) -> None:
    rng = Random(seed)
    face = complex(rng.gauss(0, 900), rng.gauss(0, 900))
    slope = rect(rng.uniform(20, 300), rng.uniform(0, 2 * pi))
    found = pin_axis([(z, _vector(face, slope, z)) for z in (3 * MM, 25 * MM)])
    # Whole nanometres in the sweep: 22 mm apart they leave some hundredths of a microradian.
    assert found.slope_urad == pytest.approx(slope, abs=0.1)
    assert found.at_face == pytest.approx(face, abs=2)
    assert found.tilt_urad == pytest.approx(_angle_between_axes_urad(slope), abs=0.1)
    assert found.direction_deg == pytest.approx(degrees(phase(slope)) % 360, abs=0.2)
    # TIR 40 mm from the face, as a third stylus there feels it.
    felt = [felt_nm(face, slope, 40 * MM, k / 720) for k in range(720)]
    assert found.run_out_at_nm(40 * MM) == pytest.approx(max(felt) - min(felt), abs=12)


def _vector(face: complex, slope: complex, projection_nm: int) -> complex:
    sweep = sweep_of(lambda turns: felt_nm(face, slope, projection_nm, turns))
    return sweep_vector(sweep, INDEX_RULES).whole.vector


def _angle_between_axes_urad(slope: complex) -> float:
    """Return the angle between two axes by the length of their cross product."""
    lean = abs(slope) * 1e-6
    return 1e6 * asin(lean / sqrt(1 + lean**2))


def test_two_micrometres_more_over_twenty_millimetres_are_a_hundred_microradians() -> None:
    found = pin_axis([(5 * MM, 1_000 + 0j), (25 * MM, 3_000 + 0j)])
    assert found.tilt_urad == pytest.approx(100)
    assert found.at_face == pytest.approx(500)
    assert found.direction_deg == pytest.approx(0)
    assert found.residual_nm == 0


def test_equal_run_out_at_both_positions_may_still_be_a_tilt() -> None:
    # TIR alone can't show it: 1 µm to one side near the face, 1 µm to the other far off.
    found = pin_axis([(5 * MM, 1_000 + 0j), (25 * MM, -1_000 + 0j)])
    assert found.tilt_urad == pytest.approx(100)
    assert found.run_out_at_nm(15 * MM) == 0


def test_three_positions_agree_with_numpy_s_least_squares() -> None:
    rng = Random(3)
    places = [3 * MM, 12 * MM, 30 * MM, 42 * MM]
    vectors = [complex(rng.gauss(0, 900), rng.gauss(0, 900)) for _ in places]
    design = np.array([[1, z / MM] for z in places], dtype=complex)
    (face, slope), (squares,), *_ = np.linalg.lstsq(design, np.array(vectors), rcond=None)
    found = pin_axis(list(zip(places, vectors, strict=True)))
    assert found.at_face == pytest.approx(complex(face))
    assert found.slope_urad == pytest.approx(complex(slope))
    assert found.residual_nm == pytest.approx(sqrt(float(squares.real) / 4))


def test_the_scatter_of_the_tilt_is_as_predicted() -> None:
    rng = Random(7)
    slopes = []
    for _ in range(4_000):
        near, far = (complex(rng.gauss(0, 30), rng.gauss(0, 30)) for _ in range(2))
        slopes.append(pin_axis([(5 * MM, near), (25 * MM, far)]).slope_urad)
    parts = [part for slope in slopes for part in (slope.real, slope.imag)]
    assert float(np.std(parts)) == pytest.approx(tilt_deviation_urad(30, 20 * MM), rel=0.03)


@pytest.mark.parametrize("places", [(), (5 * MM,), (5 * MM, 5 * MM)])
def test_one_distance_shows_no_axis(places: tuple[int, ...]) -> None:
    with pytest.raises(PinAxisError, match="two distances or more"):
        pin_axis([(z, 1 + 0j) for z in places])


def test_positions_that_are_not_apart_have_no_scatter() -> None:
    with pytest.raises(PinAxisError, match="0 nm apart"):
        tilt_deviation_urad(30, 0)
