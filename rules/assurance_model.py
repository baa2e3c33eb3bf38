"""What the fold of assurance reads and what it holds: facts, pieces, spans.

Facts come in the order of their sequence numbers, which the store gives.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rules.masters import CheckKind
from rules.moment import Moment

PieceKey = tuple[str, int]
"""Lot and number."""

Identity = Literal["box", "tray"]
"""How a binned piece is known: by the box it lies in with others, or by its own cell."""

Cause = Literal[
    "shift-start", "restart", "reconnect", "lot-change", "pin-change", "holder-change",
    "indicator-change", "holder-share", "order-filled", "instrument-leaving",
]  # fmt: skip
"""What makes a check due, beside pieces and hours."""

CHANGES: frozenset[Cause] = frozenset({"pin-change", "holder-change", "indicator-change"})
"""After these another instrument is in use, and no check can prove the one before any more."""

Settlement = Literal["replaced", "scrapped", "concession"]
Action = Literal["re-measure", "regrade", "scrap", "concession", "release"]


@dataclass(frozen=True, slots=True)
class Checked:
    """A master check of one kind was made; an invalid one is recorded and changes nothing."""

    seq: int
    kind: CheckKind
    result: Literal["good", "failed", "invalid"]
    at: Moment
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Graded:
    """A cycle ended with a verdict.

    Attributes:
        seq: Sequence number of the verdict.
        piece: Which.
        grade: Its grade; None for hold and nonconforming.
        at: When.
        meets: Grades whose own limits and clampings the verdict meets.
        is_hold: The verdict itself is hold: nobody can decide yet.
        began_seq: Sequence number of the cycle's first clamping.
        cell: Tray cell it was taken from, "" where cells are not numbered.
    """

    seq: int
    piece: PieceKey
    grade: str | None
    at: Moment
    meets: tuple[str, ...] = ()
    is_hold: bool = False
    began_seq: int | None = None
    cell: str = ""


@dataclass(frozen=True, slots=True)
class Voided:
    """The verdict stands no more (retry before put-away, or given up); the piece has none."""

    seq: int
    piece: PieceKey


@dataclass(frozen=True, slots=True)
class PutAway:
    """The piece lies in its bin; ``box`` is the box that stands there, "" without one."""

    seq: int
    piece: PieceKey
    box: str = ""


@dataclass(frozen=True, slots=True)
class Ordered:
    """So many of a grade are ordered; the last word counts."""

    seq: int
    lot: str
    grade: str
    quantity: int


@dataclass(frozen=True, slots=True)
class Disturbed:
    """Something happened after which the bench has to be checked again.

    Attributes:
        seq: Sequence number.
        cause: What.
        at: When.
        ends_span: An instrument left the bench: what it measured since the last good check
            stays unproved.
    """

    seq: int
    cause: Cause
    at: Moment
    ends_span: bool = False


@dataclass(frozen=True, slots=True)
class Disposed:
    """A decision on a piece, or on a whole box where its pieces can't be told apart.

    Attributes:
        seq: Sequence number.
        action: What is to be done.
        piece: Which piece; None for a box.
        box: Which box; "" for a piece.
        grade: The grade after a regrade; None else.
        role: Who decided, by role.
        reason: Why.
        at: When.
    """

    seq: int
    action: Action
    piece: PieceKey | None
    box: str
    grade: str | None
    role: str
    reason: str
    at: Moment


AssuranceFact = Checked | Graded | Voided | PutAway | Ordered | Disturbed | Disposed


@dataclass(frozen=True, slots=True)
class Standing:
    """What a piece is today. The facts behind it stay.

    Attributes:
        grade: Its grade by the last verdict or regrade.
        meets: Grades that verdict meets.
        span: Number of the span it was measured in; None once a release took it out of one,
            and where no checks are asked for.
        graded: When.
        cell: Tray cell it was taken from.
        box: Box it lies in.
        is_put_away: It lies in its bin.
        is_hold: The verdict itself is hold.
        is_in_doubt: Its span ended without a good check and is on hold.
        is_in_held_box: It lies among pieces that are in doubt and can't be told from them.
        awaits_cycle: It is to be measured again.
        is_released: A person released it out of a failed span.
        settled: It is out of the count for good.
    """

    grade: str | None
    meets: tuple[str, ...]
    span: int | None
    graded: Moment
    cell: str = ""
    box: str = ""
    is_put_away: bool = False
    is_hold: bool = False
    is_in_doubt: bool = False
    is_in_held_box: bool = False
    awaits_cycle: bool = False
    is_released: bool = False
    settled: Settlement | None = None

    @property
    def is_held(self) -> bool:
        """Return whether it may neither be counted nor leave."""
        doubts = self.is_hold or self.is_in_doubt or self.is_in_held_box or self.awaits_cycle
        return self.settled is None and doubts


@dataclass(frozen=True, slots=True)
class Span:
    """What was measured between two checks.

    Attributes:
        opened_by: Sequence number of the good check before it; None: there was none.
        state: ``failed`` as well where no good check opened it; ``unproved`` where an
            instrument left the bench before a check closed it.
        closed_by: Sequence number of the check or change that ended it.
        closed_at: When.
        why: Why it did not end good, in words.
    """

    opened_by: int | None
    state: Literal["open", "good", "failed", "unproved"] = "open"
    closed_by: int | None = None
    closed_at: Moment | None = None
    why: str = ""

    @property
    def is_doubtful(self) -> bool:
        """Return whether it ended, and its pieces may not be released by any check."""
        return self.state in ("failed", "unproved")


@dataclass(frozen=True, slots=True)
class AssuranceState:
    """Where every piece stands.

    Attributes:
        pieces: Every graded piece.
        spans: All spans by number; the last one is open.
        good_kinds: Checks found good since the bench last measured or was disturbed.
        held_boxes: Boxes with pieces in doubt that can't be told apart.
        ordered: Pieces ordered, by lot and grade.
        seq: Sequence number of the last fact.
    """

    pieces: Mapping[PieceKey, Standing] = field(default_factory=dict)
    spans: tuple[Span, ...] = (Span(None),)
    good_kinds: frozenset[CheckKind] = frozenset()
    held_boxes: frozenset[str] = frozenset()
    ordered: Mapping[tuple[str, str], int] = field(default_factory=dict)
    seq: int = 0


@dataclass(frozen=True, slots=True)
class SpanReleased:
    """A good check closed a span: its pieces may leave, and boxes can be changed."""

    span: int
    pieces: tuple[PieceKey, ...]


@dataclass(frozen=True, slots=True)
class SpanHeld:
    """The list for the lead.

    Attributes:
        span: Number of the span.
        pieces: All pieces on hold by it, box mates included, in order.
        boxes: Boxes on hold.
        cells: Tray cells the pieces were taken from, where known.
        first: When the first of them was graded; None: it held no pieces.
        last: When the last was.
        why: What the check said, or what left the bench before one.
    """

    span: int
    pieces: tuple[PieceKey, ...]
    boxes: tuple[str, ...]
    cells: tuple[str, ...]
    first: Moment | None
    last: Moment | None
    why: str


@dataclass(frozen=True, slots=True)
class OrderReopened:
    """An order that was filled is so no more."""

    lot: str
    grade: str
    counted: int
    ordered: int


AssuranceOutcome = SpanReleased | SpanHeld | OrderReopened


@dataclass(frozen=True, slots=True)
class AssuranceRules:
    """What the fold goes by.

    Attributes:
        asked: Kinds of check that make one good check together; empty: none is asked for,
            which every record has to state.
        identity: How a binned piece is known.
        changes: Causes that end the open span as unproved.
    """

    asked: frozenset[CheckKind]
    identity: Identity
    changes: frozenset[Cause] = CHANGES
