"""A piece and its clampings: own eccentricity, scatter, chips. Seeded, truth known.

Offsets of the pin's axis from the spindle's axis are vectors across the axis: complex
numbers of micrometres, real and imaginary part the two axes of the holder. A pin whose axis
is off by ``v`` shows the run-out TIR = 2|v| (full indicator movement, ISO 1101 sense).
"""

from cmath import exp as cexp
from cmath import rect
from dataclasses import dataclass
from math import exp, pi, radians
from random import Random

SOFT_CHIP_TURNS = 2.0
"""A soft chip is squeezed to 1/e of its height within this many turns."""


@dataclass(frozen=True, slots=True)
class ColletKind:
    """What a lot's collets are like. Standard deviations are per axis, in micrometres.

    Attributes:
        eccentricity_um: Of the collets' own vectors.
        scatter_um: Of what each tightening adds anew.
        outlier_share: Share of pieces whose own vector is ``outlier_factor`` times as long.
        outlier_factor: See above, at least 1.
        chip_share: Share of tightenings that trap a chip.
        chip_um: Least and largest offset by a chip.
        soft_chip_share: Share of chips that are soft and lodged in a slot: they give way
            while the pin turns, so that its turns disagree, and stay with the piece.
    """

    eccentricity_um: float
    scatter_um: float
    outlier_share: float = 0.03
    outlier_factor: float = 3.0
    chip_share: float = 0.01
    chip_um: tuple[float, float] = (3.0, 12.0)
    soft_chip_share: float = 0.25


@dataclass(frozen=True, slots=True)
class Collet:
    """One piece of the tray.

    Attributes:
        number: Its place in the tray, from 1.
        vector_um: Its own eccentricity, in the collet's axes.
        is_outlier: Whether it is one of the few far worse ones.
    """

    number: int
    vector_um: complex
    is_outlier: bool


@dataclass(frozen=True, slots=True)
class Tightening:
    """One tightening of the nut: the truth behind one clamping.

    Attributes:
        piece: Number of the collet.
        ordinal: Which tightening of this collet it is, from 1.
        angle_deg: How far the collet is rotated in the holder, against its first place.
        vector_um: Offset of the pin's axis, a chip that gives way left out.
        soft_chip_um: Offset by a soft chip before the first turn, 0 without one.
        chip_um: Length of the offset by a chip of either sort, 0 without one.
    """

    piece: int
    ordinal: int
    angle_deg: float
    vector_um: complex
    soft_chip_um: complex = 0j
    chip_um: float = 0.0

    @property
    def is_steady(self) -> bool:
        """Return whether all its turns show the same."""
        return self.soft_chip_um == 0

    @property
    def run_out_um(self) -> float:
        """Return the true TIR of the first turn's start: twice the offset's length."""
        return 2 * abs(self.vector_um + self.soft_chip_um)

    def vector_at(self, turned: float) -> complex:
        """Return the offset after so many turns since the tightening."""
        if self.soft_chip_um == 0:
            return self.vector_um
        return self.vector_um + self.soft_chip_um * exp(-turned / SOFT_CHIP_TURNS)


def _normal_vector(rng: Random, sigma_um: float) -> complex:
    """Return a vector whose two components are normal with this standard deviation."""
    return complex(rng.gauss(0.0, sigma_um), rng.gauss(0.0, sigma_um))


def fill_tray(seed: str, kind: ColletKind, quantity: int) -> tuple[Collet, ...]:
    """Return the pieces of a tray in their order; the same seed gives the same pieces."""
    rng = Random(f"{seed}/tray")
    pieces = []
    for number in range(1, quantity + 1):
        vector_um = _normal_vector(rng, kind.eccentricity_um)
        is_outlier = rng.random() < kind.outlier_share
        factor = kind.outlier_factor if is_outlier else 1.0
        pieces.append(Collet(number, factor * vector_um, is_outlier))
    return tuple(pieces)


class Clamper:
    """Tightens one collet again and again; every time the pin sits a little elsewhere.

    The draws depend on seed, piece and ordinal alone: whatever the operator's pace was, the
    third tightening of a piece is the same.
    """

    def __init__(self, seed: str, collet: Collet, kind: ColletKind, holder_um: complex) -> None:
        self._rng = Random(f"{seed}/piece/{collet.number}")
        self._collet = collet
        self._kind = kind
        self._holder_um = holder_um
        self._angle_deg = 0.0
        self._ordinal = 0
        self._is_lodged = False

    def rotate(self, by_deg: float, scatter_deg: float) -> None:
        """Turn the collet in the holder by about so many degrees (normal, by eye)."""
        self._angle_deg += self._rng.gauss(by_deg, scatter_deg)

    def tighten(self, with_chip: bool = False) -> Tightening:
        """Return the truth of the next tightening: TIR = 2|m + e + s|.

        ``m`` is the holder's vector, ``e`` the collet's own as rotated, ``s`` new each time.

        Args:
            with_chip: Trap a hard chip whatever chance says.
        """
        self._ordinal += 1
        own_um = self._collet.vector_um * cexp(1j * radians(self._angle_deg))
        scatter_um = _normal_vector(self._rng, self._kind.scatter_um)
        chip_um, is_soft = self._draw_chip(with_chip)
        vector_um = self._holder_um + own_um + scatter_um
        return Tightening(
            piece=self._collet.number,
            ordinal=self._ordinal,
            angle_deg=self._angle_deg,
            vector_um=vector_um if is_soft else vector_um + chip_um,
            soft_chip_um=chip_um if is_soft else 0j,
            chip_um=abs(chip_um),
        )

    def _draw_chip(self, with_chip: bool) -> tuple[complex, bool]:
        """Return the chip's vector and whether it is soft; always the same number of draws."""
        is_trapped = self._rng.random() < self._kind.chip_share
        is_soft = self._rng.random() < self._kind.soft_chip_share
        chip_um = rect(self._rng.uniform(*self._kind.chip_um), self._rng.uniform(0, 2 * pi))
        self._is_lodged = self._is_lodged or (is_trapped and is_soft)
        if self._is_lodged:
            return chip_um, True
        return (chip_um, False) if is_trapped or with_chip else (0j, False)
