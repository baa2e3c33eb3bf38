"""Time stamps for readings that arrived in one chunk: spread back by the line's own pace."""

from dataclasses import dataclass

_FIRST_GUESS_NS = 1_000_000
_SMOOTHING = 8
"""The pace follows the last eight chunks or so: a line's rate is steady."""

_PAUSE = 3
"""A silence of more than this many paces was a pause, not a slow reading…"""

_PAUSES_IN_A_ROW = 3
"""…unless it goes on like that: then the line is slower than it was taken for."""


@dataclass(slots=True)
class Pace:
    """Spreads stamps and learns the time between two readings of one line.

    No two readings share a stamp, stamps never run backwards, and the last reading of a
    chunk has the chunk's own arrival time. The same arrivals give the same stamps.
    """

    _last_ns: int | None = None
    _interval_ns: int | None = None
    _pauses: int = 0

    def stamps(self, at_ns: int, count: int) -> list[int]:
        """Return the times of ``count`` readings that were complete at ``at_ns``, ascending."""
        if count == 0:
            return []
        interval = self._learn(at_ns, count)
        first_free = self._last_ns + 1 if self._last_ns is not None else None
        stamps = [at_ns - (count - 1 - i) * interval for i in range(count)]
        if first_free is not None:
            stamps = [max(stamp, first_free + i) for i, stamp in enumerate(stamps)]
        self._last_ns = stamps[-1]
        return stamps

    def _learn(self, at_ns: int, count: int) -> int:
        if self._last_ns is None:
            return _FIRST_GUESS_NS
        apart = max(1, (at_ns - self._last_ns) // count)
        known = self._interval_ns
        if known is None:
            self._interval_ns = apart
            return apart
        if apart > _PAUSE * known:
            self._pauses += 1
            if self._pauses < _PAUSES_IN_A_ROW:
                return known
            self._pauses, self._interval_ns = 0, apart
            return apart
        self._pauses = 0
        self._interval_ns = max(1, known + (apart - known) // _SMOOTHING)
        return min(apart, self._interval_ns)
