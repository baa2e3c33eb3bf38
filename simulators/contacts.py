"""Contacts of a bench that are wired, not sent: the index flag as the spindle carries it by.

A contact is a level over time. When the spindle next brings the flag to its sensor or takes it
away is computed from the spindle's own motion, not sampled.
"""

from dataclasses import dataclass
from math import floor

from simulators.spindle import NS_PER_S, Spindle

_HORIZON_NS = 60 * NS_PER_S
"""A spindle that takes longer than this to the next flag edge is at rest."""


@dataclass(slots=True)
class IndexFlag:
    """A flag on the spindle: its sensor is on for ``width`` of a turn from ``at`` on.

    Attributes:
        at: Where the flag begins, in turns.
        width: How much of a turn it covers, 0 < width < 1.
        is_on: Whether the sensor sees it.
    """

    at: float
    width: float
    is_on: bool = False
    _edge_turns: float | None = None
    _of: Spindle | None = None
    _next_ns: int | None = None

    def next_ns(self, spindle: Spindle, now_ns: int) -> int | None:
        """Return when the flag's next edge passes, after ``now_ns``; None while it rests."""
        if self._edge_turns is None:
            self._begin(spindle.turns_at(now_ns))
        if self._of is not spindle:
            self._of = spindle
            self._next_ns = _first_at(spindle, self._edge_turns or 0.0, now_ns)
        return self._next_ns

    def pass_edge(self) -> bool:
        """Take the next edge; return the sensor's level after it."""
        assert self._edge_turns is not None  # next_ns() has said when it passes
        self.is_on = not self.is_on
        self._edge_turns += self.width if self.is_on else 1 - self.width
        self._of = None
        return self.is_on

    def _begin(self, turns: float) -> None:
        since_flag = turns - self.at
        whole = floor(since_flag)
        self.is_on = since_flag - whole < self.width
        self._edge_turns = self.at + whole + (self.width if self.is_on else 1)


def _first_at(spindle: Spindle, turns: float, now_ns: int) -> int | None:
    """Return the first time after ``now_ns`` at which the spindle has made so many turns."""
    early, late = now_ns, now_ns + _HORIZON_NS
    if spindle.turns_at(late) < turns:
        return None
    while late - early > 1:
        middle = (early + late) // 2
        if spindle.turns_at(middle) < turns:
            early = middle
        else:
            late = middle
    return late
