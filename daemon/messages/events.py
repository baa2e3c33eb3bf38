"""The events of a bench: CloudEvents 1.0, one model for the data of each kind."""

from typing import Literal

from daemon.messages.bench import MasterAbout
from daemon.messages.clamping import ClampingData, PositionData, SweepPoints
from daemon.messages.lot import RestPlanData, RestState, RulesName
from daemon.messages.words import CheckKind, CheckResult, Payload, ResultWord, Um, Utc
from rules.separation import PinMoves
from rules.signals import WaitsFor


class VerdictClamping(Payload):
    """One clamping inside a verdict."""

    tir_um: Um | None
    positions: list[PositionData]
    result: ResultWord
    meets: list[str]
    reason: str = ""


class VerdictData(Payload):
    """``data`` of a verdict event."""

    lot: str
    piece: int
    cycle: int
    cycle_kind: Literal["first", "retry", "after-interruption", "re-measured"]
    grade: str | None
    bin: str
    clampings: list[VerdictClamping]
    reason: str
    rules: RulesName
    decision_rule: list["DecisionRuleData"]
    loosening_observed: bool
    checks_asked: list[CheckKind] = []
    """Master checks asked for when it was given; none: no check of the bench stands behind."""


class DecisionRuleData(Payload):
    """The decision rule of one grade as stated on the record."""

    grade: str
    rule: Literal["simple-acceptance", "guarded-acceptance"]
    tolerance_limit_um: Um
    """With limits per position that of the tightest one; ``positions`` has them all."""
    acceptance_limit_um: Um
    expanded_uncertainty_um: Um | None = None
    """U of a measured TIR, where the rule file states it."""
    coverage_factor: int | None = None
    """k of that U."""
    guard_is_uncertainty: bool = False
    """The guard band is U itself (ISO 14253-1's default), not one of its own."""
    positions: list["PositionLimitData"] = []


class PositionLimitData(Payload):
    """The limit of a grade at one position."""

    position: str
    rule: Literal["simple-acceptance", "guarded-acceptance"]
    tolerance_limit_um: Um
    acceptance_limit_um: Um
    guard_is_uncertainty: bool = False


class PutAwayData(Payload):
    """``data`` of a put-away event; also of a wrong bin (``right`` false)."""

    lot: str
    piece: int | None
    cycle: int | None
    bin: str
    expected: str | None
    right: bool
    by: Literal["bin", "foot", "removal"]
    box: str | None = None
    """Label of the box that stood in the bin."""
    cell: int | None = None
    """Tray cell the piece was taken from, where they are numbered; with
    ``put_away.identity = "tray"`` it is known by it."""
    reason: str = ""


class CorrectionData(Payload):
    """``data`` of a correction event: a later fact about an earlier one."""

    lot: str
    piece: int | None
    cycle: int | None
    what: str
    reason: str
    role: str
    box: str | None = None
    """Of a decision on a whole box."""
    grade: str | None = None
    """Of ``regrade``: the grade from now on."""


class MasterPosition(Payload):
    """What a check says of one indicator."""

    position: str
    indicator: str
    result: CheckResult
    reading_um: Um | None
    low_um: Um
    high_um: Um
    vector_um: Um | None = None
    """TIR by half the difference of the two seats' vectors; None without an index."""
    zero_um: Um | None = None
    """Mean indication on the master."""
    drift_um: Um | None = None
    """By how much that moved since the last good check on this master."""


class MasterCheckData(Payload):
    """``data`` of a master-check event: a check, what makes one due, what followed from it."""

    lot: str
    what: Literal["checked", "cause", "span-released", "span-held"]
    kind: CheckKind | None = None
    result: CheckResult | None = None
    reason: str = ""
    what_to_do: str = ""
    master: MasterAbout | None = None
    positions: list[MasterPosition] = []
    seats: list[list["SweepPoints"]] = []
    """Of ``checked``: the sweeps on the master, thinned for drawing."""
    begun_by: Literal["foot-switch", "command"] | None = None
    role: str = ""
    cause: str | None = None
    """Of ``cause``."""
    pieces: list[int] = []
    """Of ``span-released`` and ``span-held``."""
    boxes: list[str] = []
    """Of ``span-held``: boxes on hold; those of a failed span are held whole."""
    cells: list[str] = []
    """Of ``span-held``: tray cells the pieces were taken from."""
    first: Utc | None = None
    """Of ``span-held``: when the first of the span's pieces was graded."""
    last: Utc | None = None


class LotData(Payload):
    """``data`` of a lot event."""

    lot: str
    what: Literal[
        "opened",
        "closed",
        "order-filled",
        "order-reopened",
        "exhausted",
        "order-changed",
        "set-aside",
        "box-changed",
        "rules-changed",
        "drawn",
        "look",
        "cell-empty",
    ]
    article: str
    quantity: int | None
    order: dict[str, int]
    set_aside: int = 0
    """Pieces set aside at visual inspection so far."""
    grade: str | None = None
    """Of ``order-changed``."""
    finding: Literal["blemish", "surface", "burr", "other"] | None = None
    """Of ``set-aside``."""
    pieces: int | None = None
    """Of ``set-aside``: how many this time; of ``order-changed``: the order now."""
    bin: str | None = None
    """Of ``box-changed``."""
    box: str | None = None
    """Of ``box-changed``: the label of the box that stands there now."""
    rules: RulesName | None = None
    """Of ``opened`` and ``rules-changed``: what the lot goes by from now on."""
    rules_before: RulesName | None = None
    """Of ``rules-changed``: what it went by."""
    piece: int | None = None
    """Of ``rules-changed``: the piece in work, which keeps the rules before."""
    role: str = ""
    """Of ``rules-changed``: who asked."""
    account: dict[str, int] | None = None
    """Of ``closed``: pieces by where they are."""
    cell: int | None = None
    """Of ``cell-empty``, and of ``set-aside`` where the cells are numbered."""
    torque_tool: str = ""
    """Of ``opened``: what the nut is tightened with."""
    torque_nmm: int | None = None
    """Of ``opened``: newton millimetres that it is set to; None: nobody said."""
    pin_moves: PinMoves | None = None
    """What the pin goes along with when a collet is rotated; None: nobody said."""
    confounds: str = ""
    """What can't be told apart for that."""
    rest_plan: RestPlanData | None = None
    """Of ``opened``."""
    draw: "DrawData | None" = None
    """Of ``drawn``."""
    rest: RestState | None = None
    """Of ``look``: what it said."""
    reason: str = ""


class DrawData(Payload):
    """A draw, recorded before its first piece was touched: whoever holds it can repeat it."""

    purpose: Literal["order", "sample"]
    """``order``: in which the lot is measured; ``sample``: of the unmeasured rest."""
    by_record: bool
    """False: the tray's cells are not numbered, the sample is taken by hand."""
    algorithm: str
    seed: str
    seed_given: bool
    """The seed was given when the lot was opened, not made here."""
    cells: str
    """Cells drawn from, in order, as ``1-16 18-120``; empty if taken by hand."""
    pieces: int
    """Pieces drawn from."""
    size: int
    """Pieces to take: the first so many of the draw."""
    acceptance_number: int | None = None
    """Of a sample: most beyond among them that still accept."""


AlarmState = Literal["raised", "acknowledged", "shelved", "returned"]


class AlarmData(Payload):
    """``data`` of an alarm event; ROOT/BENCH/alarm/CODE while it stands or is shelved.

    States in the sense of IEC 62682: raised (nobody has acknowledged it), acknowledged,
    shelved (by command, until its end), returned (to normal).
    """

    code: str
    text: str
    state: AlarmState
    since: Utc
    """When the condition came; of an event: when this happened."""
    stands: bool = True
    """Whether the condition is there; a shelved alarm may stand or not."""
    waits_for: WaitsFor = "nobody"
    """Who has to act."""
    to_do: str = ""
    """What to do about it."""
    role: str = ""
    """Who acknowledged or shelved it, by role."""
    reason: str = ""
    """Why it is shelved."""
    until: Utc | None = None
    """When it comes back from the shelf by itself; None when it is not shelved."""


EventData = (
    ClampingData
    | VerdictData
    | PutAwayData
    | CorrectionData
    | LotData
    | AlarmData
    | MasterCheckData
)


class Event(Payload):
    """A CloudEvents 1.0 envelope (structured mode, application/cloudevents+json)."""

    specversion: Literal["1.0"] = "1.0"
    id: str
    """``source`` + "/" + ``seq``: the same on every repetition."""
    source: str
    type: str
    time: Utc
    datacontenttype: Literal["application/json"] = "application/json"
    sequence: str
    """CloudEvents sequence extension: ``seq`` as text, without gaps per bench."""
    seq: int
    clocksync: Literal["yes", "no", "unknown"]
    boot: str
    data: EventData
