"""The one module that reads the clocks.

Intervals are monotonic, records are UTC. ``rate`` is for the demo and for tests: intervals
then run that much faster, and so does the line; UTC stays what it is.
"""

import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from os.path import exists
from pathlib import Path
from typing import Literal, Protocol

Synced = Literal["yes", "no", "unknown"]

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_SYNCED_MARK = Path("/run/systemd/timesync/synchronized")


class Clock(Protocol):
    """What the service asks a clock."""

    rate: float

    def now_ns(self) -> int:
        """Return monotonic nanoseconds of bench time."""

    def utc(self) -> datetime:
        """Return the time of day, UTC."""

    def synced(self) -> Synced:
        """Return whether the time of day is known to be right."""


@dataclass(slots=True)
class SystemClock:
    """The machine's clocks.

    Attributes:
        rate: Bench seconds a real second; 1 in production.
    """

    rate: float = 1.0
    _zero_ns: int = field(default_factory=time.monotonic_ns)

    def now_ns(self) -> int:
        """Return monotonic nanoseconds, scaled from the moment the clock was made."""
        now = time.monotonic_ns()
        return self._zero_ns + round((now - self._zero_ns) * self.rate)

    def utc(self) -> datetime:
        """Return the time of day, UTC; never scaled."""
        return datetime.now(UTC)

    def synced(self) -> Synced:
        """Return "yes" when the system says so; it seldom says "no", so "unknown" else."""
        return "yes" if exists(_SYNCED_MARK) else "unknown"


def boot_id() -> str:
    """Return the id of this boot of the machine: monotonic times compare only within one."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return "unknown"


def rfc3339(at: datetime) -> str:
    """Return a UTC time as RFC 3339 text with milliseconds and Z."""
    return at.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def stand_back(seconds: float) -> None:
    """Leave the processor to other programs for so long: real seconds, whatever the rate.

    The loop stands meanwhile; only what readings come is still stamped on arrival.
    """
    time.sleep(seconds)
