"""Facts: what a step of the bench asks the store to keep, in one transaction."""

from dataclasses import dataclass
from typing import Literal

from rules.clamping import Clamping
from rules.cycle import CycleKind, HowEnded
from rules.grading import Assessed, Decision
from rules.put_away import Confirmation

AlarmCode = Literal[
    "indicator-lost", "battery-low", "wrong-bin", "not-put-away", "beyond-lot",
    "signal-fault", "help-called", "attention-asked",
    "order-short",
    "clampings-alike", "values-never-fall",
    "holder-share", "rotated-backwards",
]  # fmt: skip
"""Conditions that need an answer; one root cause raises one alarm."""

Refusal = Literal[
    "too-soon", "before-put-away", "no-lot", "order-filled", "beyond-lot", "begun-before",
]  # fmt: skip

REFUSAL_TEXT: dict[Refusal, str] = {
    "too-soon": "sooner than a hand can re-clamp: taken as a repeat of the last value",
    "before-put-away": "the last piece is not put away",
    "no-lot": "no lot is open",
    "order-filled": "the order is filled; nothing more is graded",
    "beyond-lot": "the lot has no more pieces",
    "begun-before": "it was begun for a piece or lot that is in work no more",
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
    """Something that looked like a clamping and belongs to no piece."""

    reason: Refusal
    at_ns: int
    clamping: Clamping | None = None
    value_nm: int | None = None


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

    what: Literal["opened", "closed", "order-filled", "exhausted"]
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


@dataclass(frozen=True, slots=True)
class BoxFact:
    """Another box stands in a bin from now on."""

    bin: str
    label: str
    capacity: int | None
    role: str


@dataclass(frozen=True, slots=True)
class AlarmFact:
    """A condition that needs an answer came or went."""

    code: AlarmCode
    is_raised: bool
    text: str


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
    | AlarmFact
)
