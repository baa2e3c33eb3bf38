"""What an indicator said, once: a value or the reason why there is none."""

from dataclasses import dataclass
from typing import Literal

from rules.length import Unit

Mode = Literal["live", "max-min"]
"""``live``: the present indication. ``max-min``: the indicator's own TIR memory."""

Flag = Literal[
    "over-range",  # outside the measuring interval, at either end
    "low-battery",
    "frozen",  # the display holds its value
    "offset-set",  # a preset or zero offset is active
    "index",  # the spindle's once-per-turn mark passed since the last frame
    "foot",  # the foot switch is down
]

NO_FLAGS: frozenset[Flag] = frozenset()


@dataclass(frozen=True, slots=True)
class Reading:
    """One indication as decoded from the wire. No time: the daemon stamps it on arrival.

    Attributes:
        value_nm: The indication in nanometres; None when the indicator gave no value
            (over-range). Nothing is ever derived, held over or guessed.
        unit: The unit as sent (or as fixed by the bench file).
        mode: What the indicator says the number is.
        flags: Status flags set in this frame.
        channel: The channel word or unit id in the frame, "" when it has none.
        angle_udeg: Spindle angle in microdegrees, when the frame carries one.
        counter: Frame counter, when the frame carries one.
    """

    value_nm: int | None
    unit: Unit = "mm"
    mode: Mode = "live"
    flags: frozenset[Flag] = NO_FLAGS
    channel: str = ""
    angle_udeg: int | None = None
    counter: int | None = None
