"""What a sweep shows beside its TIR: gaps, drift, direction, form and noise.

One least-squares fit over all whole turns, at the angles as they came: a mean, a drift and
harmonics 1 to 5. Even steps, which a Fourier transform takes for granted, there are none.
Nothing here decides about a piece; the TIR comes from the readings alone.
"""

from collections.abc import Sequence
from functools import cache
from math import cos, pi
from typing import TYPE_CHECKING

from rules.spindle_angle import TURN_UDEG
from rules.sweep import Diagnosis, Sweep, SweepRules
from rules.sweep_angle import sweep_angle
from rules.turns import Turn, turn_shares, turn_shares_v2, whole_turns

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    _Array = NDArray[np.float64]

HARMONICS = 5


def diagnose(sweep: Sweep, rules: SweepRules) -> Diagnosis | None:
    """Return what the whole turns show; None where there are none, or too few readings."""
    turns = whole_turns(sweep, rules)
    return _diagnosed(sweep, rules, turns, turn_shares(sweep, turns, rules))


def diagnose_v2(sweep: Sweep, rules: SweepRules) -> Diagnosis | None:
    """Return what version 2 found: by time alone its second turn lay beside the first."""
    turns = whole_turns(sweep, rules)
    return _diagnosed(sweep, rules, turns, turn_shares_v2(sweep, turns, rules))


def _diagnosed(
    sweep: Sweep, rules: SweepRules, turns: Sequence[Turn], shares: list[tuple[int, float]]
) -> Diagnosis | None:
    if len(shares) < 2 * (2 * HARMONICS + 2):
        return None
    import numpy as np

    angles = np.array([share for _, share in shares])
    values = np.array([sweep.value_nm[i] for i, _ in shares], dtype=np.float64)
    found, noise = _fitted(angles, values)
    cosine, sine = float(found[2]), float(found[3])
    gap = max(turn.gap_share for turn in turns)
    tir_nm = max(turn.tir_nm for turn in turns)
    first, second, third = (sampling_loss_nm(tir_nm, gap, waves) for waves in (1, 2, 3))
    high = float(np.arctan2(sine, cosine)) / (2 * pi)
    return Diagnosis(
        gap_udeg=round(gap * TURN_UDEG),
        loss_nm=(first, second, third),
        drift_nm=round(float(found[1])),
        amplitude_nm=round(float(np.hypot(cosine, sine))),
        direction_udeg=round(_spindle_at(high, sweep, rules, turns) * TURN_UDEG) % TURN_UDEG,
        form_nm=_form_nm(found),
        noise_nm=round(noise),
    )


def _spindle_at(gone: float, sweep: Sweep, rules: SweepRules, turns: Sequence[Turn]) -> float:
    """Return the spindle's angle, in turns, so far after the turns began; the delay taken off.

    Turns by an index begin at its zero. An encoder has a zero of its own, and it or a second
    flag may tell that the spindle turned the other way.
    """
    if rules.proof == "angle" or rules.second_flag_deg:
        found = sweep_angle(sweep, rules)
        if found is not None and found.angle is not None:
            sense = 1 if found.angle[-1] > found.angle[0] else -1
            return found.angle[0] + sense * (gone - found.gone[0])
    return gone - rules.delay_ns / turns[0].length_ns


def sampling_loss_nm(tir_nm: int, gap_share: float, undulations: int) -> int | None:
    """Return by how much a run-out of so many waves a turn can read low, nm.

    Between two readings a gap g apart a crest of amplitude A rises by at most
    A (1 − cos(k g / 2)) above both; so does a trough, and TIR is 2 A.

    Args:
        tir_nm: The TIR as read, all of it taken to be of these waves.
        gap_share: The largest gap as a share of a turn.
        undulations: Waves a turn, from 1.
    """
    if undulations * gap_share >= 0.5:
        return None  # a whole crest fits in the gap: it could hide all
    lost = 1 - cos(pi * undulations * gap_share)
    return -round(-tir_nm * lost / (1 - lost))


def delay_ns(
    direction_slow_udeg: int, slow_ns: int, direction_fast_udeg: int, fast_ns: int
) -> int:
    """Return the indicator's delay by the eccentric master turned at two speeds.

    A delay d moves the high spot on by d / T of a turn of time T; between two speeds that
    is d (1 / fast − 1 / slow). The move is taken to be below half a turn.

    Raises:
        ValueError: If the two turns took the same time: then no delay shows.
    """
    if slow_ns <= fast_ns:
        raise ValueError(f"turns of {slow_ns} and {fast_ns} ns; accepted are slow, then fast")
    moved = unwrapped_step(direction_fast_udeg - direction_slow_udeg) / TURN_UDEG
    return round(moved / (1 / fast_ns - 1 / slow_ns))


def unwrapped_step(step_udeg: int) -> int:
    """Return an angle the shorter way round, -180 to 180 degrees."""
    half = TURN_UDEG // 2
    return (step_udeg + half) % TURN_UDEG - half


def _fitted(angles: "_Array", values: "_Array") -> "tuple[_Array, float]":
    """Return mean, drift a turn, cosine and sine of each harmonic; and the residual."""
    import numpy as np

    waves = np.arange(1, HARMONICS + 1)
    phase = 2 * pi * np.outer(angles, waves)
    design = np.empty((len(angles), 2 + 2 * HARMONICS))
    design[:, 0], design[:, 1] = 1.0, angles
    design[:, 2::2], design[:, 3::2] = np.cos(phase), np.sin(phase)
    fit, _, _, _ = np.linalg.lstsq(design, values, rcond=None)
    found = np.asarray(fit, dtype=np.float64)
    rest = values - design @ found
    return found, float(np.sqrt(rest @ rest / max(1, len(values) - design.shape[1])))


def _form_nm(found: "_Array") -> int:
    cosines, sines = _around()
    form = cosines @ found[4::2] + sines @ found[5::2]
    return round(float(form.max() - form.min()))


@cache
def _around() -> "tuple[_Array, _Array]":
    """Return cosine and sine of harmonics 2 to 5, a row for each degree: always the same."""
    import numpy as np

    around = 2 * pi * np.outer(np.arange(360) / 360, np.arange(2, HARMONICS + 1))
    return np.cos(around), np.sin(around)
