"""The run-outs of one lot's pieces as the record has them, position by position."""

import sqlite3
from dataclasses import dataclass, field

from rules.vectors import vector_of


@dataclass(slots=True)
class PositionRunOuts:
    """What a lot showed at one position.

    Attributes:
        position: Where the indicator sits.
        pieces: Valid run-outs in nm of each piece's first cycle that has any, in order.
        vectors: Vector of each first clamping that has a direction, nm.
    """

    position: str
    pieces: dict[int, list[int]] = field(default_factory=dict)
    vectors: dict[int, complex] = field(default_factory=dict)

    @property
    def firsts_nm(self) -> list[int]:
        """Return the run-out of each piece's first valid clamping: no later one selects."""
        return [run_outs[0] for run_outs in self.pieces.values()]


def lot_run_outs(db: sqlite3.Connection, lot_id: int) -> list[PositionRunOuts]:
    """Return what a lot showed, one entry a position; clampings without a result left out."""
    rows = db.execute(
        "SELECT q.position, p.number, c.number, q.tir_nm, d.amplitude_nm, d.direction_udeg"
        " FROM pieces p JOIN cycles c ON c.piece = p.id JOIN clampings k ON k.cycle = c.id"
        " JOIN clamping_positions q ON q.clamping = k.id"
        " LEFT JOIN clamping_diagnoses d ON d.clamping = k.id AND d.position = q.position"
        " WHERE p.lot = ? AND k.tir_nm IS NOT NULL AND q.tir_nm IS NOT NULL"
        " ORDER BY p.number, c.number, k.number",
        (lot_id,),
    )
    found: dict[str, PositionRunOuts] = {}
    first_cycle: dict[tuple[str, int], int] = {}
    for position, piece, cycle, tir_nm, amplitude_nm, direction in rows:
        one = found.setdefault(position, PositionRunOuts(position))
        if first_cycle.setdefault((position, piece), cycle) != cycle:
            continue
        if piece not in one.pieces and direction is not None:
            one.vectors[piece] = vector_of(amplitude_nm, direction)
        one.pieces.setdefault(piece, []).append(tir_nm)
    return list(found.values())
