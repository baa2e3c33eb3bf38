"""What one seat of a master showed: TIR, vector and shape of its sweep, or a finished TIR.

The TIR of the readings carries the indicator's noise: largest minus smallest of 80 readings
is 0.2 to 0.3 µm too large at a noise of 0.1 µm, and that hides half of a reversal play of
0.5 µm. So where an index or an encoder tells the angle a seat also has the TIR of its
*shape*, the sum of harmonics 1 to 5 over all turns, with next to no noise. The vector alone
would not do: play flattens the crests and delays the flanks, and the first harmonic loses
less than half of what the TIR loses (a test computes both).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import pi

from rules.run_out import evaluate, evaluate_single
from rules.sweep import Invalid, Sweep, SweepRules
from rules.turns import Turn, turn_shares, whole_turns
from rules.vectors import VectorError, sweep_vector

HARMONICS = 5
"""Harmonics a shape is made of; a shape needs four readings for each of its unknowns."""


@dataclass(frozen=True, slots=True)
class Seat:
    """One sweep on a master.

    Attributes:
        tir_nm: TIR of the readings; None when the sweep has no result.
        invalid: Why it has none.
        shape_tir_nm: TIR of the harmonics 1 to 5; None where nothing marks the angle.
        vector: First harmonic, nm of eccentricity; None where nothing marks its zero.
        turn_ns: Longest turn as far as the bench can tell it; None without a result.
        is_finished: The indicator made the TIR itself; nothing was seen of turn or angle.
    """

    tir_nm: int | None
    invalid: Invalid | None = None
    shape_tir_nm: int | None = None
    vector: complex | None = None
    turn_ns: int | None = None
    is_finished: bool = False

    @property
    def judged_tir_nm(self) -> int | None:
        """Return the run-out a check goes by: that of the shape if there is one."""
        return self.tir_nm if self.shape_tir_nm is None else self.shape_tir_nm


def finished_seat(sweep: Sweep) -> Seat:
    """Return what a finished value on a master says: its TIR and nothing else."""
    found = evaluate_single(sweep)
    return Seat(found.tir_nm, found.invalid, is_finished=True)


def seat_of(sweep: Sweep, rules: SweepRules) -> Seat:
    """Return what a sweep on a master shows; it is held to the same rules as a clamping."""
    found = evaluate(sweep, rules)
    if found.invalid is not None:
        return Seat(None, found.invalid)
    turns = whole_turns(sweep, rules)
    longest_ns = max(turn.length_ns for turn in turns)
    try:
        vector = sweep_vector(sweep, rules).whole.vector
    except VectorError:
        return Seat(found.tir_nm, turn_ns=longest_ns)
    return Seat(found.tir_nm, None, _shape_tir_nm(sweep, turns, rules), vector, longest_ns)


def _shape_tir_nm(sweep: Sweep, turns: Sequence[Turn], rules: SweepRules) -> int | None:
    """Return largest minus smallest of the fitted harmonics; drift is fitted and left out."""
    shares = turn_shares(sweep, turns, rules)
    if len(shares) < 4 * (2 + 2 * HARMONICS):
        return None
    import numpy as np

    turned = np.array([share for _, share in shares])
    values = np.array([sweep.value_nm[i] for i, _ in shares], dtype=np.float64)
    waves = np.arange(1, HARMONICS + 1)
    phase = 2 * pi * np.outer(turned, waves)
    design = np.column_stack((np.ones(len(turned)), turned, np.cos(phase), np.sin(phase)))
    found, _, _, _ = np.linalg.lstsq(design, values, rcond=None)
    around = 2 * pi * np.outer(np.arange(720) / 720, waves)
    shape = np.cos(around) @ found[2 : 2 + HARMONICS] + np.sin(around) @ found[2 + HARMONICS :]
    return round(float(shape.max() - shape.min()))
