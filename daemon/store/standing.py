"""What the pieces of a lot count as today, without asking the whole lot after every step.

Every entry is what the views say of that piece. After a commit only the pieces that it
touched are asked again: a step costs the same in a lot of ten thousand pieces as in a new one.
"""

import sqlite3
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from daemon.store.rest_standing import RestStanding
from rules.first_clamping import FirstClamping

_FIRSTS = "FROM clampings k JOIN cycles c ON c.id = k.cycle WHERE c.piece = s.piece"

_AT_TIGHTEST = (
    "(SELECT max(q.{0}_nm - coalesce(r.acceptance_nm - t.acceptance_nm, 0))"
    " FROM clamping_positions q JOIN rest_plans t ON t.lot = s.lot"
    " LEFT JOIN rest_limits r ON r.lot = s.lot AND r.position = q.position"
    " WHERE q.clamping = k.id)"
)
"""Of a lot with limits per position: the run-out that lies as far above the tightest limit."""

_ROWS = (
    "SELECT s.number, s.status, coalesce(s.grade, ''),"
    f" (SELECT k.tir_nm {_FIRSTS} AND c.number = 1 AND k.number = 1),"
    f" (SELECT {{tir}} {_FIRSTS} AND k.tir_nm IS NOT NULL"
    "   ORDER BY c.number, k.number LIMIT 1),"
    f" (SELECT max({{seen}}) {_FIRSTS} AND k.tir_nm IS NULL AND NOT EXISTS"
    "   (SELECT 1 FROM clampings v JOIN cycles w ON w.id = v.cycle WHERE w.piece = s.piece"
    "    AND v.tir_nm IS NOT NULL AND (w.number, v.number) < (c.number, k.number))),"
    " (SELECT count(*) FROM clampings k WHERE k.cycle = s.cycle),"
    " (SELECT p.tray_cell FROM pieces p WHERE p.id = s.piece)"
    " FROM piece_status s WHERE s.lot = ?"
)

_OF_ONE_LIMIT = _ROWS.format(tir="k.tir_nm", seen="k.seen_nm")
_OF_POSITIONS = _ROWS.format(tir=_AT_TIGHTEST.format("tir"), seen=_AT_TIGHTEST.format("seen"))

Row = tuple[int, str, str, int | None, int | None, int | None, int, str | None]


@dataclass(frozen=True, slots=True)
class _Piece:
    status: str
    grade: str
    first_nm: int | None
    clampings: int


@dataclass(slots=True)
class Standing:
    """The pieces of one lot.

    Attributes:
        lot_id: Row of the lot.
        by_status: How many pieces by status and grade ("" where a status has no grade).
        firsts: TIR of each piece's first clamping, in nm, and how many have it; invalid
            ones have none.
        clampings: Clampings of the cycles that count today, by status and grade.
        last: Number of the newest piece, 0 if none was begun.
        rest: What counts for the proof of the rest, and the tray.
    """

    lot_id: int
    by_status: Counter[tuple[str, str]] = field(default_factory=Counter)
    firsts: Counter[int] = field(default_factory=Counter)
    clampings: Counter[tuple[str, str]] = field(default_factory=Counter)
    last: int = 0
    rest: RestStanding = field(default_factory=RestStanding)
    _pieces: dict[int, _Piece] = field(default_factory=dict)

    def load(self, db: sqlite3.Connection) -> None:
        """Ask for the whole lot."""
        self.rest.load(db, self.lot_id)
        self._take(db.execute(self._rows, (self.lot_id,)))

    def ask_again(self, db: sqlite3.Connection, numbers: Iterable[int]) -> None:
        """Ask again for these pieces."""
        self.rest.ask_again(db, self.lot_id)
        for number in numbers:
            self._take(db.execute(f"{self._rows} AND s.number = ?", (self.lot_id, number)))

    @property
    def _rows(self) -> str:
        plan = self.rest.plan
        return _OF_POSITIONS if plan is not None and plan.positions else _OF_ONE_LIMIT

    def counts(self) -> dict[str, dict[str, int]]:
        """Return pieces by status and grade; no entry where there are none."""
        found: dict[str, dict[str, int]] = {}
        for (status, grade), pieces in self.by_status.items():
            if pieces:
                found.setdefault(status, {})[grade] = pieces
        return found

    def open_pieces(self) -> int:
        """Return how many pieces are in work or in hand."""
        open_ones = ("in-work", "pending")
        return sum(n for (status, _), n in self.by_status.items() if status in open_ones)

    def mean_clampings(self, grade: str) -> tuple[float | None, float | None]:
        """Return clampings a piece, of this grade and of all others; None without any.

        Pieces in work and pieces given up have not had theirs.
        """
        made: list[list[int]] = [[0, 0], [0, 0]]
        for key, pieces in self.by_status.items():
            if key[0] not in ("in-work", "abandoned") and pieces:
                side = made[key[1] != grade]
                side[0] += self.clampings[key]
                side[1] += pieces
        good, other = (total / pieces if pieces else None for total, pieces in made)
        return good, other

    def _take(self, rows: Iterable[Row]) -> None:
        for number, status, grade, first_nm, valid_nm, seen_nm, clampings, cell in rows:
            before = self._pieces.get(number)
            if before is not None:
                self._count(before, -1)
            self._pieces[number] = _Piece(status, grade, first_nm, clampings)
            self._count(self._pieces[number], 1)
            self.last = max(self.last, number)
            first = FirstClamping(valid_nm, seen_nm=seen_nm)
            self.rest.take(number, status, first, cell)

    def _count(self, piece: _Piece, by: int) -> None:
        self.by_status[piece.status, piece.grade] += by
        self.clampings[piece.status, piece.grade] += by * piece.clampings
        if piece.first_nm is not None:
            self.firsts[piece.first_nm] += by
