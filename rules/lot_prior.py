"""What is known of a lot's pieces before the next one is measured, for the risks."""

from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING

from rules.scatter_model import Spread

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of a lot's pieces before one is measured.

    Attributes:
        density: Probability density of the measurand, micrometres, by array.
        low_um: Values below have no weight.
        high_um: Values above have none.
        text: The same for people.
    """

    density: Callable[["NDArray[float64]"], "NDArray[float64]"]
    low_um: float
    high_um: float
    text: str


def normal_prior(mean_um: float, deviation_um: float) -> Prior:
    """Return a normal prior: for the worked examples; run-out itself is never normal."""

    def density(x: "NDArray[float64]") -> "NDArray[float64]":
        import numpy as np

        scaled = (x - mean_um) / deviation_um
        shape: NDArray[float64] = np.exp(-0.5 * scaled**2)
        return shape / (deviation_um * sqrt(2 * np.pi))

    far = 9 * deviation_um
    text = f"normal, mean {mean_um:g}, standard deviation {deviation_um:g} µm"
    return Prior(density, mean_um - far, mean_um + far, text)


def own_run_out_prior(spread: Spread) -> Prior:
    """Return the prior of the collets' own run-out 2|e|: Rayleigh's law with 2σ."""
    scale = 2 * spread.own_um

    def density(x: "NDArray[float64]") -> "NDArray[float64]":
        import numpy as np

        shape: NDArray[float64] = np.exp(-0.5 * (x / scale) ** 2)
        return x / scale**2 * shape

    text = f"own run-out of the lot so far: Rayleigh, {scale:.3g} µm"
    return Prior(density, 0.0, 9 * scale, text)
