"""What the pieces of a lot count as today, without asking the whole lot after every step.

Every entry is what the views say of that piece. After a commit only the pieces that it
touched are asked again: a step costs the same in a lot of ten thousand pieces as in a new one.
"""

import sqlite3
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

_ROWS = (
    "SELECT s.number, s.status, coalesce(s.grade, ''), (SELECT k.tir_nm FROM clampings k"
    " JOIN cycles c ON c.id = k.cycle"
    " WHERE c.piece = s.piece AND c.number = 1 AND k.number = 1)"
    " FROM piece_status s WHERE s.lot = ?"
)


@dataclass(frozen=True, slots=True)
class _Piece:
    status: str
    grade: str
    first_nm: int | None


@dataclass(slots=True)
class Standing:
    """The pieces of one lot.

    Attributes:
        lot_id: Row of the lot.
        by_status: How many pieces by status and grade ("" where a status has no grade).
        firsts: TIR of each piece's first clamping, in nm, and how many have it; invalid
            ones have none.
        last: Number of the newest piece, 0 if none was begun.
    """

    lot_id: int
    by_status: Counter[tuple[str, str]] = field(default_factory=Counter)
    firsts: Counter[int] = field(default_factory=Counter)
    last: int = 0
    _pieces: dict[int, _Piece] = field(default_factory=dict)

    def load(self, db: sqlite3.Connection) -> None:
        """Ask for the whole lot."""
        self._take(db.execute(_ROWS, (self.lot_id,)))

    def ask_again(self, db: sqlite3.Connection, numbers: Iterable[int]) -> None:
        """Ask again for these pieces."""
        for number in numbers:
            self._take(db.execute(f"{_ROWS} AND s.number = ?", (self.lot_id, number)))

    def counts(self) -> dict[str, dict[str, int]]:
        """Return pieces by status and grade; no entry where there are none."""
        found: dict[str, dict[str, int]] = {}
        for (status, grade), pieces in self.by_status.items():
            if pieces:
                found.setdefault(status, {})[grade] = pieces
        return found

    def _take(self, rows: Iterable[tuple[int, str, str, int | None]]) -> None:
        for number, status, grade, first_nm in rows:
            before = self._pieces.get(number)
            if before is not None:
                self._count(before, -1)
            self._pieces[number] = _Piece(status, grade, first_nm)
            self._count(self._pieces[number], 1)
            self.last = max(self.last, number)

    def _count(self, piece: _Piece, by: int) -> None:
        self.by_status[piece.status, piece.grade] += by
        if piece.first_nm is not None:
            self.firsts[piece.first_nm] += by
