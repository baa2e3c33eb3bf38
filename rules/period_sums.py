"""How well a mean and two harmonics fit some readings at many periods, for few sums each.

The normal equations of that fit hold nothing but the sums of exp(ikωτ), k = 1 to 4, and of
the readings times exp(ikωτ), k = 1 and 2. Near one frequency those are power series in the
step δ to another: Σ exp(ik(ω+δ)τ) = Σ_p (ikδ)^p/p! Σ τ^p exp(ikωτ). So a search that closes
in on a period needs the sines of its readings once, where trigonometry is most of its cost.

Nothing here decides by its last bits: where two periods fit too nearly alike it says so.
"""

from functools import lru_cache
from math import factorial, pi
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Array = NDArray[np.float64]

TRUST = 1e-9
"""Share of the readings' squares by which two fits have to differ for one to be surely the
better: a million times what double precision leaves open in these sums."""

_TERMS = 40
_APART_RAD = 3.0
"""Centres of the series, by the phase that half a sweep is. The fourth wave of a period between
two of them is at most 6 rad off: 6^40/40! is 2e-17, and what cancels on the way is e^6 of
double precision's own."""

_BLOCK = 512
"""Readings multiplied at a time: BLAS wakes its threads for more, and waits for them."""

_LEAST_PIVOT = 1e-3
"""Of the columns of the fit each has to hold so much that the ones before it don't."""


class PeriodSums:
    """The sums of one sweep."""

    def __init__(self, times: "_Array", centred: "_Array") -> None:
        """Take times from the first reading on, ns, and readings less their mean, nm."""
        import numpy as np

        middle = times[-1] / 2
        self._half_ns = middle
        self._place = (times - middle) / middle
        self._values = centred
        self._squares = float(centred @ centred)
        self._powers = np.ones((_TERMS, len(times)))
        for term in range(1, _TERMS):
            np.multiply(self._powers[term - 1], self._place, out=self._powers[term])
        self._series: dict[int, _Array] = {}

    def best_of(self, periods: "_Array") -> int | None:
        """Return which period fits best; None where that hangs on the last bits."""
        import numpy as np

        phase = self._half_ns * (2 * pi / periods)
        centre = np.rint(phase / _APART_RAD)
        powers = np.vander(phase - centre * _APART_RAD, _TERMS, increasing=True)
        numbers = centre.tolist()
        if numbers[0] == numbers[-1]:  # periods in a row: the same centre for all
            return self._sure(periods, powers @ self._about(int(numbers[0])))
        sums = np.empty((len(periods), 12))
        for number in set(numbers):
            rows = centre == number
            sums[rows] = powers[rows] @ self._about(int(number))
        return self._sure(periods, sums)

    def _about(self, number: int) -> "_Array":
        """Return the twelve sums as series about a centre, terms by sums."""
        known = self._series.get(number)
        if known is None:
            known = self._series[number] = self._developed(number * _APART_RAD)
        return known

    def _developed(self, phase: float) -> "_Array":
        import numpy as np

        wave = np.exp(phase * 1j * self._place)
        parts = np.empty((len(wave), 6), dtype=np.complex128)
        double = wave * wave
        parts[:, 0], parts[:, 1], parts[:, 2] = wave, double, wave * double
        parts[:, 3] = double * double
        parts[:, 4], parts[:, 5] = wave * self._values, double * self._values
        sums, moments = parts.view(np.float64), np.zeros((_TERMS, 12))
        for i in range(0, len(wave), _BLOCK):
            moments += self._powers[:, i : i + _BLOCK] @ sums[i : i + _BLOCK]
        found = moments.view(np.complex128) * _factors()
        return found.view(np.float64)

    def _sure(self, periods: "_Array", sums: "_Array") -> int | None:
        """Return which period's fit leaves least, if it surely does."""
        import numpy as np

        known = np.empty((len(sums), 14))
        known[:, 0], known[:, 1:13], known[:, 13] = len(self._values), sums, self._squares
        try:
            pivots = np.linalg.cholesky((known @ _equations()).reshape(-1, 6, 6))
        except np.linalg.LinAlgError:
            return None
        pivot = pivots.diagonal(axis1=1, axis2=2) ** 2
        left = pivot[:, 5]
        best = int(left.argmin())
        is_near = (left - left[best] <= TRUST * self._squares) & (periods != periods[best])
        is_weak = pivot[:, :5].min() < _LEAST_PIVOT * len(self._values)
        return None if is_weak or is_near.any() else best


@lru_cache(maxsize=1)
def _factors() -> "NDArray[np.complex128]":
    """Return (ik)^p/p! for each term and each of the six sums."""
    import numpy as np

    waves = (1, 2, 3, 4, 1, 2)
    return np.array([[(1j * k) ** p / factorial(p) for k in waves] for p in range(_TERMS)])


@lru_cache(maxsize=1)
def _equations() -> "_Array":
    """Return the map from count, twelve sums and squares to the 6 × 6 normal equations.

    Rows and columns: 1, cos, sin, cos 2, sin 2, the readings. By cos a cos b = (cos(a − b) +
    cos(a + b))/2 and its like every product of two is a sum known already.
    """
    import numpy as np

    count, squares, found = 0, 13, np.zeros((14, 6, 6))

    def put(row: int, column: int, *parts: tuple[int, float]) -> None:
        for which, share in parts:
            found[which, row, column] = found[which, column, row] = share

    cos, sin = [count, 1, 3, 5, 7], [0, 2, 4, 6, 8]
    put(0, 0, (count, 1.0))
    for k in (1, 2):
        c, s = 2 * k - 1, 2 * k
        put(0, c, (cos[k], 1.0))
        put(0, s, (sin[k], 1.0))
        put(c, c, (count, 0.5), (cos[2 * k], 0.5))
        put(s, s, (count, 0.5), (cos[2 * k], -0.5))
        put(c, s, (sin[2 * k], 0.5))
        put(c, 5, (7 + c + 1, 1.0))
        put(s, 5, (7 + s + 1, 1.0))
    put(1, 3, (cos[1], 0.5), (cos[3], 0.5))
    put(2, 4, (cos[1], 0.5), (cos[3], -0.5))
    put(1, 4, (sin[1], 0.5), (sin[3], 0.5))
    put(2, 3, (sin[1], -0.5), (sin[3], 0.5))
    put(5, 5, (squares, 1.0))
    return found.reshape(14, 36)
