"""Whether the time of day can be trusted: held against the latest trusted record."""

from daemon.clock import Clock
from rules.moment import Moment, Synced, Trusted, clock_doubt

_NS_PER_S = 1_000_000_000


class ClockWatch:
    """Remembers the latest time of day that nothing spoke against.

    A clock that jumps ahead by less than a month, or while the service was down, is believed,
    and what was recorded then makes it doubted once it is set right: only a person can say
    which of the two was wrong (``accept``).
    """

    def __init__(self, clock: Clock, boot: str, last: Trusted | None) -> None:
        """Take up the latest trusted time of day in the record; None: it is empty."""
        self._clock = clock
        self._boot = boot
        self._last = last

    def doubt(self) -> str:
        """Return why the clock can't be trusted now; "" when nothing speaks against it."""
        return self._look()[0]

    def synced(self) -> Synced:
        """Return what the system says of its clock; "no" where anything speaks against it."""
        doubt, synced = self._look()
        return "no" if doubt else synced

    def _look(self) -> tuple[str, Synced]:
        last, synced = self._last, self._clock.synced()
        now = Moment(self._clock.utc(), True, self._boot, self._clock.now_ns())
        last_utc = last.at.utc if last is not None else None
        found = clock_doubt(now.utc, synced, last_utc, self._gone_s(now, synced))
        if not found and (last is None or now.utc >= last.at.utc):
            self._last = Trusted(now, synced)
        return found, synced

    def _gone_s(self, now: Moment, synced: Synced) -> float | None:
        """Return the seconds since the last trusted moment, where a step can be told by them.

        A system that says so for the first time has set its clock right just now.
        """
        if self._last is None or (synced == "yes" and self._last.synced != "yes"):
            return None
        gone_ns = now.since_ns(self._last.at)
        return None if gone_ns is None else gone_ns / self._clock.rate / _NS_PER_S

    def accept(self) -> str:
        """Take the clock as it stands for right; return what still speaks against it."""
        self._last = None
        return self.doubt()
