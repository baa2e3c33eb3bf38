"""What one bench is made of: rules, events, state. The steps are in ``rules.bench``."""

from dataclasses import dataclass, field
from typing import Literal

from rules import foot_switch
from rules.capture_model import CaptureEvent, CaptureRules, CaptureState
from rules.check_at_bench import CheckAtWork, CheckRules, CheckStanding
from rules.check_due import Due
from rules.check_facts import BegunBy, DisposedFact
from rules.cycle import CycleKind, CycleState
from rules.facts import AlarmCode, Fact, Refusal, Shelf
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
    check: CheckRules | None = None
    """Master checks asked for; None: none, which every record states."""


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
class RemeasureAsked:
    """A piece that can be told from others is taken to the spindle again.

    Attributes:
        decided: The decision behind it; it names the piece.
        cycle: Its last cycle so far.
        retries: Whole-set retries it has had.
    """

    decided: DisposedFact
    cycle: int
    retries: int


@dataclass(frozen=True, slots=True)
class RegradeAsked:
    """A piece that can be told from others gets another grade: it has to be carried there.

    Attributes:
        decided: The decision behind it; it names piece and grade.
        cycle: Its last cycle, whose verdict stays.
        kind: Why that cycle was opened.
        bin: Where pieces of the new grade go.
    """

    decided: DisposedFact
    cycle: int
    kind: CycleKind
    bin: str


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
class AlarmAcked:
    """Somebody has seen an alarm and takes it on; of a call it is the answer."""

    code: AlarmCode
    role: str


@dataclass(frozen=True, slots=True)
class AlarmShelved:
    """Somebody puts an alarm aside for a time, with a reason."""

    shelf: Shelf


@dataclass(frozen=True, slots=True)
class AlarmUnshelved:
    """Somebody takes an alarm off the shelf before its time."""

    code: AlarmCode
    role: str


@dataclass(frozen=True, slots=True)
class Judged:
    """What the record or a forecast of many pieces says, or says no more: an alarm."""

    code: AlarmCode
    is_on: bool
    text: str


@dataclass(frozen=True, slots=True)
class CheckBegun:
    """Somebody begins a master check: the next clampings are of the master."""

    by: BegunBy
    role: str


@dataclass(frozen=True, slots=True)
class CheckStopped:
    """Somebody gives a master check up."""

    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class DueChanged:
    """What the record and the clock say of the bench's fitness, or say no more."""

    due: Due
    standing: CheckStanding
    is_failed: bool = False
    disturbed: str = ""
    """What happened since this was said last; a check that is being made begins anew."""


AlarmCommand = CallAnswered | AlarmAcked | AlarmShelved | AlarmUnshelved

BenchEvent = (
    CaptureEvent
    | SignalFault
    | Placed
    | RetryAsked
    | RemeasureAsked
    | RegradeAsked
    | Abandoned
    | HolderMoved
    | AlarmCommand
    | Judged
    | CheckBegun
    | CheckStopped
    | DueChanged
)


class CommandRefusedError(Exception):
    """A command that makes no sense now; the message says why and what does."""


@dataclass(frozen=True, slots=True)
class Changing:
    """A condition that came or went, and has to last before its alarm follows.

    Attributes:
        code: The alarm.
        is_on: Whether it came.
        text: What the alarm will say.
        since_ns: Since when, by the first tick that saw it; None before.
    """

    code: AlarmCode
    is_on: bool
    text: str
    since_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Quiet:
    """Nothing moves at a piece that waits for its put-away.

    Attributes:
        since_ns: Since when.
        rests: Value at which each indicator rests; None: out of its range.
    """

    since_ns: int
    rests: tuple[tuple[str, int | None], ...] = ()


@dataclass(frozen=True, slots=True)
class RefusedRun:
    """What was refused in a row, for one reason and beside one piece.

    Attributes:
        reason: Why.
        piece: The piece in work or in hand meanwhile; None between pieces.
        count: How many, from 1.
    """

    reason: Refusal
    piece: int | None
    count: int


@dataclass(frozen=True)  # no slots: changed by ``evolve``
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
        begun: Whether that clamping counted when it began (for a piece, for a master check),
            or why not; None: none began.
        foot_down_ns: Since when the foot switch is down.
        foot_down_in: Where the press found the bench.
        signal_faults: Wired signals that can't be believed, with the reason.
        alarms: Alarms that stand, with their texts.
        seen: Indicators that have spoken since the start.
        low: Indicators whose battery is low.
        changing: Conditions that have to last before an alarm is raised or returns.
        acknowledged: Alarms that somebody has taken on, and who.
        shelves: Alarms put aside for a time, standing or not.
        quiet: Since when nothing moves at a piece that waits; None when none waits.
        check: The master check that is being made.
        due: Whether one is due.
        fitness: What the record says of the bench's fitness.
        refused: What was refused last, and how often in a row.
    """

    capture: CaptureState = field(default_factory=CaptureState)
    cycle: CycleState = field(default_factory=CycleState)
    put_away: PutAwayState = field(default_factory=PutAwayState)
    piece: int | None = None
    grade: str | None = None
    lost: tuple[tuple[str, str], ...] = ()
    is_measuring: bool = False
    begun: Refusal | Literal["counts", "check"] | None = None
    foot_down_ns: int | None = None
    foot_down_in: foot_switch.Place = "coming-up"
    signal_faults: tuple[tuple[str, str], ...] = ()
    alarms: tuple[tuple[AlarmCode, str], ...] = ()
    seen: frozenset[str] = frozenset()
    low: frozenset[str] = frozenset()
    changing: tuple[Changing, ...] = ()
    acknowledged: tuple[tuple[AlarmCode, str], ...] = ()
    shelves: tuple[Shelf, ...] = ()
    quiet: Quiet | None = None
    check: CheckAtWork | None = None
    due: Due = field(default_factory=lambda: Due("good"))
    fitness: CheckStanding = field(default_factory=CheckStanding)
    refused: RefusedRun | None = None


Result = tuple[BenchState, tuple[Fact, ...]]
