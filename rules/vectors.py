"""The once-per-turn vector of a sweep: how far the pin's axis is off, and which way.

With the angle φ of the spindle since its index, a pin whose axis is off by the vector V shows

    indication(φ) = mean + Re(V·exp(iφ)) + form + noise

V is fitted by least squares at the angles as they were: readings need not come evenly, and
no harmonic of a whole even turn leaks into it. Its frame turns with the spindle: its zero
lies under the stylus when the index passes, its positive sense is the one in which the
spindle turns, as in ``rules.separation``. Its length is the eccentricity; the run-out (TIR)
of a pin without form is twice that.

Between two flags the speed is taken to be even. A speed that swings by a share r once a turn
turns V by at most r radians, alike at each clamping, and shortens it by r²/4. With an encoder
the angle is the frame's own. Without either a direction has no zero, so there is none.
"""

from cmath import phase, rect
from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, floor, pi, radians, sqrt

from rules.sweep import Proof, Sweep, SweepRules
from rules.sweep_angle import SweepAngle, sweep_angle

__all__ = [
    "DIRECTED", "Harmonic", "SweepVector", "VectorError", "fit_harmonic", "sweep_vector",
    "vector_of",
]  # fmt: skip

DIRECTED: frozenset[Proof] = frozenset({"index", "angle"})
"""Proofs that mark a zero on the spindle, without which there is no direction."""

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


def vector_of(amplitude_nm: float, direction_udeg: int) -> complex:
    """Return the vector of a first harmonic, nm, from its amplitude and its high spot."""
    return rect(amplitude_nm, -radians(direction_udeg / 1_000_000))


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


def sweep_vector(sweep: Sweep, rules: SweepRules) -> SweepVector:
    """Return the vector of the first whole turns of a sweep.

    Args:
        sweep: Readings, and what marks the angle.
        rules: How its angle is known, and how many turns count.

    Raises:
        VectorError: If nothing marks a zero, or whole turns or readings are wanting.
    """
    if rules.proof not in DIRECTED:
        raise VectorError(f"proof {rules.proof}: no direction without an index or an encoder")
    found = sweep_angle(sweep, rules)
    if found is None or found.angle is None or _whole_turns(sweep, found, rules) < rules.turns:
        raise VectorError(f"fewer than {rules.turns} whole turns by {rules.proof}")
    parts = [_Part.of(turn, found, found.angle, sweep) for turn in range(rules.turns)]
    fitted = tuple(fit_harmonic(part.angles_rad, part.values_nm) for part in parts)
    drift = _slope([harmonic.mean_nm for harmonic in fitted])
    # Readings that lie unevenly let drift within a turn into its mean: once more without it.
    again = [fit_harmonic(part.angles_rad, part.levelled(drift)) for part in parts]
    drift += _slope([harmonic.mean_nm for harmonic in again])
    angles = [way for part in parts for way in part.angles_rad]
    values = [value for part in parts for value in part.levelled(drift)]
    return SweepVector(fit_harmonic(angles, values), fitted, drift)


@dataclass(frozen=True, slots=True)
class _Part:
    """Readings of one turn: turns gone since the first began, angles, values."""

    gone: list[float]
    angles_rad: list[float]
    values_nm: list[int]

    @classmethod
    def of(cls, turn: int, found: SweepAngle, angle: Sequence[float], sweep: Sweep) -> "_Part":
        """Return those of a turn; its end is the next one's start."""
        inside = [i for i, way in enumerate(found.gone) if turn <= way < turn + 1]
        return cls(
            [found.gone[i] for i in inside],
            [2 * pi * angle[i] for i in inside],
            [sweep.value_nm[i] for i in inside],
        )

    def levelled(self, drift_nm: float) -> list[float]:
        """Return the values less an even drift."""
        pairs = zip(self.gone, self.values_nm, strict=True)
        return [value - drift_nm * way for way, value in pairs]


def _whole_turns(sweep: Sweep, found: SweepAngle, rules: SweepRules) -> int:
    """Return how many whole turns were marked: by index passings, else by the encoder."""
    return len(sweep.index_ns) - 1 if rules.proof == "index" else floor(found.gone[-1])


def _slope(means_nm: Sequence[float]) -> float:
    """Return the least-squares slope of a mean a turn over the number of the turn."""
    middle = (len(means_nm) - 1) / 2
    spread = sum((number - middle) ** 2 for number in range(len(means_nm)))
    if not spread:
        return 0.0
    return sum((number - middle) * mean for number, mean in enumerate(means_nm)) / spread
