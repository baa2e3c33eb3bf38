"""What sweeps show beside their TIR, anew: eccentricity, direction, form, noise and the rest.

They decide nothing about a piece, but the holder's share and its alarm rest on them. They
come from least squares in floating point, which another machine may round otherwise in the
last digit: what differs by no more than that is equal.
"""

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import radians

from daemon.recompute.findings import Findings
from daemon.store.stored import StoredClamping, StoredCycle
from rules.clamping import PositionRunOut
from rules.evaluations import Evaluation
from rules.sweep import Diagnosis, SweepRules

_KEPT = (
    "SELECT direction_udeg, amplitude_nm, form_nm, noise_nm, drift_nm, gap_udeg, loss_1_nm,"
    " loss_2_nm, loss_3_nm FROM clamping_diagnoses WHERE clamping = ? AND position = ?"
)
_NAMES = (
    "amplitude_nm", "form_nm", "noise_nm", "drift_nm", "gap_udeg", "loss_1_nm", "loss_2_nm",
    "loss_3_nm",
)  # fmt: skip
_LAST_DIGIT = 1


@dataclass(frozen=True, slots=True)
class KeptDiagnoses:
    """The diagnoses of a record; one of an earlier release has none."""

    db: sqlite3.Connection

    def compare(
        self,
        cycle: StoredCycle,
        clamping: StoredClamping,
        positions: Iterable[PositionRunOut],
        by: tuple[Evaluation, Mapping[str, SweepRules]],
        found: Findings,
    ) -> None:
        """Note what differs at each position that has a kept diagnosis."""
        evaluation, rules = by
        for place in positions:
            kept = self._of(clamping.id, place.position)
            if kept is None:
                continue
            anew = evaluation.diagnose(place.sweep, rules[place.indicator])
            found.diagnoses += 1
            found.compare(cycle, clamping, place.position, _pairs(kept, anew))

    def _of(self, clamping: int, position: str) -> tuple[int | None, ...] | None:
        try:
            row: tuple[int | None, ...] | None = self.db.execute(
                _KEPT, (clamping, position)
            ).fetchone()
        except sqlite3.OperationalError:  # no service of this release has opened it yet
            return None
        return row


def _pairs(
    kept: tuple[int | None, ...], anew: Diagnosis | None
) -> list[tuple[str, object, object]]:
    if anew is None:
        return [("diagnosis", f"amplitude {kept[1]} nm", None)]
    direction, *values = kept
    computed = (
        anew.amplitude_nm, anew.form_nm, anew.noise_nm, anew.drift_nm, anew.gap_udeg,
        *anew.loss_nm,
    )  # fmt: skip
    pairs: list[tuple[str, object, object]] = [
        (name, stored, value)
        for name, stored, value in zip(_NAMES, values, computed, strict=True)
        if not _is_equal(stored, value)
    ]
    if direction is not None and not _is_same_way(direction, anew):
        pairs.append(("direction_udeg", direction, anew.direction_udeg))
    return pairs


def _is_equal(stored: int | None, computed: int | None) -> bool:
    if stored is None or computed is None:
        return stored == computed
    return abs(stored - computed) <= _LAST_DIGIT


def _is_same_way(direction_udeg: int, anew: Diagnosis) -> bool:
    """Return whether two directions are one: within the last digit of angle or of length."""
    off = abs((direction_udeg - anew.direction_udeg + 180_000_000) % 360_000_000 - 180_000_000)
    return off <= _LAST_DIGIT or radians(off / 1e6) * anew.amplitude_nm <= _LAST_DIGIT
