"""What capture is told, what it remembers, what it says: the types of ``rules.capture``."""

from dataclasses import dataclass
from typing import Literal

from rules.clamping import CaptureMode, Clamping, Loosening, PositionRunOut
from rules.reading import Reading
from rules.sweep import Cut, SweepRules

Signal = Literal["index", "foot", "torque", "run", "index-2"]
"""``run`` is the spindle's run contact, ``index-2`` a second flag at another angle."""

# --- rules -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class IndicatorRules:
    """One indicator of the bench: readings outside the window are a stylus off the pin."""

    id: str
    position: str
    window_low_nm: int
    window_high_nm: int
    sweep: SweepRules


@dataclass(frozen=True, slots=True)
class CaptureRules:
    """How this bench captures.

    Attributes:
        mode: ``sweep``: raw readings; ``single-value``: each value is a finished TIR.
        indicators: Those of the bench; a clamping needs all of them.
        settle_ns: Rest of the stylus on the pin before turns count.
        run_up_ns: Time the spindle needs from first movement to its known speed.
        moving_nm: Change of indication that shows the spindle has started.
        turn_wait_ns: How long a pin may stand still before "no turning seen".
        lift_ns: How long the stylus must be off to count as lifted.
        removal_ns: How long the stylus must be off for the collet to be taken out.
        loosening_nm: How far the pin must jump to show an opened nut.
        loosening_ns: For how long.
        reclamp_min_ns: Sooner after a clamping no hand has made the next one.
    """

    mode: CaptureMode
    indicators: tuple[IndicatorRules, ...]
    settle_ns: int
    run_up_ns: int
    moving_nm: int
    turn_wait_ns: int
    lift_ns: int
    removal_ns: int
    loosening_nm: int
    loosening_ns: int
    reclamp_min_ns: int

    @property
    def sweep(self) -> SweepRules:
        """Return proof, turns and times: the same for every indicator of a bench."""
        return self.indicators[0].sweep


# --- events ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Seen:
    """A reading of one indicator, stamped on arrival."""

    indicator: str
    reading: Reading
    at_ns: int


@dataclass(frozen=True, slots=True)
class Edge:
    """A signal went on or off."""

    signal: Signal
    is_on: bool
    at_ns: int


@dataclass(frozen=True, slots=True)
class LineLost:
    """An indicator is unplugged or silent."""

    indicator: str
    at_ns: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class LineBack:
    """It speaks again."""

    indicator: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class Tick:
    """Time passed and nothing was said."""

    at_ns: int


CaptureEvent = Seen | Edge | LineLost | LineBack | Tick


# --- outcomes ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ClampingStarted:
    """The first counted turn begins."""

    at_ns: int


@dataclass(frozen=True, slots=True)
class ClampingEnded:
    """A clamping is whole, or ended without a result."""

    clamping: Clamping
    at_ns: int


@dataclass(frozen=True, slots=True)
class Loosened:
    """The nut was opened, by what could be seen."""

    loosening: Loosening


@dataclass(frozen=True, slots=True)
class Removed:
    """The stylus has been off the pin long enough to take the collet out."""

    at_ns: int


@dataclass(frozen=True, slots=True)
class ValueRefused:
    """A finished value that is no clamping."""

    reason: str
    value_nm: int | None
    at_ns: int


Notice = Literal["clampings-alike", "values-never-fall"]
"""What is worth a look and refuses nothing."""


@dataclass(frozen=True, slots=True)
class Noticed:
    """Something worth a look began or is over."""

    what: Notice
    is_on: bool
    text: str
    at_ns: int


CaptureOutcome = ClampingStarted | ClampingEnded | Loosened | Removed | ValueRefused | Noticed


# --- state -------------------------------------------------------------------------------

Phase = Literal["away", "resting", "running-up", "sweeping", "done"]


@dataclass(frozen=True)  # no slots: changed by ``evolve``
class Track:
    """What one indicator said lately.

    Attributes:
        out_since_ns: Since when its stylus is off the pin; None while on it or not yet seen.
        at_ns: Times of the readings of the sweep (before it: of the last reading).
        value_nm: Their values.
        angle_udeg: Their spindle angles, where the frames say them.
        rest_udeg: Spindle angle where the pin came to rest.
        unit: Unit of the last reading: a change within a sweep is no run-out.
        has_offset: Whether the last reading said that an offset is set; None: nothing yet.
        fault: What is wrong with the last reading; None when nothing is.
        low_nm: Smallest value of the last clamping, to see the pin jump.
        high_nm: Its largest.
        jump_since_ns: Since when the pin is beyond those by the loosening size.
        jump_nm: Largest excursion since then.
        jump_from_nm: Value before a sudden change within a sweep.
        band_low_nm: Smallest value since the jump (a pin that sprang aside lies still), or
            since the spindle seemed to start (a turning pin does not).
        band_high_nm: Largest value since then.
        rest_nm: Value once settled, to see the spindle start.
        rest_since_ns: Since when it has been there.
    """

    out_since_ns: int | None = None
    at_ns: tuple[int, ...] = ()
    value_nm: tuple[int, ...] = ()
    angle_udeg: tuple[int, ...] = ()
    rest_udeg: int | None = None
    unit: str | None = None
    has_offset: bool | None = None
    fault: Cut | None = None
    low_nm: int | None = None
    high_nm: int | None = None
    jump_since_ns: int | None = None
    jump_nm: int = 0
    jump_from_nm: int | None = None
    band_low_nm: int = 0
    band_high_nm: int = 0
    rest_nm: int | None = None
    rest_since_ns: int = 0


@dataclass(frozen=True)  # no slots: changed by ``evolve``
class CaptureState:
    """Where the capture of one bench stands. A fresh one has seen nothing.

    Attributes:
        phase: ``away``: a stylus is off; ``resting``: on the pin, spindle not yet proved;
            ``running-up``; ``sweeping``; ``done``: waits for a loosening.
        loosening: The loosening seen since the last clamping; None: nothing counts yet.
        since_ns: When the phase began.
        waits_since_ns: Since when the clamped pin waits for its turns.
        index_ns: Index edges of the sweep.
        second_ns: Edges of the second flag within it.
        last_second_ns: The last edge of the second flag of all.
        mark_udeg: Spindle angle that the next angles are held against, to see it turn.
        mark_ns: When the spindle was there.
        last_index_ns: The last index edge of all.
        turn_ns: Time between the last two index edges of one run of the spindle.
        running_since_ns: Since when the spindle turns without a stop, as far as index or
            run contact tell; None: stopped or not known.
        must_rest: The loosening was seen with the stylus on the pin: the pin has to come to
            rest before its movement can be the spindle's.
        is_removed: The removal of this excursion was told.
        last_value_ns: Last finished value seen (single values).
        last_value_nm: The value itself.
        rising: How many finished values came in a row of which none fell.
        ended_ns: When the last clamping ended.
        last: What the last clamping showed, position by position.
        is_alike: The last two clampings read alike.
        tracks: One for each indicator, in the order of the rules.
    """

    phase: Phase = "done"
    loosening: Loosening | None = None
    since_ns: int = 0
    waits_since_ns: int = 0
    index_ns: tuple[int, ...] = ()
    second_ns: tuple[int, ...] = ()
    last_second_ns: int | None = None
    mark_udeg: int | None = None
    mark_ns: int = 0
    last_index_ns: int | None = None
    turn_ns: int | None = None
    running_since_ns: int | None = None
    must_rest: bool = False
    is_removed: bool = False
    last_value_ns: int | None = None
    last_value_nm: int | None = None
    rising: int = 0
    ended_ns: int | None = None
    last: tuple[PositionRunOut, ...] = ()
    is_alike: bool = False
    tracks: tuple[Track, ...] = ()
