"""A moment of the record, and whether its time of day can be trusted.

Order is by sequence number, intervals by the monotonic clock within one boot. The time of day
is for people and for due dates only, and a clock that stands wrong must fail safe there.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

Synced = Literal["yes", "no", "unknown"]

CLOCK_BACK_S = 120
"""A step back of so much against the last record is a clock set right, not one gone wrong."""

CLOCK_AHEAD_S = 31 * 86_400
"""A step ahead of so much against the interval clock: no machine was suspended that long."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When something was recorded.

    Attributes:
        utc: Time of day, aware.
        is_trusted: Nothing spoke against that time of day.
        boot: Id of the machine's boot: monotonic times compare only within one.
        mono_ns: Monotonic nanoseconds of the bench's clock.
    """

    utc: datetime
    is_trusted: bool
    boot: str
    mono_ns: int

    def since_ns(self, earlier: "Moment") -> int | None:
        """Return the time since ``earlier``; None where only a time of day would tell."""
        if self.boot != earlier.boot or self.mono_ns < earlier.mono_ns:
            return None
        return self.mono_ns - earlier.mono_ns


@dataclass(frozen=True, slots=True)
class Trusted:
    """A time of day that nothing spoke against.

    Attributes:
        at: When.
        synced: What the system said of its clock then.
    """

    at: Moment
    synced: Synced


def clock_doubt(
    utc: datetime, synced: Synced, last_utc: datetime | None, gone_s: float | None = None
) -> str:
    """Return why a time of day can't be trusted; "" when nothing speaks against it.

    Args:
        utc: What the clock says.
        synced: Whether the system says that it is synchronised; "unknown" is no doubt by
            itself, as many systems never say.
        last_utc: The latest time of day in the record; None while that is empty.
        gone_s: Seconds since then by the interval clock; None where that can't tell, or
            where the clock was synchronised since: then a step ahead is one set right.
    """
    if last_utc is not None and (last_utc - utc).total_seconds() > CLOCK_BACK_S:
        return f"the clock stands at {utc:%Y-%m-%d %H:%M}, before the last record"
    if last_utc is not None and gone_s is not None:
        ahead_s = (utc - last_utc).total_seconds() - gone_s
        if ahead_s > CLOCK_AHEAD_S:
            days = round(ahead_s / 86_400)
            return f"the clock stands at {utc:%Y-%m-%d %H:%M}, it went ahead by {days} days"
    if synced == "no":
        return "the clock is not synchronised"
    return ""
