"""Whose run-out is it: the collet's, the holder's, or the scatter of clamping.

Multi-step separation of the once-per-turn vector (Estler, Evans & Shao, Precision
Engineering 21 (1997) 72, for roundness; here for the first harmonic). With the index as
zero, the vector of clamping k is

    E_k = H + C·exp(iθ_k) + s_k

H: holder, spindle and nut, fixed to the spindle; C: the collet's own; θ_k: how far the
collet was rotated in the holder; s_k: scatter. For N equal steps the discrete Fourier terms
of E_k are H (constant), C (+1) and scatter alone (−1, N ≥ 3). Angles as they were are taken
by least squares. A vector's length is the eccentricity; the run-out (TIR) is twice that.

With the pin moving along (``pin_moves``) its own vector adds to what it moves with.
"""

from cmath import exp
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, pi, sqrt
from typing import Literal

PinMoves = Literal["with-collet", "with-holder", "free"]

CONFOUNDED: dict[PinMoves, str] = {
    "with-collet": "the pin's own run-out counts as the collet's",
    "with-holder": "the pin's own run-out counts as the holder's",
    "free": "the pin's own run-out counts as scatter",
}
"""What can't be told apart, by how the pin moves when the collet is rotated."""

LEAST_CLAMPINGS = 15
"""From fewer first clampings a standard error is too unsure itself to raise an alarm."""

_BEYOND_DOUBT = 3.5
"""Standard errors; see ``tests/rules/test_holder_series.py`` for what that gives."""


class SeparationError(ValueError):
    """Clampings that can't be separated; the message says why."""


@dataclass(frozen=True, slots=True)
class Separated:
    """The vectors of one piece, nm of eccentricity, complex in the spindle's frame.

    Attributes:
        holder: H. The collet's angle in the holder at the first clamping is its zero.
        collet: C.
        minus_one: The −1 term: scatter alone, if the collet was rotated the stated way.
        residual: Sum of squared residuals, nm², after the least squares.
        clampings: How many vectors.
    """

    holder: complex
    collet: complex
    minus_one: complex
    residual: float
    clampings: int

    @property
    def collet_run_out_nm(self) -> int:
        """Return the collet's own share of the TIR."""
        return round(2 * abs(self.collet))

    @property
    def holder_run_out_nm(self) -> int:
        """Return the share of holder, spindle and nut."""
        return round(2 * abs(self.holder))


def separate(vectors: Sequence[complex], angles_deg: Sequence[float]) -> Separated:
    """Return holder and collet of one piece by least squares.

    Args:
        vectors: First harmonics of its clampings, nm, in the spindle's frame.
        angles_deg: How far the collet had been rotated at each, from its first; as many.

    Raises:
        SeparationError: With fewer than two clampings, or angles too alike to tell.
    """
    if len(vectors) != len(angles_deg) or len(vectors) < 2:
        raise SeparationError(f"{len(vectors)} clampings: accepted are two or more")
    turns = [exp(1j * angle * pi / 180) for angle in angles_deg]
    n = len(vectors)
    mean_turn = sum(turns) / n
    determinant = 1 - abs(mean_turn) ** 2
    if determinant < 0.05:
        raise SeparationError("the collet was hardly rotated between the clampings")
    mean = sum(vectors) / n
    plus = sum(v * t.conjugate() for v, t in zip(vectors, turns, strict=True)) / n
    collet = (plus - mean * mean_turn.conjugate()) / determinant
    holder = mean - collet * mean_turn
    left = [v - holder - collet * t for v, t in zip(vectors, turns, strict=True)]
    return Separated(
        holder=holder,
        collet=collet,
        minus_one=sum(v * t for v, t in zip(vectors, turns, strict=True)) / n,
        residual=sum(abs(r) ** 2 for r in left),
        clampings=n,
    )


@dataclass(frozen=True, slots=True)
class Scatter:
    """Clamping scatter pooled over pieces: of one piece alone it says nothing.

    Attributes:
        per_axis_nm: Standard deviation per axis of a clamping's vector.
        low_nm: Lower end of the interval.
        high_nm: Upper end.
        degrees_of_freedom: What it rests on.
    """

    per_axis_nm: float
    low_nm: float
    high_nm: float
    degrees_of_freedom: int


def pooled_scatter(pieces: Sequence[Separated], confidence: float = 0.95) -> Scatter:
    """Return the scatter of clamping over many pieces, with its chi-square interval.

    Each piece of N clampings leaves 2(N − 2) degrees of freedom.

    Raises:
        SeparationError: If no piece has three clampings.
    """
    freedom = sum(2 * (piece.clampings - 2) for piece in pieces)
    if freedom < 1:
        raise SeparationError("scatter needs pieces of three clampings or more")
    from scipy.stats import chi2

    squares = sum(piece.residual for piece in pieces if piece.clampings > 2)
    tail = (1 - confidence) / 2
    low = sqrt(squares / float(chi2.ppf(1 - tail, freedom)))
    below = float(chi2.ppf(tail, freedom))
    high = sqrt(squares / below) if below > 0 else inf
    return Scatter(sqrt(squares / freedom), low, high, freedom)


def inseparable_harmonics(steps: int, highest: int) -> tuple[int, ...]:
    """Return harmonics of the collet that ``steps`` equal steps can't tell from the holder's.

    They are the multiples of the number of steps (Estler, Evans & Shao 1997).
    """
    if steps < 2:
        raise SeparationError(f"{steps} steps: accepted are two or more")
    return tuple(range(steps, highest + 1, steps))


@dataclass(frozen=True, slots=True)
class HolderShare:
    """The holder's vector from first clampings: collets lie in it at random angles.

    Attributes:
        run_out_nm: Twice the length of the mean vector: holder, spindle and nut.
        uncertainty_nm: Twice its standard error per axis, times two: about 95 %.
        clampings: First clampings it rests on.
    """

    run_out_nm: float
    uncertainty_nm: float
    clampings: int

    def exceeds(self, limit_nm: int) -> bool:
        """Return whether the holder is above a limit beyond doubt.

        It is looked at after every piece, so two standard errors are passed by luck alone in
        most lots: it takes three and a half, and a standard error worth the name.
        """
        if self.clampings < LEAST_CLAMPINGS:
            return False
        return self.run_out_nm - self.uncertainty_nm * _BEYOND_DOUBT / 2 > limit_nm


def holder_share(first_vectors: Sequence[complex]) -> HolderShare:
    """Return the holder's share from the first clampings of all pieces, passed or not.

    Pieces that pass are selected: taking only them would flatter the holder.

    Raises:
        SeparationError: With fewer than two clampings.
    """
    n = len(first_vectors)
    if n < 2:
        raise SeparationError(f"{n} first clampings: accepted are two or more")
    mean = sum(first_vectors) / n
    per_axis = sum(abs(v - mean) ** 2 for v in first_vectors) / (2 * (n - 1))
    return HolderShare(2 * abs(mean), 2 * 2 * sqrt(per_axis / n), n)
