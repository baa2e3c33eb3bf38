"""The first harmonic of a sweep: the part of the indication that comes back once a turn."""

from math import cos, hypot, pi, sin, sqrt
from operator import mul

from rules.sweep import Sweep

_Matrix = list[list[float]]


def first_harmonic(sweep: Sweep, period_ns: int) -> tuple[float, float]:
    """Return amplitude and residual standard deviation, both in nanometres.

    Least squares of mean, cosine and sine at the known period. Sums run from the first
    reading to the last, so that the same sweep gives the same bits.
    """
    first_ns, values = sweep.at_ns[0], sweep.value_nm
    angles = [2 * pi * (at - first_ns) / period_ns for at in sweep.at_ns]
    cosines, sines = list(map(cos, angles)), list(map(sin, angles))
    of_cos, of_sin = sum(cosines), sum(sines)
    crossed = sum(map(mul, cosines, sines))
    normal = [
        [float(len(angles)), of_cos, of_sin],
        [of_cos, sum(map(mul, cosines, cosines)), crossed],
        [of_sin, crossed, sum(map(mul, sines, sines))],
    ]
    right = [
        sum(map(float, values)),
        sum(map(mul, cosines, values)),
        sum(map(mul, sines, values)),
    ]
    mean, in_phase, quadrature = _solve(normal, right)
    squares = sum(
        (v - mean - in_phase * c - quadrature * s) ** 2
        for v, c, s in zip(values, cosines, sines, strict=True)
    )
    return hypot(in_phase, quadrature), sqrt(squares / max(1, len(angles) - 3))


def _solve(matrix: _Matrix, right: list[float]) -> tuple[float, float, float]:
    """Return the solution of three symmetric equations; zeros where they say nothing."""
    whole = _determinant(matrix)
    if abs(whole) < 1e-9:
        return 0.0, 0.0, 0.0
    first, second, third = (_determinant(_swapped(matrix, right, j)) / whole for j in range(3))
    return first, second, third


def _swapped(matrix: _Matrix, right: list[float], column: int) -> _Matrix:
    return [
        [right[row] if j == column else matrix[row][j] for j in range(3)] for row in range(3)
    ]


def _determinant(matrix: _Matrix) -> float:
    (a, b, c), (d, e, f), (g, h, i) = matrix
    return a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
