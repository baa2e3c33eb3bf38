"""The tray with numbered cells: which piece is taken next, and what a draw left out.

A lot's pieces are taken in the order of measuring: as the cells lie, or as drawn when the
lot was opened. A sample of the rest has a draw of its own and goes first while it is under
way. A cell whose piece was begun, set aside or found missing is done; no cell is passed over
for any other reason, which would unmake the draw.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from re import fullmatch

from rules.draw import DrawError


@dataclass(frozen=True, slots=True)
class TrayView:
    """A tray as it stands.

    Attributes:
        cells: Numbered cells, from 1.
        is_drawn: Whether the order of measuring was drawn.
        next_cell: Cell the next piece is taken from; None when no piece is left.
        rest: Cells not done, in their numbers' order.
        empty: Cells found empty.
        sample_left: Cells of the sample not done.
    """

    cells: int
    is_drawn: bool
    next_cell: int | None
    rest: int
    empty: int = 0
    sample_left: frozenset[int] = frozenset()


class TrayWalk:
    """The cells of one tray in the order they are to be taken; grows done, never undone.

    Attributes:
        cells: Numbered cells, from 1.
        order: In which the lot is measured.
        done: Cells that hold no unmeasured piece any more.
        empty: Those of them that were found empty.
    """

    def __init__(self, cells: int, order: Sequence[int] | None) -> None:
        """Begin with a full tray; no order takes the cells as they lie."""
        self.cells = cells
        self.is_drawn = order is not None
        self.order: Sequence[int] = order if order is not None else range(1, cells + 1)
        self.done: set[int] = set()
        self.empty: set[int] = set()
        self._at = 0
        self._sample: Sequence[int] = ()
        self._of_sample: frozenset[int] = frozenset()
        self._sample_left = 0
        self._sample_at = 0

    def take(self, cell: int, *, is_empty: bool = False) -> None:
        """Take note that a cell is done; an empty one never held a piece of the sample."""
        if cell in self.done:
            return
        self.done.add(cell)
        if is_empty:
            self.empty.add(cell)
        elif cell in self._of_sample:
            self._sample_left -= 1

    def draw(self, sample: Sequence[int], size: int) -> None:
        """Take note of a sample: the whole rest in drawn order, and how many to take."""
        self._sample, self._of_sample = sample, frozenset(sample)
        self._sample_at = 0
        self._sample_left = size - len((self.done - self.empty) & self._of_sample)

    def rest(self) -> tuple[int, ...]:
        """Return the cells that are not done, by number."""
        return tuple(cell for cell in range(1, self.cells + 1) if cell not in self.done)

    def sample_left(self) -> tuple[int, ...]:
        """Return the cells of the sample that are not done, as drawn."""
        while self._sample_at < len(self._sample) and (
            self._sample[self._sample_at] in self.done
        ):
            self._sample_at += 1
        left: list[int] = []
        for place in range(self._sample_at, len(self._sample)):
            if len(left) >= self._sample_left:
                break
            if self._sample[place] not in self.done:
                left.append(self._sample[place])
        return tuple(left)

    def view(self) -> TrayView:
        """Return the tray as it stands."""
        left = self.sample_left()
        while self._at < len(self.order) and self.order[self._at] in self.done:
            self._at += 1
        following = self.order[self._at] if self._at < len(self.order) else None
        return TrayView(
            self.cells, self.is_drawn, left[0] if left else following,
            self.cells - len(self.done), len(self.empty), frozenset(left),
        )  # fmt: skip


def as_ranges(cells: Iterable[int]) -> str:
    """Return cells in a line: ``1-16 18-120``; their order has to be rising."""
    runs: list[list[int]] = []
    for cell in cells:
        if runs and cell == runs[-1][1] + 1:
            runs[-1][1] = cell
        else:
            runs.append([cell, cell])
    return " ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)


def from_ranges(text: str) -> tuple[int, ...]:
    """Return the cells of a line.

    Raises:
        DrawError: If it is no such line.
    """
    cells: list[int] = []
    for run in text.split():
        match = fullmatch(r"([0-9]+)(?:-([0-9]+))?", run)
        if match is None:
            raise DrawError(f"cells {run!r}: accepted are numbers and ranges, 1-16 18-120")
        first = int(match[1])
        cells.extend(range(first, int(match[2] or first) + 1))
    return tuple(cells)
