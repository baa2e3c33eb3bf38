"""The pin's axis from its vectors at several distances from the collet's face.

A straight pin whose axis leaves the face off by the vector F and leans by the slope S shows,
at the distance z from the face, the vector

    V(z) = F + S·z

(small angles: what a pin leans at most, some hundreds of microradians, its cosine differs
from 1 by less than 1e-7). F says how the collet seats it, S how it grips along its length.
The vectors have to be of one clamping, in one frame (``rules.vectors``), and the styli have
to lie at the same angle round the spindle: one that lies a third of a turn on sees the same
pin a third of a turn later.
"""

from cmath import phase
from collections.abc import Sequence
from dataclasses import dataclass
from math import degrees, sqrt

__all__ = ["PinAxis", "PinAxisError", "pin_axis", "tilt_deviation_urad"]


class PinAxisError(ValueError):
    """Positions that show no axis; the message says why."""


@dataclass(frozen=True, slots=True)
class PinAxis:
    """The axis of the pin, in the frame of the vectors it was found from.

    Attributes:
        at_face: F, nm of eccentricity at the collet's face.
        slope_urad: S, microradians (nm of eccentricity a mm), complex as the vectors are.
        residual_nm: Standard deviation per axis of what the line leaves; 0 with two
            positions, which a line always meets.
    """

    at_face: complex
    slope_urad: complex
    residual_nm: float

    @property
    def tilt_urad(self) -> float:
        """Return the angle between the pin's axis and the spindle's, microradians."""
        return abs(self.slope_urad)

    @property
    def direction_deg(self) -> float:
        """Return which way it leans, from the frame's zero in its positive sense.

        0 <= direction < 360; without meaning where the tilt is 0.
        """
        return degrees(phase(self.slope_urad)) % 360

    def vector_at(self, projection_nm: int) -> complex:
        """Return the vector at a distance from the face, nm; the line goes on beyond both."""
        return self.at_face + self.slope_urad * (projection_nm / 1e6)

    def run_out_at_nm(self, projection_nm: int) -> int:
        """Return the TIR that a pin without form has at a distance from the face."""
        return round(2 * abs(self.vector_at(projection_nm)))


def pin_axis(positions: Sequence[tuple[int, complex]]) -> PinAxis:
    """Return the axis that the vectors of one clamping show, by least squares.

    Args:
        positions: Distance from the face in nm and vector in nm, for each indicator.

    Raises:
        PinAxisError: With fewer than two distances.
    """
    if len({projection for projection, _ in positions}) < 2:
        raise PinAxisError(f"{len(positions)} positions: accepted are two distances or more")
    count = len(positions)
    middle = sum(projection for projection, _ in positions) / count
    mean = sum(vector for _, vector in positions) / count
    spread = sum((projection - middle) ** 2 for projection, _ in positions)
    slope = sum((projection - middle) * vector for projection, vector in positions) / spread
    face = mean - slope * middle
    squares = sum(abs(v - face - slope * projection) ** 2 for projection, v in positions)
    residual = sqrt(squares / (2 * (count - 2))) if count > 2 else 0.0
    return PinAxis(face, slope * 1e6, residual)


def tilt_deviation_urad(vector_deviation_nm: float, apart_nm: int) -> float:
    """Return the standard deviation per axis of the slope between two positions.

    A difference of two vectors scatters by √2 of what each does (first-order propagation,
    JCGM 100:2008, 5.1.2, from memory).

    Args:
        vector_deviation_nm: Standard deviation per axis of each vector.
        apart_nm: Distance between the two along the axis, above 0.

    Raises:
        PinAxisError: If they are not apart.
    """
    if apart_nm <= 0:
        raise PinAxisError(f"positions {apart_nm} nm apart: accepted is above 0")
    return sqrt(2) * vector_deviation_nm / apart_nm * 1e6
