"""What one bench is made of: rules, events, state. The steps are in ``rules.bench``."""

from dataclasses import dataclass, field
from typing import Literal

from rules import foot_switch
from rules.capture_model import CaptureEvent, CaptureRules, CaptureState
from rules.cycle import CycleState
from rules.facts import AlarmCode, Fact, Refusal
from rules.foot_switch import FootRules
from rules.line_events import SignalFault
from rules.put_away import PutAwayRules, PutAwayState
from rules.rotation import Rotation
from rules.ruleset import RuleSet


@dataclass(frozen=True, slots=True)
class BenchRules:
    """Everything a step goes by: rule file, and what the bench file says of the bench."""

    grading: RuleSet
    capture: CaptureRules
    put_away: PutAwayRules
    foot: FootRules = field(default_factory=FootRules)
    rotation: Rotation = field(default_factory=Rotation)


@dataclass(frozen=True, slots=True)
class Placed:
    """A bin's sensor or button saw a piece."""

    bin: str


@dataclass(frozen=True, slots=True)
class RetryAsked:
    """The lead asks for the whole set again; ``reason`` names the dirt found."""

    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class Abandoned:
    """The lead gives the piece in work up."""

    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class HolderMoved:
    """The holder left the spindle and came back: its vector has another direction now."""

    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class CallAnswered:
    """Somebody answers the operator's call."""

    role: str


@dataclass(frozen=True, slots=True)
class Judged:
    """What the record or a forecast of many pieces says, or says no more: an alarm."""

    code: AlarmCode
    is_on: bool
    text: str


BenchEvent = (
    CaptureEvent
    | SignalFault
    | Placed
    | RetryAsked
    | Abandoned
    | CallAnswered
    | HolderMoved
    | Judged
)


class CommandRefusedError(Exception):
    """A command that makes no sense now; the message says why and what does."""


@dataclass(frozen=True, slots=True)
class BenchState:
    """Where one bench stands.

    Attributes:
        capture: Which readings belong together.
        cycle: The piece's clampings.
        put_away: Where the piece in hand belongs.
        piece: Number of the piece in work or in hand; None between pieces.
        grade: Grade of the verdict that waits for its put-away.
        lost: Indicators that do not speak, with the reason.
        is_measuring: A clamping is being swept.
        begun: Whether that clamping counted when it began, or why not; None: none began.
        foot_down_ns: Since when the foot switch is down.
        foot_down_in: Where the press found the bench.
        signal_faults: Wired signals that can't be believed, with the reason.
        alarms: Alarms that stand, with their texts.
        seen: Indicators that have spoken since the start.
        low: Indicators whose battery is low.
    """

    capture: CaptureState = field(default_factory=CaptureState)
    cycle: CycleState = field(default_factory=CycleState)
    put_away: PutAwayState = field(default_factory=PutAwayState)
    piece: int | None = None
    grade: str | None = None
    lost: tuple[tuple[str, str], ...] = ()
    is_measuring: bool = False
    begun: Refusal | Literal["counts"] | None = None
    foot_down_ns: int | None = None
    foot_down_in: foot_switch.Place = "coming-up"
    signal_faults: tuple[tuple[str, str], ...] = ()
    alarms: tuple[tuple[AlarmCode, str], ...] = ()
    seen: frozenset[str] = frozenset()
    low: frozenset[str] = frozenset()


Result = tuple[BenchState, tuple[Fact, ...]]
