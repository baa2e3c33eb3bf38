"""How a person works at a bench, and on what: pace, order of the hands, tray, mistakes."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from simulators.collet import Collet, ColletKind
from simulators.masters import Masters
from simulators.mistakes import Mistakes

Foot = Literal["never", "nut-open", "ready"]
"""When the foot switch is pressed: with the nut open, or when all is ready for the spindle."""

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Habits:
    """How long this person takes, as (least, most) in seconds, and other ways.

    Attributes:
        clamp_s: Collet and pin in, nut tightened; the stylus is lifted meanwhile.
        stylus_s: From the wrench put away to the stylus on the pin, and on to the switch.
        reaction_s: From something shown to the hand's start.
        loosen_s: From the spindle standing to the open nut.
        jump_um: How far the pin springs aside when the nut opens, to either side.
        jump_s: How long the stylus stays on it then.
        put_away_s: From the stylus lifted to the piece in its bin.
        rotate_deg: Rotation of the collet between two tightenings.
        rotate_scatter_deg: Its standard deviation, by eye.
        foot: When the foot switch is pressed.
        foot_s: For how long.
        opens_with_stylus_on: Whether the nut is opened under the stylus before a put-away
            too, and not only between two clampings.
        glance_s: From a piece dropped or moved to the next look at the prompt.
        patience_s: After this long without change the spindle's switch or the bin's button
            is tried again.
        away_s: How long a walk takes.
    """

    clamp_s: Range = (8.0, 12.0)
    stylus_s: Range = (0.8, 1.5)
    reaction_s: Range = (0.7, 1.5)
    loosen_s: Range = (1.5, 2.5)
    jump_um: Range = (30.0, 300.0)
    jump_s: Range = (0.7, 1.3)
    put_away_s: Range = (2.0, 4.0)
    rotate_deg: float = 120.0
    rotate_scatter_deg: float = 10.0
    foot: Foot = "never"
    foot_s: Range = (0.25, 0.5)
    opens_with_stylus_on: bool = False
    glance_s: Range = (2.0, 3.0)
    patience_s: Range = (25.0, 40.0)
    away_s: Range = (300.0, 900.0)


@dataclass(frozen=True, slots=True)
class Work:
    """What a person does at one bench.

    Attributes:
        tray: The pieces in the order of their cells, in which they are taken where the
            prompt names no cell.
        collets: What these pieces are like when they are clamped.
        holder_um: The holder's own vector, the same at every clamping.
        bins: All bins in reach.
        habits: Pace and ways.
        mistakes: What goes wrong.
        has_bin_sensors: Whether a bin tells what fell into it; without, the lamp may be
            dark again by the time the piece is dropped.
        pieces: How many are taken; None: all.
        masters: What is clamped when the bench asks for a master check.
        inch_check: Number of the check, from 1, before whose eccentric master somebody
            switches the indicator to inch, and back after it; None: nobody does.
    """

    tray: Sequence[Collet]
    collets: ColletKind
    holder_um: complex
    bins: Sequence[str]
    habits: Habits
    mistakes: Mistakes
    has_bin_sensors: bool = True
    pieces: int | None = None
    masters: Masters = field(default_factory=Masters)
    inch_check: int | None = None
