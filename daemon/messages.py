"""Every payload that leaves or enters over MQTT: one pydantic model each.

Events are CloudEvents 1.0 in structured JSON; the ``data`` of an event is one of the
``...Data`` models. Lengths are micrometres with at most three decimals (exact), times are
RFC 3339 UTC, words are lower-case with "-".
"""

from datetime import date
from decimal import Decimal
from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from rules.separation import PinMoves
from rules.signals import LampWord as LampWord
from rules.signals import PromptWord as PromptWord
from rules.signals import StateWord as StateWord
from rules.signals import WaitsFor as WaitsFor

CONTRACT = "1"
"""Version of the topics and payloads; told in ``about``."""

CLAMPING_POINTS_MAX = 200
"""A clamping's event carries its sweep thinned to at most this many points."""

RECENT_PIECES = 30

HOLDER_POINTS_MAX = 60
"""The holder's share over time is thinned to at most so many points."""

ResultWord = Literal["within", "beyond", "invalid"]
EventKind = Literal[
    "clamping", "verdict", "put-away", "correction", "lot", "master-check", "alarm"
]
CheckKind = Literal["run-out", "sensitivity"]
CheckResult = Literal["good", "failed", "invalid"]
Um = Annotated[float, Field(description="micrometres, at most three decimals")]
Utc = Annotated[str, Field(description="RFC 3339, UTC, milliseconds, Z")]
Exact = Annotated[Decimal, Field(ge=0, le=10_000, decimal_places=3)]
InstrumentKind = Literal[
    "indicator", "pin", "holder", "mandrel", "eccentric-master", "torque-tool"
]


InboundFault = Literal["retained", "oversize", "unknown-bin", "wrong-json", "repeated", "stale"]
"""Why a message that came in was refused."""


class Payload(BaseModel):
    """Base of all payloads: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class About(Payload):
    """ROOT/BENCH/about, retained: what runs here."""

    software: str
    contract: str
    site: str
    timezone: str = "UTC"
    """The site's time zone, for clocks on a wall; all times on the wire are UTC."""
    bench: str
    title: str
    bench_sha256: str
    boot: str
    started: Utc
    speed: float = 1.0
    """Rate of the intervals' clock: above 1 only in the demo and in tests."""
    bins: list["BinAbout"]
    checks: list["CheckKind"] = []
    """Master checks asked for; none: nobody checks whether the bench is fit to judge."""
    unregistered: list[str] = []
    """Instruments in use that are in no register: nobody is told when they are overdue."""


class BinAbout(Payload):
    """One bin of the bench: letter and shape tell bins apart, never a hue."""

    id: str
    shape: str
    holds: str
    """grade id, ``hold`` or ``nonconforming``"""


class CheckStatus(Payload):
    """Whether the bench is fit to judge: when it was last checked, when it will be."""

    asked: list[CheckKind]
    """Kinds that make one good check together; none: the bench file asks for no checks."""
    level: Literal["off", "good", "soon", "due"]
    reasons: list[str] = []
    last_good: Utc | None = None
    pieces_left: int | None = None
    """Pieces until the next one is due; None where pieces make none due."""
    minutes_left: int | None = None
    kind: CheckKind | None = None
    """The check that is being made."""
    seat: int | None = None
    """Its seat, from 1."""
    span: Literal["none", "open"] = "none"
    """``open``: a good check was made, and what was graded since waits for the next one."""
    open_pieces: int = 0
    """Pieces of the lot that no good check has released yet."""
    held: int = 0
    """Pieces of the lot that a failed check or a decision keeps on hold."""


class State(Payload):
    """ROOT/BENCH/state, retained."""

    state: StateWord
    since: Utc
    waits_for: WaitsFor
    reason: str = ""
    """For people: why it is blocked or in fault, and what to do."""
    lot: str | None = None
    piece: int | None = None
    cycle: int | None = None
    clamping: int | None = None
    """Number of the clamping in work, from 1."""
    clampings: int | None = None
    """How many the best grade still in reach needs."""
    bin: str | None = None
    """Where the piece in hand belongs, in ``put-away``."""
    cell: int | None = None
    """Tray cell the next piece is taken from, while one is wanted."""
    tirs: list["ClampingBrief"] = []
    """Clampings of the cycle so far."""
    alarms: list[str] = []
    """Codes of those that stand and are not shelved."""
    refused: dict[InboundFault, int] = {}
    """Messages to this bench that were refused since the service started, by reason."""
    speed: float = 1.0
    check: CheckStatus | None = None
    """Whether the bench is fit to judge."""


class Prompt(Payload):
    """ROOT/BENCH/prompt, retained: what the operator does next."""

    word: PromptWord
    text: str
    cell: int | None = None
    """Tray cell the next piece is taken from, where the cells are numbered."""


class GradeCount(Payload):
    """Pieces put away as one grade, and the order for it."""

    grade: str
    bin: str
    limit_um: Um
    acceptance_um: Um
    put_away: int
    pending: int
    ordered: int | None = None


class OrderForecast(Payload):
    """What is to be expected of the pieces nobody has measured; never proof."""

    grade: str
    missing: int
    """Pieces of the order still to be found."""
    unmeasured: int
    measured: int
    """Pieces it rests on."""
    expected_pieces: float
    """Pieces still to be measured until the order is filled or the lot is used up."""
    pieces_5: int | None
    """5 % point of the pieces that fill it; None where the lot runs out first."""
    pieces_50: int | None
    pieces_95: int | None
    expected_found: float
    """Pieces of the grade found by then, at most ``missing``."""
    runs_out: float
    """Chance that the lot runs out before the order is filled, 0 to 1."""
    short: bool
    """The lead is warned: the lot will not suffice."""
    model: str
    """Model and prior it rests on."""
    clampings: float | None = None
    """Clampings still to be made, expected, until then."""
    clampings_5: int | None = None
    """5 % point of the clampings that fill the order; None where the lot runs out first."""
    clampings_50: int | None = None
    clampings_95: int | None = None
    filled_5: Utc | None = None
    """Time of day by the median cycle, if nothing stands still: earliest (5 %), …"""
    filled_50: Utc | None = None
    filled_95: Utc | None = None


RestOutcome = Literal["proved", "accepted", "short", "under-way", "hold", "nothing-left"]
"""``accepted``: by an AQL plan, which bounds no single lot."""


class RestPlanData(Payload):
    """How the rest of this lot is judged, fixed when it was opened."""

    plan: Literal["sample", "measured", "aql"]
    grade: str
    """The ordinary grade: the rest would go as this."""
    acceptance_um: Um
    """What first clampings are compared with."""
    acceptance_um_at: dict[str, Um] = {}
    """At each position, where the rule file limits positions; ``acceptance_um`` is the
    tightest of them then."""
    limiting_quality: float | None = None
    """Largest share beyond that may be left, 0 to 1; None under ``aql``."""
    consumers_risk: float | None = None
    """Chance of proving a worse rest, all looks together; None under ``aql``."""
    looks: int = 1
    """Looks planned; each takes an equal part of the risk."""
    further: int = 0
    """Pieces from the first look to the second; ``measured`` only."""
    acceptance_number: int | None = None
    """Most beyond in the sample that still accept; ``sample`` only."""
    edition: str | None = None
    """Whose tables; this and the next three under ``aql`` only."""
    aql: str | None = None
    level: str | None = None
    severity: Literal["normal", "tightened"] | None = None


class RestNextLook(Payload):
    """What the next planned look would need."""

    pieces: int
    """Pieces measured by then, all in all."""
    more: int
    most_beyond: int
    """Most of them that may be beyond; -1 where no count would do."""
    beyond_left: int
    """How many more may still turn up; below 0: that look can't prove it any more."""


class RestState(Payload):
    """What is proved of the pieces nobody measured, as of now."""

    plan: RestPlanData
    outcome: RestOutcome | None = None
    """None: no look was due yet."""
    look: int = 0
    """The look it rests on, from 1; 0: none yet."""
    drawn: bool = False
    """Sample, or order of measuring, was drawn by record; False: taken by hand."""
    judged: int | None = None
    """Pieces the count was taken from: the lot, or the rest the sample was drawn of."""
    pieces: int = 0
    """Pieces looked at."""
    beyond: int = 0
    """Those that count as beyond, doubtful ones included."""
    doubtful: int = 0
    """Those of them that only want a result that stands."""
    sample_size: int | None = None
    rest: int | None = None
    """Pieces the statement is about."""
    at_most: int | None = None
    """Most of them that can be beyond, at the risk of this look."""
    share: float | None = None
    """The same as a share of the rest, 0 to 1."""
    next_look: RestNextLook | None = None
    at_most_now: int | None = None
    """What ``at_most`` would be if a look were due now: a forecast, never proof."""
    text: str = ""
    """What may be said of the rest, for people."""
    what_next: str = ""
    assumptions: list[str] = []
    """What ``text`` rests on, a sentence each; what the master checks say of the holder is in
    the lot's report."""


class TrayData(Payload):
    """A tray with numbered cells."""

    cells: int
    drawn: bool
    """The order of measuring was drawn, not taken as the cells lie."""
    next_cell: int | None = None
    empty: int = 0
    """Cells found empty."""


class BoxCount(Payload):
    """The box that stands in a bin, and the pieces put into it."""

    bin: str
    box: str
    pieces: int
    capacity: int | None = None
    full: bool = False


class LotRules(Payload):
    """Which state of the rule file the bench goes by, and which there is."""

    in_force: "RulesName"
    """What the piece in work, or the next one, is judged by."""
    next: "RulesName | None" = None
    """What the lot was told to go by once the piece in work is put away."""
    file: "RulesName"
    """The newest state of the rule file that has no faults: a new lot takes it."""
    file_fault: str = ""
    """Why the rule file as it lies there now is not taken; "" when it can be."""


class Lot(Payload):
    """ROOT/BENCH/lot, retained: counts from the store, never from memory."""

    lot: str | None
    article: str | None = None
    quantity: int | None = None
    opened: Utc | None = None
    order_state: Literal["none", "open", "filled-check-due", "filled"] = "none"
    grades: list[GradeCount] = []
    nonconforming: int = 0
    hold: int = 0
    pending: int = 0
    measured: int = 0
    """Pieces with a verdict that stands."""
    open_pieces: int = 0
    """Pieces begun and neither put away nor abandoned."""
    abandoned: int = 0
    released: int = 0
    """Pieces without a grade that somebody released from hold."""
    scrapped: int = 0
    concession: int = 0
    """Pieces that go by concession, whatever their verdict."""
    set_aside: int = 0
    """Pieces set aside at visual inspection."""
    unmeasured: int | None = None
    retried: int = 0
    """Pieces measured again as a whole set."""
    forecast: OrderForecast | None = None
    rest: RestState | None = None
    """None: the rule file names no plan for the rest."""
    tray: TrayData | None = None
    """None: the cells are not numbered."""
    boxes: list[BoxCount] = []
    rules: LotRules | None = None
    cycle_s_median: float | None = None
    """Median time from a piece's first clamping to its put-away, last ten pieces."""
    takt_s: float | None = None
    """Time that demand allows a piece, as the bench file says."""


class ClampingBrief(Payload):
    """One clamping in one line."""

    tir_um: Um | None
    result: ResultWord
    reason: str = ""


class RecentPiece(Payload):
    """A piece as the board lists it."""

    piece: int
    grade: str | None
    bin: str | None
    reason: str
    clampings: list[ClampingBrief]
    at: Utc
    put_away: bool


class HolderPoint(Payload):
    """The holder's share of the run-out as it was known after a first clamping."""

    at: Utc
    number: int
    """Which first clamping, counted since the holder last left the spindle, from 1."""
    share_um: Um
    """As TIR: twice the length of the holder's vector, spindle and nut included."""
    uncertainty_um: Um
    """About 95 %, either way."""


class HolderSeries(Payload):
    """The master's share over time at one position: over all lots, passed or not."""

    position: str
    limit_um: Um | None = None
    """None: the rule file gives no grade from one clamping, and the bench file says none."""
    above: bool = False
    """Beyond doubt above the limit: the holder is dirty or worn."""
    first_clampings: int = 0
    """Since the holder last left the spindle."""
    points: list[HolderPoint] = []
    """Oldest first, thinned to at most 60; the last is the newest."""


class Recent(Payload):
    """ROOT/BENCH/recent, retained: what a board needs beyond state and lot."""

    lot: str | None
    pieces: list[RecentPiece] = []
    """Newest first, at most 30."""
    histogram_um: list[Um] = []
    """Upper edges of the classes; a first clamping equal to an edge is below it."""
    histogram: list[int] = []
    """First clampings of the lot per class; one more for what lies above the last edge."""
    holder: list[HolderSeries] = []
    """The master's share, by position; none without an index or an encoder."""


class PositionData(Payload):
    """Run-out at one indicator."""

    position: str
    indicator: str
    tir_um: Um | None
    turns_um: list[Um]
    samples: int
    """Fewest readings in a counted turn."""
    closure_um: Um | None = None


class DiagnosisData(Payload):
    """What a sweep shows beside its TIR; it decides nothing."""

    eccentricity_um: Um
    """Amplitude of the first harmonic; a pin without form has twice that as TIR."""
    direction_deg: float | None
    """Spindle angle from index or encoder zero at its high spot; None where none has a zero."""
    form_um: Um
    """Largest minus smallest of harmonics 2 to 5."""
    noise_um: Um
    """Standard deviation of what does not come back every turn."""
    drift_um: Um
    """Change of the indication a turn."""
    gap_deg: float
    """Largest angle without a reading."""
    loss_um: list[Um | None]
    """What the TIR can read low at most if it has 1, 2, 3 waves a turn; None: any of it."""


class MeasuredPosition(PositionData):
    """Run-out at one indicator, and what its sweep shows beside it."""

    diagnosis: DiagnosisData | None = None
    """None for finished values and where no whole turn was swept."""


class PinAxisData(Payload):
    """The pin's axis from two positions or more; it decides nothing."""

    tilt_urad: float
    """Angle between the pin's axis and the spindle's."""
    direction_deg: float
    """Spindle angle from index or encoder zero at which it leans towards the stylus."""
    face_um: Um
    """Eccentricity where the line meets the collet's face."""
    residual_um: Um
    """Standard deviation of what the line leaves; 0 with two positions."""


class LooseningData(Payload):
    """How the loosening before this clamping was seen."""

    evidence: Literal["torque-pulse", "foot-switch", "pin-jump", "stylus-lift", "not-observed"]
    size_um: Um | None = None
    duration_s: float | None = None
    before_s: float | None = None
    """How long before the first reading of the clamping it began; None if it was not seen."""


class ClampingFigures(ClampingBrief):
    """A clamping as ``piece-show`` tells it: each position, the pin's axis, the loosening."""

    clamping: int
    loosening: LooseningData
    positions: list[MeasuredPosition] = []
    pin: PinAxisData | None = None
    """None without two positions at known distances, or without a zero on the spindle."""


class SweepPoints(Payload):
    """A sweep thinned for drawing; never for grading."""

    position: str
    at_ms: list[float]
    um: list[Um]


class ClampingData(Payload):
    """``data`` of a clamping event."""

    lot: str
    piece: int | None
    cycle: int | None
    clamping: int | None
    counts: bool
    """False: seen and recorded, but no clamping of any piece (``reason`` says why)."""
    result: ResultWord
    reason: str
    tir_um: Um | None
    """The deciding position's run-out; None when invalid."""
    seen_um: Um | None
    """Run-out seen at least, when invalid: counts against the piece, never for it."""
    meets: list[str]
    positions: list[MeasuredPosition]
    pin: PinAxisData | None = None
    """None without two positions at known distances, or without a zero on the spindle."""
    loosening: LooseningData
    points: list[SweepPoints] = []


class VerdictClamping(Payload):
    """One clamping inside a verdict."""

    tir_um: Um | None
    positions: list[PositionData]
    result: ResultWord
    meets: list[str]
    reason: str = ""


class RulesName(Payload):
    """Which rule file decided."""

    revision: str
    sha256: str


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


class MasterAbout(Payload):
    """A thing of known run-out."""

    id: str
    subject: Literal["solid-mandrel", "taper-seat", "reference-collet", "eccentric-master"]
    tir_um: Um
    uncertainty_um: Um
    """U (k = 2) by its certificate."""


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


class Placed(Payload):
    """ROOT/BENCH/placed/BIN, inbound; an empty payload is taken as well."""

    id: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    """Of this press: a second message of the same id is refused."""
    expires: AwareDatetime | None = None
    """Refused after this moment: a press that a queue kept confirms no later piece."""


class Command(Payload):
    """ROOT/BENCH/command, inbound, and a line on the local socket."""

    id: Annotated[str, Field(min_length=1, max_length=200)]
    """Of this command: taken once, and named in the reply."""
    expires: AwareDatetime | None = None
    """Refused after this moment. Over MQTT every command that changes something has it."""
    command: Literal[
        "lot-show",
        "lot-open",
        "lot-order",
        "lot-visual",
        "lot-rules",
        "lot-close",
        "lot-cell",
        "lot-resume-sampling",
        "box-change",
        "piece-show",
        "piece-retry",
        "piece-abandon",
        "piece-dispose",
        "box-dispose",
        "holder-moved",
        "master-check",
        "master-check-stop",
        "master-changed",
        "master-status",
        "instrument-add",
        "instrument-withdraw",
        "instrument-list",
        "instrument-clock-right",
        "alarm-list",
        "alarm-ack",
        "alarm-shelve",
        "events",
    ]
    reason: Annotated[str, Field(max_length=500)] = ""
    role: Annotated[str, Field(max_length=100)] = ""
    piece: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    lot: Annotated[str, Field(max_length=80)] | None = None
    """``lot-open``: the code of the lot, used once a bench."""
    article: Annotated[str, Field(max_length=80)] | None = None
    quantity: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    """``lot-open``: pieces delivered; ``lot-order``: pieces ordered now."""
    order: dict[str, Annotated[int, Field(ge=1, le=1_000_000)]] = {}
    """``lot-open``: pieces ordered, by grade."""
    holder: Annotated[str, Field(max_length=80)] = ""
    pins: list[Annotated[str, Field(max_length=80)]] = []
    pin_moves: PinMoves | None = None
    """``lot-open``: what the pin goes along with when a collet is rotated."""
    revision: Annotated[str, Field(max_length=60)] = ""
    """``lot-rules``: revision mark of the rule file as it is now."""
    bins_empty: bool = False
    """``lot-open``: somebody looked: the bins are empty or their boxes were changed."""
    grade: Annotated[str, Field(max_length=80)] | None = None
    finding: Literal["blemish", "surface", "burr", "other"] | None = None
    pieces: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    bin: Annotated[str, Field(max_length=80)] | None = None
    box: Annotated[str, Field(max_length=80)] = ""
    capacity: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    counted: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    """``lot-close``: unmeasured pieces counted in the tray."""
    mismatch: Annotated[str, Field(max_length=500)] = ""
    """``lot-close``: why the lot doesn't add up."""
    unproved: Annotated[str, Field(max_length=500)] = ""
    """``lot-close``: what becomes of a rest that is not proved."""
    cells: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """``lot-open``: numbered cells of the tray, from 1."""
    seed: Annotated[str, Field(max_length=200)] = ""
    """``lot-open``: of the draws; empty lets the service make one."""
    cell: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """``lot-cell``: found empty; ``lot-visual``: where the piece lay."""
    action: Literal["re-measure", "regrade", "scrap", "concession", "release"] | None = None
    """``piece-dispose``, ``box-dispose``: what is decided; with ``regrade`` its ``grade``."""
    instrument: "InstrumentEntry | None" = None
    """``instrument-add``; of ``instrument-withdraw`` its id alone."""
    changed: Literal["pin", "holder", "indicator"] | None = None
    """``master-changed``: what is another one now."""
    code: Annotated[str, Field(max_length=80)] | None = None
    """``alarm-ack``, ``alarm-shelve``: which alarm."""
    for_min: Annotated[int, Field(ge=0, le=1440)] | None = None
    """``alarm-shelve``: minutes; 0 takes it off the shelf."""
    all: bool = False
    """``alarm-list``: the journal as well, newest first."""
    after_seq: Annotated[int, Field(ge=0, le=2**53)] | None = None
    """``events``: replay everything after this sequence number."""


class InstrumentEntry(Payload):
    """One entry of the register: a new instrument, or a new certificate of a known one.

    What is not given stays as the last certificate had it; ``due`` alone is always taken as
    it stands: none given, none due.
    """

    id: Annotated[str, Field(min_length=1, max_length=80)]
    kind: InstrumentKind | None = None
    """Needed the first time; the same ever after."""
    certificate: Annotated[str, Field(max_length=120)] = ""
    due: date | None = None
    """Last day on which the calibration is in date; none: it needs none."""
    form_um: Exact | None = None
    """Roundness of a pin."""
    tir_um: Exact | None = None
    """Run-out of a master."""
    uncertainty_um: Exact | None = None
    """U (k = 2) of ``tir_um``."""
    diameter_mm: Exact | None = None
    """Of a pin."""
    gripping_length_mm: Exact | None = None
    """How much of a pin the collet has to grip."""
    measuring_force_mn: Annotated[int, Field(ge=0, le=100_000)] | None = None
    """Of an indicator, in millinewtons."""


QUESTIONS = frozenset(
    {"lot-show", "piece-show", "instrument-list", "alarm-list", "events", "master-status"}
)
"""Commands that change nothing."""


class Reply(Payload):
    """ROOT/BENCH/reply, and a line back on the local socket."""

    id: str
    ok: bool
    text: str
    data: dict[str, object] | None = None
