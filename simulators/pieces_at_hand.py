"""The pieces around a simulated bench: in the tray, in the bins, and who is which."""

import re

from simulators.collet import Clamper, Collet
from simulators.work import Work

_NAMED = re.compile(r"Piece (\d+) ")
"""How a sentence begins that is about a piece which lies somewhere already."""


class PiecesAtHand:
    """One person's pieces.

    Attributes:
        left: How many are still to be taken from the tray.
    """

    def __init__(self, seed: str, work: Work) -> None:
        self._seed = seed
        self._work = work
        self._all = {collet.number: collet for collet in work.tray}
        self._tray = dict(self._all)
        self.left = len(self._tray) if work.pieces is None else work.pieces
        self._taken: list[Collet] = []
        self._lies: dict[int, str] = {}
        self._clampers: dict[int, Clamper] = {}

    def take(self, cell: int | None) -> Collet:
        """Take the piece of a cell, of the first full one where that is empty or not named."""
        number = cell if cell in self._tray else min(self._tray)
        collet = self._tray.pop(number)
        self._taken.append(collet)
        self.left -= 1
        return collet

    def put_back(self, collet: Collet) -> None:
        """Put the piece taken last back into its cell: it was never tightened."""
        self._taken.pop()
        self._tray[collet.number] = collet
        self.left += 1

    def named(self, text: str) -> Collet | None:
        """Return the piece that a sentence names; None where it names none.

        The bench counts pieces as they come; so does who hands them to it.
        """
        found = _NAMED.match(text)
        return self._taken[int(found[1]) - 1] if found else None

    def dropped(self, number: int, bin_id: str) -> None:
        """Know where a piece lies."""
        self._lies[number] = bin_id

    def pour_back(self, bin_id: str) -> None:
        """Take all that lies in a bin back into the tray, whichever pieces they were."""
        for number in [number for number, where in self._lies.items() if where == bin_id]:
            del self._lies[number]
            self._tray[number] = self._all[number]
            self.left += 1

    def clamper(self, collet: Collet) -> Clamper:
        """Return what a piece is tightened with: taken up again it goes on where it was."""
        if collet.number not in self._clampers:
            self._clampers[collet.number] = Clamper(
                self._seed, collet, self._work.collets, self._work.holder_um
            )
        return self._clampers[collet.number]
