"""The period of a signal that repeats: how long a turn took, where nothing else tells.

A mean and two harmonics are fitted by least squares to the readings as they came, at every
period the bench file allows. The range of periods spans less than a factor of two: else the
half turn of an oval pin would pass for a turn.
"""

from functools import lru_cache
from typing import TYPE_CHECKING

from rules.period_sums import PeriodSums
from rules.sweep import Sweep, SweepRules

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Array = NDArray[np.float64]

_ROUND_NS = 1_000_000
"""Periods are told in whole milliseconds: what a fit's last bits say decides nothing."""

_GRID = 24
"""Periods tried first: from one to the next the end of a sweep shifts by a tenth of a turn."""


@lru_cache(maxsize=32)
def own_period_ns(sweep: Sweep, rules: SweepRules) -> int | None:
    """Return the period of a sweep in nanoseconds; None where none stands clear of noise.

    Twice the amplitude of the first harmonic has to exceed three steps and six times the
    standard deviation of what does not come back.
    """
    import numpy as np

    shortest, longest = rules.fastest_turn_ns, rules.slowest_turn_ns
    if len(sweep.at_ns) < 16 or sweep.at_ns[-1] - sweep.at_ns[0] < shortest * 3 // 2:
        return None
    at = np.array(sweep.at_ns, dtype=np.int64) - sweep.at_ns[0]
    values = np.array(sweep.value_nm, dtype=np.float64)
    times = at.astype(np.float64)
    best = _best_period_ns(times, values, shortest, longest)
    amplitude, residual = _fits(times, values, np.array([best]))
    if 2 * amplitude[0] <= max(3 * rules.step_nm, 6 * residual[0]):
        return None
    return round(best / _ROUND_NS) * _ROUND_NS


def _best_period_ns(
    times: "_Array", values: "_Array", shortest_ns: int, longest_ns: int
) -> float:
    """Return the period of the best fit on grids that close in on it."""
    import numpy as np

    sums = PeriodSums(times, values - values.mean())
    grid = np.geomspace(shortest_ns, longest_ns, _GRID)
    ratio = float(grid[1] / grid[0])
    best = float(grid[_best(sums, times, values, grid)])
    while ratio - 1 > 1e-3:
        grid = np.geomspace(best / ratio, best * ratio, 9)
        grid = np.clip(grid, shortest_ns, longest_ns)
        best = float(grid[_best(sums, times, values, grid)])
        ratio = 1 + (ratio - 1) / 3
    return best


def _best(sums: PeriodSums, times: "_Array", values: "_Array", periods: "_Array") -> int:
    """Return which period leaves least; the fits themselves decide what sums leave open."""
    best = sums.best_of(periods)
    return int(_fits(times, values, periods)[1].argmin()) if best is None else best


def _fits(times: "_Array", values: "_Array", periods: "_Array") -> "tuple[_Array, _Array]":
    """Return amplitude of the first harmonic and residual deviation at each period."""
    import numpy as np

    angle = 2 * np.pi * times[None, :] / periods[:, None]
    one, cos, sin = np.ones_like(angle), np.cos(angle), np.sin(angle)
    design = np.stack([one, cos, sin, 2 * cos * cos - 1, 2 * sin * cos], axis=1)
    centred = values - values.mean()
    normal = design @ design.transpose(0, 2, 1)
    right = design @ centred
    found = np.linalg.solve(normal, right[..., None])[..., 0]
    squares = np.maximum(0.0, centred @ centred - (found * right).sum(axis=1))
    residual = np.sqrt(squares / max(1, len(times) - 6))
    return np.hypot(found[:, 1], found[:, 2]), residual
