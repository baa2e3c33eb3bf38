"""The masters beside a simulated bench: a mandrel, an eccentric master, a gauge block.

Like all offsets here half the run-out (TIR), in micrometres across the axis.
"""

from cmath import rect
from dataclasses import dataclass
from math import radians
from random import Random

from simulators.collet import Tightening


@dataclass(frozen=True, slots=True)
class Masters:
    """What the masters are like, and how exactly they are seated.

    Attributes:
        mandrel_um: The solid mandrel's own eccentricity.
        eccentric_um: The eccentric master's.
        seat_scatter_um: What each seat adds anew, standard deviation an axis.
        half_turn_scatter_deg: How far by eye half a turn is off.
        chip_um: Offset of the mandrel by a chip in the holder's taper.
        beside_um: Where the stylus lies beside the gauge block, from the indicator's zero.
        block_um: The gauge block's height.
    """

    mandrel_um: float = 0.03
    eccentric_um: float = 2.55
    seat_scatter_um: float = 0.01
    half_turn_scatter_deg: float = 4.0
    chip_um: float = 2.0
    beside_um: float = -25.0
    block_um: float = 50.0


class Seater:
    """Puts the masters on the bench one after the other: what lies there is no piece."""

    def __init__(self, rng: Random, masters: Masters, holder_um: complex) -> None:
        self._rng = rng
        self._masters = masters
        self._holder_um = holder_um
        self._placed_deg = 0.0
        self._seats = 0

    def mandrel(self, *, with_chip: bool) -> Tightening:
        """Return the mandrel in the holder's taper."""
        own_um = rect(self._masters.mandrel_um, radians(self._rng.uniform(0, 360)))
        chip_um = self._masters.chip_um if with_chip else 0.0
        return self._seated(own_um + chip_um, chip_um)

    def eccentric(self, *, is_turned_over: bool) -> Tightening:
        """Return the eccentric master: anew, or half a turn from where it was."""
        if is_turned_over:
            scatter_deg = self._masters.half_turn_scatter_deg
            self._placed_deg += self._rng.gauss(180, scatter_deg)
        else:
            self._placed_deg = self._rng.uniform(0, 360)
        own_um = rect(self._masters.eccentric_um, radians(self._placed_deg))
        return self._seated(own_um, 0.0)

    def face_um(self, *, is_on_block: bool) -> float:
        """Return where the stylus lies on a face: beside the gauge block, or on it."""
        height_um = self._masters.block_um if is_on_block else 0.0
        scatter_um = self._rng.gauss(0, self._masters.seat_scatter_um)
        return self._masters.beside_um + height_um + scatter_um

    def _seated(self, own_um: complex, chip_um: float) -> Tightening:
        self._seats += 1
        sigma_um = self._masters.seat_scatter_um
        scatter_um = complex(self._rng.gauss(0, sigma_um), self._rng.gauss(0, sigma_um))
        vector_um = self._holder_um + own_um + scatter_um
        return Tightening(0, self._seats, self._placed_deg % 360, vector_um, chip_um=chip_um)
