"""The first harmonic of a sweep: the part of the indication that comes back once a turn."""

from math import cos, hypot, pi, sin, sqrt

from rules.sweep import Sweep

_Matrix = list[list[float]]


def first_harmonic(sweep: Sweep, period_ns: int) -> tuple[float, float]:
    """Return amplitude and residual standard deviation, both in nanometres.

    Least squares of mean, cosine and sine at the known period.
    """
    angles = [2 * pi * (at - sweep.at_ns[0]) / period_ns for at in sweep.at_ns]
    rows = [(1.0, cos(angle), sin(angle)) for angle in angles]
    normal = [[sum(r[i] * r[j] for r in rows) for j in range(3)] for i in range(3)]
    right = [sum(r[i] * v for r, v in zip(rows, sweep.value_nm, strict=True)) for i in range(3)]
    mean, in_phase, quadrature = _solve(normal, right)
    squares = sum(
        (v - mean - in_phase * r[1] - quadrature * r[2]) ** 2
        for r, v in zip(rows, sweep.value_nm, strict=True)
    )
    return hypot(in_phase, quadrature), sqrt(squares / max(1, len(rows) - 3))


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
