"""What the pieces of a lot count for the proof of the rest, kept beside their standing.

Draws and looks lie between two pieces, so a piece never changes its stretch: only the pieces
a commit touched are counted anew.
"""

import sqlite3
from bisect import bisect_left
from dataclasses import dataclass, field, replace

from daemon.store import rest_query
from daemon.store.rest_query import Boundary
from rules.draw import draw_order
from rules.first_clamping import FirstClamping, Tally
from rules.rest_plan import RestPlan
from rules.rest_view import LookTaken, RestView, SampleDrawn, standing_of
from rules.tray import TrayWalk


@dataclass(frozen=True, slots=True)
class _Counted:
    stretch: int
    is_beyond: bool
    is_doubtful: bool


@dataclass(slots=True)
class RestStanding:
    """The rest of one lot.

    Attributes:
        plan: Fixed at the opening; None without one.
        walk: The tray's cells; None where they are not numbered.
    """

    plan: RestPlan | None = None
    walk: TrayWalk | None = None
    _given_seed: str = ""
    _sample: SampleDrawn | None = None
    _looks: tuple[LookTaken, ...] = ()
    _boundaries: list[Boundary] = field(default_factory=list)
    _set_aside: list[int] = field(default_factory=list)
    _counts: list[list[int]] = field(default_factory=lambda: [[0, 0, 0]])
    _pieces: dict[int, _Counted] = field(default_factory=dict)

    def load(self, db: sqlite3.Connection, lot_id: int) -> None:
        """Ask for everything but the pieces."""
        self.plan = rest_query.plan_of(db, lot_id)
        self.walk = rest_query.tray_walk(db, lot_id)
        self._given_seed = rest_query.given_seed(db, lot_id)
        self._ask(db, lot_id)

    def ask_again(self, db: sqlite3.Connection, lot_id: int) -> None:
        """Ask again for draws and looks, and for cells done without a piece."""
        before = self._sample
        self._ask(db, lot_id)
        if self.walk is None:
            return
        if self._sample is not None and before is None:
            cells = rest_query.cells_drawn_from(db, lot_id)
            self.walk.draw(draw_order(self._sample.seed, cells), self._sample.size)
        rest_query.take_cells(db, lot_id, self.walk)

    def _ask(self, db: sqlite3.Connection, lot_id: int) -> None:
        if self.plan is None:
            return
        drawn, looks = rest_query.sample_of(db, lot_id), rest_query.looks_of(db, lot_id)
        self._sample = drawn[0] if drawn is not None else None
        self._looks = tuple(look for look, _ in looks)
        self._boundaries = [drawn[1]] if drawn is not None else []
        self._boundaries += [where for _, where in looks]
        self._set_aside = rest_query.drawn_set_aside(db, lot_id)
        while len(self._counts) <= len(self._boundaries):
            self._counts.append([0, 0, 0])

    def take(self, number: int, status: str, first: FirstClamping, cell: str | None) -> None:
        """Count a piece anew."""
        if self.walk is not None and cell is not None:
            self.walk.take(int(cell))
        before = self._pieces.pop(number, None)
        if before is not None:
            self._count(before, -1)
        standing = standing_of(status)
        if self.plan is None or standing is None:
            return
        first = replace(first, standing=standing)
        stretch = bisect_left([b.after_piece for b in self._boundaries], number)
        is_beyond = first.is_beyond(self.plan.acceptance_limit_nm)
        counted = _Counted(stretch, is_beyond, is_beyond and first.is_doubtful)
        self._pieces[number] = counted
        self._count(counted, 1)

    def _count(self, piece: _Counted, by: int) -> None:
        count = self._counts[piece.stretch]
        count[0] += by
        count[1] += by * piece.is_beyond
        count[2] += by * piece.is_doubtful

    def view(self, quantity: int | None, set_aside: int, open_pieces: int) -> RestView | None:
        """Return the rest as the core sees it; None without a plan."""
        if self.plan is None:
            return None
        counts = [list(count) for count in self._counts]
        for seq in self._set_aside:
            stretch = sum(boundary.seq < seq for boundary in self._boundaries)
            counts[stretch] = [n + 1 for n in counts[stretch]]
        left = None if quantity is None else quantity - set_aside + len(self._set_aside)
        return RestView(
            self.plan, left, tuple(Tally(*count) for count in counts), self._sample,
            self._looks, open_pieces, self._given_seed,
        )  # fmt: skip
