"""By how much noise and step make a TIR read high: the expected range of noisy readings.

The largest of n readings is at most x with the chance Π F((x − crest_i)/σ): each lies its
own way below the crest. Of the smallest the same, upside down. Their expected difference
less the TIR is what max − min makes of noise; for a pin without run-out it is the d2 of
control charts (order statistics: David & Nagaraja, Order Statistics, 2003; from memory).
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Array = NDArray[np.float64]

__all__ = ["expected_excess_nm"]

_PHASES = 5
"""Places of the readings against the crest that stand for all: over half their spacing, of
which the other half is the mirror image."""

_OFFSETS = 8
"""Places of the crest against the step that stand for all."""

_FINEST = 8
"""Levels a standard deviation of noise: a finer step of the indicator changes nothing."""

_FAR = 6
"""Deviations beyond which no noise is looked for."""


def expected_excess_nm(
    tir_nm: int, noise_nm: int, step_nm: int, samples: int, turns: int
) -> float:
    """Return by how much a clamping's TIR is expected to read high, nm; below 0: low.

    For an eccentric pin read evenly: what sampling loses of it is in the figure. The
    clamping counts with the largest of its turns.

    Args:
        tir_nm: True TIR.
        noise_nm: Standard deviation of a reading before it is rounded.
        step_nm: The indicator's digital step, above 0.
        samples: Readings a turn, from 3.
        turns: Whole turns that count, from 1.
    """
    import numpy as np

    deviation = max(float(noise_nm), step_nm / 100)
    level_nm = max(float(step_nm), deviation / _FINEST)
    places = (np.arange(_PHASES)[:, None] + 0.5) / (2 * _PHASES)
    around = (np.arange(samples) + places) / samples
    waves = tir_nm / 2 * np.cos(2 * np.pi * around)
    expected = []
    for offset in (np.arange(_OFFSETS) + 0.5) / _OFFSETS * level_nm:
        of_a_turn, ranges = zip(
            *(_range(wave + offset, deviation, level_nm) for wave in waves), strict=True
        )
        longest = max(map(len, ranges))
        chances = np.array([np.pad(one, (0, longest - len(one))) for one in ranges])
        up_to = chances.mean(axis=0).cumsum()
        of_the_largest = (up_to - up_to**turns).sum()
        expected.append(sum(of_a_turn) / _PHASES + float(of_the_largest))
    excess_nm: float = level_nm * sum(expected) / _OFFSETS - tir_nm
    return excess_nm


def _range(true_nm: "_Array", deviation: float, level_nm: float) -> "tuple[float, _Array]":
    """Return the expected range of rounded readings, and the chance of each from 0 on.

    Both in levels. The first is exact; the second takes the largest and the smallest for
    independent, as they nearly are at two ends of a wave or among many readings.
    """
    import numpy as np
    from scipy.special import ndtr

    first = np.floor((true_nm.min() - _FAR * deviation) / level_nm) - 1
    last = np.ceil((true_nm.max() + _FAR * deviation) / level_nm) + 1
    borders = level_nm * (np.arange(first, last + 1) + 0.5)
    below = ndtr((borders[:, None] - true_nm) / deviation)
    all_below, none_below = below.prod(axis=1), (1 - below).prod(axis=1)
    largest = np.diff(all_below, prepend=0.0)
    smallest = np.diff(1 - none_below, prepend=0.0)
    tops, bottoms = largest.nonzero()[0], smallest.nonzero()[0]
    top, bottom = tops[0], bottoms[-1]  # either is sure but for a few levels
    differ = np.convolve(largest[top : tops[-1] + 1], smallest[bottoms[0] : bottom + 1][::-1])
    chances = np.zeros(len(borders))
    at = np.arange(len(differ)) + top - bottom
    chances[at[at >= 0]] = differ[at >= 0]
    return float((1 - all_below - none_below).sum()), chances
