"""What a bench retains of its lot: counts, forecast, proof of the rest, tray, boxes, rules."""

from typing import Literal

from daemon.messages.words import Payload, Um, Utc


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
    held: bool = False
    """It is on hold: no piece is begun before another box stands there."""


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


class RulesName(Payload):
    """Which rule file decided."""

    revision: str
    sha256: str
