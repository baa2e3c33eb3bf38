"""The once-per-turn vector of a sweep: how far the pin's axis is off, and which way.

With the angle φ of the spindle since its index, a pin whose axis is off by the vector V shows

    indication(φ) = mean + Re(V·exp(iφ)) + form + noise

V is fitted by least squares at the angles as they were: readings need not come evenly, and
no harmonic of a whole even turn leaks into it. Its frame turns with the spindle: its zero
lies under the stylus when the index passes, its positive sense is the one in which the
spindle turns, as in ``rules.separation``. Its length is the eccentricity; the run-out (TIR)
of a pin without form is twice that.

Between two index passings the speed is taken to be even. A speed that swings by a share r
once a turn turns V by at most r radians, alike at each clamping, and shortens it by r²/4.
The indicator's delay turns V by the angle the spindle makes meanwhile, again each time alike.
Without an index a direction has no zero, so there is none.
"""

from cmath import phase
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import degrees, pi, sqrt

from rules.sweep import Sweep

__all__ = ["Harmonic", "SweepVector", "VectorError", "fit_harmonic", "sweep_vector"]

_LEAST_READINGS = 8
"""A turn of fewer readings is no sweep: three unknowns would fit them as they like."""


class VectorError(ValueError):
    """A sweep that has no direction; the message says why."""


@dataclass(frozen=True, slots=True)
class Harmonic:
    """The first harmonic of some readings.

    Attributes:
        mean_nm: What the indication goes up and down about.
        vector: V, nm of eccentricity.
        residual_nm: Standard deviation of what is left: form and noise.
        samples: Readings it rests on.
    """

    mean_nm: float
    vector: complex
    residual_nm: float
    samples: int

    @property
    def amplitude_nm(self) -> float:
        """Return the eccentricity: half of what it adds to the run-out."""
        return abs(self.vector)

    @property
    def direction_deg(self) -> float:
        """Return how far the spindle turns from the index to the largest indication.

        0 <= direction < 360; without meaning where the amplitude is 0.
        """
        return -degrees(phase(self.vector)) % 360


@dataclass(frozen=True, slots=True)
class SweepVector:
    """The first harmonic of a whole sweep.

    Attributes:
        whole: Over all turns, drift taken off.
        turns: Of each turn by itself.
        drift_per_turn_nm: Even change of the indication from turn to turn, seen at equal
            angles, so that no form of the pin can look like it; 0 with a single turn.
    """

    whole: Harmonic
    turns: tuple[Harmonic, ...]
    drift_per_turn_nm: float


def fit_harmonic(angles_rad: Sequence[float], values_nm: Sequence[float]) -> Harmonic:
    """Return the first harmonic by least squares of mean, cosine and sine.

    Args:
        angles_rad: Angle of the spindle at each reading, in its sense of turning.
        values_nm: The readings.

    Raises:
        VectorError: If the readings are too few or lie too close to tell it.
    """
    import numpy as np

    samples = len(values_nm)
    if samples < _LEAST_READINGS:
        raise VectorError(f"{samples} readings: accepted are {_LEAST_READINGS} or more")
    angles, values = np.asarray(angles_rad), np.asarray(values_nm, dtype=float)
    design = np.column_stack((np.ones(samples), np.cos(angles), np.sin(angles)))
    found, _, rank, _ = np.linalg.lstsq(design, values, rcond=1e-3)
    if rank < design.shape[1]:
        raise VectorError("the readings cover too little of a turn to tell a direction")
    mean, in_phase, quadrature = (float(part) for part in found)
    left = values - design @ found
    residual = sqrt(float(left @ left) / (samples - design.shape[1]))
    return Harmonic(mean, complex(in_phase, -quadrature), residual, samples)


def sweep_vector(sweep: Sweep, turns: int) -> SweepVector:
    """Return the vector of the first whole turns of an index-proved sweep.

    Args:
        sweep: Readings and index passings.
        turns: How many of its turns count, from 1.

    Raises:
        VectorError: If the index did not pass often enough, or readings are wanting.
    """
    whole = len(sweep.index_ns) - 1
    if whole < turns or turns < 1:
        raise VectorError(
            f"{max(0, whole)} whole turns by the index: accepted are {turns} or more"
        )
    passings = list(pairwise(sweep.index_ns))[:turns]
    parts = [_part(sweep, start, end) for start, end in passings]
    fitted = tuple(fit_harmonic(part.angles_rad, part.values_nm) for part in parts)
    drift = _slope([harmonic.mean_nm for harmonic in fitted])
    # Readings that lie unevenly let drift within a turn into its mean: once more without it.
    levelled = [part.levelled(number, drift) for number, part in enumerate(parts)]
    again = [fit_harmonic(p.angles_rad, v) for p, v in zip(parts, levelled, strict=True)]
    drift += _slope([harmonic.mean_nm for harmonic in again])
    angles = [angle for part in parts for angle in part.angles_rad]
    values = [v for number, part in enumerate(parts) for v in part.levelled(number, drift)]
    return SweepVector(fit_harmonic(angles, values), fitted, drift)


@dataclass(frozen=True, slots=True)
class _Part:
    """Angles and values of one turn."""

    angles_rad: list[float]
    values_nm: list[int]

    def levelled(self, number: int, drift_nm: float) -> list[float]:
        """Return the values less an even drift that began with turn 0."""
        return [
            value - drift_nm * (number + angle / (2 * pi))
            for angle, value in zip(self.angles_rad, self.values_nm, strict=True)
        ]


def _part(sweep: Sweep, start_ns: int, end_ns: int) -> _Part:
    """Return the readings of one turn; its end is the next one's start."""
    length = end_ns - start_ns
    inside = [
        (2 * pi * (at - start_ns) / length, value)
        for at, value in zip(sweep.at_ns, sweep.value_nm, strict=True)
        if start_ns <= at < end_ns
    ]
    return _Part([angle for angle, _ in inside], [value for _, value in inside])


def _slope(means_nm: Sequence[float]) -> float:
    """Return the least-squares slope of a mean a turn over the number of the turn."""
    middle = (len(means_nm) - 1) / 2
    spread = sum((number - middle) ** 2 for number in range(len(means_nm)))
    if not spread:
        return 0.0
    return sum((number - middle) * mean for number, mean in enumerate(means_nm)) / spread
