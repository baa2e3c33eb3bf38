"""A crest that is cut off: a stylus that came to the end of its travel, hidden in noise.

Readings of one value for too long show it at once (``rules.turns.held_too_long``). With noise
no value lasts, and what a flat part of the turn has in common is only that nothing there rises
or falls. So two descriptions of the same readings are weighed: one wave throughout, of five
harmonics; and a wave with a level in place of its crest. A cut has corners, which harmonics
follow badly; a crest, however broad, is no level. The level has to leave less by far.
"""

from collections.abc import Callable, Iterator, Sequence
from math import pi
from typing import TYPE_CHECKING

from rules.sweep import Sweep, SweepRules
from rules.turns import Turn, turn_shares

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Array = NDArray[np.float64]
    _Where = NDArray[np.bool_]

__all__ = ["is_cut_off"]

_LEAST_STEPS = 6
"""With fewer steps of TIR every crest is a level."""

_BAND_PERCENT = 8
_WIDE = 4
_CROWDED = 0.66
"""So much of what lies within four bands of an extreme lies in the first. Of a wave half does;
of one that lost a fifth seven tenths and more. What does not is looked at no further: a fit
takes longer than all other checks."""

_FAR_BETTER = 12.0
"""By so many times the variance of a reading the level has to leave less in all. Honest waves
seldom do; those of a spindle that swings by a fifth do, but are hardly ever so crowded: both
together one in a thousand (``tests/rules/test_false_accepts.py``)."""

_HARMONICS = 5
_UNKNOWNS = 2 + 2 * _HARMONICS
_GRID = 180
_DEPTHS = (0.03, 0.06, 0.1, 0.15, 0.2, 0.27, 0.35, 0.45)
"""Parts of the TIR below the crest from which the level is tried to reach over it."""


def is_cut_off(sweep: Sweep, turns: Sequence[Turn], rules: SweepRules) -> bool:
    """Return whether the crest or the trough of a sweep's whole turns is a level, cut off."""
    sides = _crowded(turns, rules.step_nm)
    if not sides:
        return False
    import numpy as np

    shares = turn_shares(sweep, turns, rules)
    angles = np.array([share for _, share in shares])
    values = np.array([sweep.value_nm[i] for i, _ in shares], dtype=np.float64)
    if len(values) < 2 * _UNKNOWNS:
        return False
    design = _design(angles)
    design[:, 1] = angles - angles.mean()  # a drift
    return any(_is_level(design, angles, side * values, rules.step_nm) for side in sides)


def _crowded(turns: Sequence[Turn], step_nm: int) -> list[int]:
    """Return the ends, crest 1 and trough -1, at which more readings lie than a wave brings."""
    values = [value for turn in turns for value in turn.value_nm]
    high, low = max(values), min(values)
    if high - low < _LEAST_STEPS * step_nm:
        return []
    band_nm = max(2 * step_nm, (high - low) * _BAND_PERCENT // 100)
    wide_nm, found = _WIDE * band_nm, []
    if _share(values, (high - band_nm).__le__, (high - wide_nm).__le__) > _CROWDED:
        found.append(1)
    if _share(values, (low + band_nm).__ge__, (low + wide_nm).__ge__) > _CROWDED:
        found.append(-1)
    return found


def _share(
    values: list[int], is_near: Callable[[int], bool], is_wide: Callable[[int], bool]
) -> float:
    return sum(map(is_near, values)) / sum(map(is_wide, values))


def _is_level(design: "_Array", angles: "_Array", values: "_Array", step_nm: int) -> bool:
    """Return whether a level for a crest leaves far less than a wave throughout."""
    rounding = step_nm * step_nm / 12
    wave, left = _fitted(design, values)
    for inside in _windows(wave, angles):
        level = values[inside]
        if len(level) < _LEAST_STEPS or len(values) - len(level) < _UNKNOWNS + _LEAST_STEPS:
            continue
        off = level - level.mean()
        # What rounds to one value is no better described than to within its rounding.
        held = max(float(off @ off), len(level) * rounding)
        left_then = held + _fitted(design[~inside], values[~inside])[1]
        variance = max(left_then / (len(values) - _UNKNOWNS - 1), rounding)
        if left - left_then > _FAR_BETTER * variance:
            return True
    return False


def _windows(wave: "_Array", angles: "_Array") -> "Iterator[_Where]":
    """Return which readings lie about the crest, by how far down it is taken to reach."""
    import numpy as np

    around = _design(np.arange(_GRID) / _GRID) @ wave
    crest = int(around.argmax())
    near = np.roll(around, _GRID // 2 - crest)  # the crest in the middle
    for depth in _DEPTHS:
        below = np.flatnonzero(near < near.max() - depth * np.ptp(near))
        first = below[below < _GRID // 2].max(initial=-1) + 1
        end = below[below > _GRID // 2].min(initial=_GRID)
        if end - first > _GRID // 2:
            return
        start = (crest + first - _GRID // 2 - 0.5) / _GRID
        yield (angles - start) % 1 < (end - first) / _GRID


def _design(angles: "_Array") -> "_Array":
    """Return a row for each angle, in turns: 1, nothing, cosine and sine of each harmonic."""
    import numpy as np

    phase = 2 * pi * np.outer(angles, np.arange(1, _HARMONICS + 1))
    design = np.zeros((len(angles), _UNKNOWNS))
    design[:, 0] = 1.0
    design[:, 2::2], design[:, 3::2] = np.cos(phase), np.sin(phase)
    return design


def _fitted(design: "_Array", values: "_Array") -> "tuple[_Array, float]":
    """Return the least squares and what they leave, squared."""
    import numpy as np

    normal = design.T @ design
    normal[np.diag_indices_from(normal)] += 1e-9 * len(values)  # unknowns that nothing tells
    found = np.asarray(np.linalg.solve(normal, design.T @ values), dtype=np.float64)
    rest = values - design @ found
    return found, float(rest @ rest)
