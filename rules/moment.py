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


def clock_doubt(utc: datetime, synced: Synced, last_utc: datetime | None) -> str:
    """Return why a time of day can't be trusted; "" when nothing speaks against it.

    Args:
        utc: What the clock says.
        synced: Whether the system says that it is synchronised; "unknown" is no doubt by
            itself, as many systems never say.
        last_utc: The latest time of day in the record; None while that is empty.
    """
    if last_utc is not None and (last_utc - utc).total_seconds() > CLOCK_BACK_S:
        return f"the clock stands at {utc:%Y-%m-%d %H:%M}, before the last record"
    if synced == "no":
        return "the clock is not synchronised"
    return ""
