"""What a line says, as it comes: readings and bad frames in their order, or plain bytes."""

from collections.abc import Callable
from dataclasses import dataclass, field

from daemon.asking import Asking
from daemon.pace import Pace
from daemon.recording import Entry
from drivers import BadFrame, Driver, Reading


@dataclass(frozen=True, slots=True)
class Heard:
    """One thing that came.

    Attributes:
        at_ns: Monotonic nanoseconds; readings of one chunk are spread by the line's pace.
        what: A reading, a bad frame, or the bytes themselves where there is no driver.
    """

    at_ns: int
    what: Reading | BadFrame | bytes


@dataclass(slots=True)
class Tally:
    """Counts and times of what was heard.

    Attributes:
        chunks: How many times bytes arrived.
        data_bytes: How many bytes.
        readings: How many readings.
        bad_frames: How many frames were no readings.
        without_value: Readings without a value (over-range).
        lowest_nm: The least value, None before the first.
        highest_nm: The largest.
        first_ns: When the first thing came.
        last_ns: When the last thing came.
    """

    chunks: int = 0
    data_bytes: int = 0
    readings: int = 0
    bad_frames: int = 0
    without_value: int = 0
    lowest_nm: int | None = None
    highest_nm: int | None = None
    first_ns: int | None = None
    last_ns: int | None = None
    _stamp_ns: int | None = None
    _apart_ns: list[int] = field(default_factory=list)

    _MOST_KEPT = 20_000

    def note_chunk(self, at_ns: int, data: bytes) -> None:
        """Count bytes."""
        self.chunks += 1
        self.data_bytes += len(data)
        self.first_ns = at_ns if self.first_ns is None else self.first_ns
        self.last_ns = at_ns

    def note_reading(self, at_ns: int, reading: Reading) -> None:
        """Count a reading and the time since the last one."""
        self.readings += 1
        if self._stamp_ns is not None:
            self._apart_ns.append(at_ns - self._stamp_ns)
            del self._apart_ns[: -self._MOST_KEPT]
        self._stamp_ns = at_ns
        value_nm = reading.value_nm
        if value_nm is None:
            self.without_value += 1
            return
        low, high = self.lowest_nm, self.highest_nm
        self.lowest_nm = value_nm if low is None else min(low, value_nm)
        self.highest_nm = value_nm if high is None else max(high, value_nm)

    @property
    def rate_per_s(self) -> float | None:
        """Readings a second, from the median time between two; None before the second."""
        median_ns = self.apart_ns(0.5)
        return 1e9 / median_ns if median_ns else None

    def apart_ns(self, share: float) -> int | None:
        """Return the time between two readings that this share of them stays below.

        Args:
            share: 0.5 for the median, 1 for the longest.
        """
        if not self._apart_ns:
            return None
        ordered = sorted(self._apart_ns)
        return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


class Listener:
    """Decodes one line. Pure but for the driver's own state.

    Attributes:
        tally: Counts so far.
    """

    def __init__(
        self, make: Callable[[], Driver] | None, every_ns: int, answer_ns: int
    ) -> None:
        """Prepare; ``opened`` makes the driver.

        Args:
            make: Makes a driver; None to hear plain bytes.
            every_ns: Least time between two requests of a polled driver.
            answer_ns: How long an answer may take.
        """
        self.tally = Tally()
        self._make = make
        self._every_ns = every_ns
        self._answer_ns = answer_ns
        self._driver: Driver | None = None
        self._asking: Asking | None = None
        self._pace = Pace()
        self.opened()

    @property
    def decodes(self) -> bool:
        """True if there is a driver."""
        return self._make is not None

    @property
    def count(self) -> int:
        """Readings so far; chunks where there is no driver."""
        return self.tally.readings if self.decodes else self.tally.chunks

    def opened(self) -> None:
        """Begin anew: a reopened port makes a new driver."""
        if self._make is not None:
            self._driver = self._make()
            self._asking = Asking(self._driver, self._every_ns, self._answer_ns)
        self._pace = Pace()

    def chunk(self, at_ns: int, data: bytes) -> list[Heard]:
        """Return what the bytes say, in order."""
        self.tally.note_chunk(at_ns, data)
        if self._driver is None or self._asking is None:
            return [Heard(at_ns, data)]
        results = self._driver.feed(data)
        if results:
            self._asking.answered(at_ns)
        count = sum(isinstance(result, Reading) for result in results)
        stamps = iter(self._pace.stamps(at_ns, count))
        heard = []
        for result in results:
            if isinstance(result, Reading):
                stamp = next(stamps)
                self.tally.note_reading(stamp, result)
                heard.append(Heard(stamp, result))
            else:
                self.tally.bad_frames += 1
                heard.append(Heard(at_ns, result))
        return heard

    def request(self, now_ns: int) -> bytes | None:
        """Return what to send now, None if nothing."""
        return self._asking.request(now_ns) if self._asking is not None else None

    def replay(self, entry: Entry) -> list[Heard]:
        """Return what an entry of a recording says; a sent request readies the driver."""
        if entry.what == "opened":
            self.opened()
        elif entry.what == "<":
            if self._asking is not None:
                self._asking.passed_until(entry.at_ns)
            return self.chunk(entry.at_ns, entry.data)
        elif entry.what == ">" and self._asking is not None:
            self._asking.was_asked(entry.at_ns)
        return []
