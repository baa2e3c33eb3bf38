"""Facts: what a step of the bench asks the store to keep, in one transaction."""

from dataclasses import dataclass
from typing import Literal

from rules.check_facts import CheckFact, DisposedFact, DisturbanceFact
from rules.clamping import Clamping
from rules.cycle import CycleKind, HowEnded
from rules.first_clamping import Tally
from rules.grading import Assessed, Decision
from rules.put_away import Confirmation
from rules.rest_view import RestOutcome

AlarmCode = Literal[
    "indicator-lost", "battery-low", "wrong-bin", "not-put-away", "beyond-lot",
    "signal-fault", "help-called", "attention-asked",
    "order-short", "rest-held", "box-full", "box-held",
    "instrument-unfit", "clock-doubt",
    "rule-file-fault", "rules-differ",
    "clampings-alike", "values-never-fall",
    "holder-share", "rotated-backwards",
    "check-soon", "check-due", "check-failed", "span-unproved", "zero-drift",
]  # fmt: skip
"""Conditions that need an answer; one root cause raises one alarm."""

Refusal = Literal[
    "too-soon", "before-put-away", "no-lot", "order-filled", "beyond-lot", "begun-before",
    "check-due", "box-held",
]  # fmt: skip

REFUSAL_TEXT: dict[Refusal, str] = {
    "too-soon": "sooner than a hand can re-clamp: taken as a repeat of the last value",
    "before-put-away": "the last piece is not put away",
    "no-lot": "no lot is open",
    "order-filled": "the order is filled; nothing more is graded",
    "beyond-lot": "the lot has no more pieces",
    "begun-before": "it was begun for a piece or lot that is in work no more",
    "check-due": "a master check is due; nothing is graded before it is good",
    "box-held": "a box on hold stands in a bin; no piece is begun before another one does",
}


@dataclass(frozen=True, slots=True)
class ClampingFact:
    """A clamping of a piece, whatever its result."""

    piece: int
    is_new_piece: bool
    cycle: int
    cycle_kind: CycleKind
    number: int
    clamping: Clamping
    assessed: Assessed


@dataclass(frozen=True, slots=True)
class RefusedFact:
    """Something that looked like a clamping and belongs to no piece.

    Attributes:
        reason: Why.
        at_ns: When it ended.
        clamping: What was swept, if it came so far.
        value_nm: The finished value that was none.
        piece: The piece in work or in hand meanwhile; None between pieces.
        count: How many came in a row, from 1: not each of a stream is told.
    """

    reason: Refusal
    at_ns: int
    clamping: Clamping | None = None
    value_nm: int | None = None
    piece: int | None = None
    count: int = 1


@dataclass(frozen=True, slots=True)
class CycleEndedFact:
    """A cycle ended; with a decision it is a verdict."""

    piece: int
    cycle: int
    how: HowEnded
    reason: str
    decision: Decision | None = None


@dataclass(frozen=True, slots=True)
class CycleOpenedFact:
    """A further cycle of the same piece begins by request: its last verdict is void."""

    piece: int
    cycle: int
    cycle_kind: CycleKind
    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class PutAwayFact:
    """A piece was put into a bin, the right one or not; or a bin was confirmed for nothing."""

    piece: int | None
    cycle: int | None
    bin: str
    expected: str | None
    by: Confirmation

    @property
    def is_right(self) -> bool:
        """Return whether it closes the piece."""
        return self.bin == self.expected


@dataclass(frozen=True, slots=True)
class CorrectionFact:
    """A later fact about an earlier one, with who and why."""

    piece: int | None
    cycle: int | None
    what: str
    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class LotFact:
    """Something happened to the lot as a whole."""

    what: Literal["opened", "closed", "order-filled", "order-reopened", "exhausted"]
    reason: str = ""
    role: str = ""


Finding = Literal["blemish", "surface", "burr", "other"]
"""What visual inspection can find, before a collet reaches the bench."""


@dataclass(frozen=True, slots=True)
class OrderFact:
    """The order of a grade was raised or lowered; the last word counts."""

    grade: str
    quantity: int
    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class VisualFact:
    """Pieces of the lot were set aside at visual inspection: they never reach the bench."""

    finding: Finding
    pieces: int
    reason: str
    role: str
    cell: int | None = None
    is_drawn: bool = False
    """Its cell was asked for by a draw: the piece counts as beyond, unmeasured."""


@dataclass(frozen=True, slots=True)
class CellFact:
    """A numbered cell of the tray was found empty."""

    cell: int
    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class DrawFact:
    """Cells were drawn, recorded before the first of their pieces is touched.

    Attributes:
        purpose: ``order``: in which the lot is measured; ``sample``: of the rest.
        is_by_record: False: the cells are not numbered, the sample is taken by hand.
        algorithm: Name of the algorithm (`rules.draw`); "" if taken by hand.
        seed: Its seed; "" if taken by hand.
        is_seed_given: The seed was given at the opening, not made by the service.
        cells: Cells drawn from, rising.
        pieces: Pieces drawn from.
        size: Pieces to take: the first so many.
        acceptance_number: Of a sample: most beyond among them that still accept.
    """

    purpose: Literal["order", "sample"]
    is_by_record: bool
    algorithm: str
    seed: str
    is_seed_given: bool
    cells: tuple[int, ...]
    pieces: int
    size: int
    acceptance_number: int


@dataclass(frozen=True, slots=True)
class LookFact:
    """What a look at the rest said; the last fact of a look stands for it.

    Attributes:
        look: Which one, from 1.
        after_piece: Number of the last piece begun before it.
        judged: Pieces the count was taken from.
        tally: Pieces looked at.
        rest: Pieces it is about.
        at_most: Most of them that can be beyond; None under an AQL plan.
        outcome: What follows.
    """

    look: int
    after_piece: int
    judged: int
    tally: Tally
    rest: int
    at_most: int | None
    outcome: RestOutcome


@dataclass(frozen=True, slots=True)
class BoxFact:
    """Another box stands in a bin from now on."""

    bin: str
    label: str
    capacity: int | None
    role: str


@dataclass(frozen=True, slots=True)
class RulesFact:
    """The lot goes by another state of its rule file from the next piece on.

    Attributes:
        revision: Revision mark of the new text.
        sha256: Its hash.
        before_revision: Revision mark of the text in force so far.
        before_sha256: Its hash.
        piece: The piece in work, which keeps the rules it was begun with; None between pieces.
        reason: Why.
        role: Who asked, by role.
    """

    revision: str
    sha256: str
    before_revision: str
    before_sha256: str
    piece: int | None
    reason: str
    role: str


@dataclass(frozen=True, slots=True)
class Shelf:
    """An alarm put aside for a time: it is shown as shelved, and comes back by itself.

    Attributes:
        code: The alarm.
        role: Who put it aside.
        reason: Why.
        until_ns: When it comes back, on the interval clock.
        until_utc: The same for people; RFC 3339 UTC.
    """

    code: AlarmCode
    role: str
    reason: str
    until_ns: int
    until_utc: str


@dataclass(frozen=True, slots=True)
class AlarmFact:
    """A condition that needs an answer came or went; ``shelf`` where it is shelved."""

    code: AlarmCode
    is_raised: bool
    text: str
    shelf: Shelf | None = None


@dataclass(frozen=True, slots=True)
class AlarmAckFact:
    """Somebody has seen an alarm that stands, and takes it on."""

    code: AlarmCode
    text: str
    role: str


@dataclass(frozen=True, slots=True)
class AlarmShelfFact:
    """An alarm was put on the shelf; ``stands``: whether its condition is there."""

    shelf: Shelf
    stands: bool
    text: str


AlarmNews = AlarmFact | AlarmAckFact | AlarmShelfFact
"""Facts that change no count of any piece or lot."""


Fact = (
    ClampingFact
    | RefusedFact
    | CycleEndedFact
    | CycleOpenedFact
    | PutAwayFact
    | CorrectionFact
    | LotFact
    | OrderFact
    | VisualFact
    | BoxFact
    | CellFact
    | DrawFact
    | LookFact
    | RulesFact
    | AlarmNews
    | CheckFact
    | DisturbanceFact
    | DisposedFact
)
