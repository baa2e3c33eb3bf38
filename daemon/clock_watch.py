"""Whether the time of day can be trusted: held against the latest trusted record."""

from datetime import datetime

from daemon.clock import Clock
from rules.moment import clock_doubt


class ClockWatch:
    """Remembers the latest time of day that nothing spoke against.

    A clock that jumps ahead is believed, and what was recorded then makes it doubted once it
    is set right: only a person can say which of the two was wrong (``accept``).
    """

    def __init__(self, clock: Clock, last_trusted: datetime | None) -> None:
        """Take up the latest trusted time of day in the record; None: it is empty."""
        self._clock = clock
        self._last = last_trusted

    def doubt(self) -> str:
        """Return why the clock can't be trusted now; "" when nothing speaks against it."""
        utc = self._clock.utc()
        found = clock_doubt(utc, self._clock.synced(), self._last)
        if not found:
            self._last = utc if self._last is None else max(self._last, utc)
        return found

    def accept(self) -> str:
        """Take the clock as it stands for right; return what still speaks against it."""
        self._last = None
        return self.doubt()
