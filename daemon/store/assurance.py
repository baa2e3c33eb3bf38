"""Where the pieces of a bench's open lot stand, kept up to date with every commit.

``rules.assurance`` decides; here its facts are made as rows are written, and what follows
from them is written in the same transaction: marks on pieces, and events for the lead.
"""

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from daemon.store.assurance_facts import Asked, facts_of_checks, facts_of_lot, start_of
from rules.assurance import is_unreleased, status_of, step
from rules.assurance_model import (
    AssuranceFact,
    AssuranceOutcome,
    AssuranceRules,
    AssuranceState,
    Checked,
    Disposed,
    Disturbed,
    Graded,
    Identity,
    PieceKey,
    PutAway,
    Span,
    Standing,
)
from rules.dispositions import why_held


@dataclass(frozen=True, slots=True)
class Mark:
    """What a fact made of a piece beyond what its own verdict and put-away say."""

    piece: int
    seq: int
    status: str
    grade: str | None
    is_put_away: bool
    why: str


@dataclass(frozen=True, slots=True)
class Taken:
    """What followed from one fact.

    Attributes:
        fact: The fact.
        marks: Pieces that count as something else now.
        outcomes: For the lead.
        ended: The span it ended, if it ended one, and whether a good one was opened.
    """

    fact: AssuranceFact
    marks: tuple[Mark, ...]
    outcomes: tuple[AssuranceOutcome, ...]
    ended: tuple[Span, bool] | None = None


@dataclass(frozen=True, slots=True)
class Unproved:
    """What instruments that left the bench keep on hold.

    Attributes:
        in_hand: Pieces of it that lie in no bin.
        undecided: How many pieces nobody has decided about.
        why: What left, of the last of these; "" without one.
    """

    in_hand: frozenset[int] = frozenset()
    undecided: int = 0
    why: str = ""


@dataclass(slots=True)
class Assurance:
    """The fold of one bench over its open lot, and over the checks before it.

    Attributes:
        bench: Whose.
        lot_id: Row of the open lot; None when none is open.
        code: Its name.
        identity: How a binned piece is known.
        state: Where every piece of the lot stands.
        unreleased: Graded pieces that no check has judged yet.
    """

    bench: str
    lot_id: int | None
    code: str
    identity: Identity
    state: AssuranceState = field(default_factory=AssuranceState)
    unreleased: int = 0

    def load(self, db: sqlite3.Connection) -> None:
        """Fold what the store holds."""
        start = start_of(db, self.bench, self.lot_id)
        self.state = AssuranceState(spans=(Span(start or None),), seq=start)
        if self.lot_id is None:
            told = facts_of_checks(db, self.bench)
            told = [one for one in told if isinstance(one[0], Checked | Disturbed)]
        else:
            told = facts_of_lot(db, self.bench, self.lot_id, self.code)
        for fact, asked in told:
            self.state, _ = step(self.state, fact, AssuranceRules(asked, self.identity))
        self._count_anew()

    def take(self, fact: AssuranceFact, asked: Asked, ordered: Mapping[str, int]) -> Taken:
        """Take one more fact; return what followed from it.

        Args:
            fact: What was recorded.
            asked: Kinds of check asked for at that time.
            ordered: Pieces ordered of each grade.
        """
        before = replace(
            self.state, ordered={(self.code, grade): n for grade, n in ordered.items()}
        )
        after, outcomes = step(before, fact, AssuranceRules(asked, self.identity))
        self.state = after
        changed = _changed(before, after, fact)
        marks = [mark for key in changed if (mark := _mark(before, after, key, fact))]
        self._count(before, fact)
        ended = None
        if len(after.spans) > len(before.spans):
            ended = (after.spans[-2], after.spans[-1].opened_by is not None)
        return Taken(fact, tuple(marks), outcomes, ended)

    def held(self) -> int:
        """Return how many pieces a check or a decision keeps on hold."""
        return sum(1 for standing in self.state.pieces.values() if standing.is_held)

    def left_unproved(self) -> Unproved:
        """Return what instruments that left the bench keep on hold.

        Asked after every commit: pieces are looked at only where such a span is.
        """
        spans = self.state.spans
        if not any(span.state == "unproved" for span in spans):
            return Unproved()
        left = {
            number: standing
            for (_, number), standing in self.state.pieces.items()
            if standing.is_in_doubt and standing.settled is None
            and standing.span is not None and spans[standing.span].state == "unproved"
        }  # fmt: skip
        undecided = [s.span for s in left.values() if not s.awaits_cycle and s.span is not None]
        return Unproved(
            frozenset(number for number, s in left.items() if not s.is_put_away),
            len(undecided),
            spans[max(undecided)].why if undecided else "",
        )

    def _count(self, before: AssuranceState, fact: AssuranceFact) -> None:
        """Keep ``unreleased``; only what touches many pieces costs a look at all of them."""
        if before.pieces is self.state.pieces and not isinstance(fact, Checked):
            return
        key = getattr(fact, "piece", None)
        if isinstance(fact, Checked | Disposed) or key is None or key in before.pieces:
            if not isinstance(fact, PutAway) or self.state.held_boxes:
                self._count_anew()
            return
        if key in self.state.pieces:
            self.unreleased += is_unreleased(self.state, self.state.pieces[key])

    def _count_anew(self) -> None:
        pieces = self.state.pieces.values()
        self.unreleased = sum(is_unreleased(self.state, standing) for standing in pieces)


def _changed(
    before: AssuranceState, after: AssuranceState, fact: AssuranceFact
) -> Iterable[PieceKey]:
    if before.pieces is after.pieces:
        return ()
    key = getattr(fact, "piece", None)
    if key is not None and not after.held_boxes:
        return (key,)
    return [k for k, s in after.pieces.items() if before.pieces.get(k) is not s]


def _overlay(state: AssuranceState, standing: Standing | None) -> str | None:
    """Return what outweighs a piece's own verdict; None when nothing does."""
    if standing is None:
        return None
    if standing.settled is not None:
        return standing.settled
    if standing.awaits_cycle:
        return "re-measure"
    return "held" if standing.is_in_doubt or standing.is_in_held_box else None


def _mark(
    before: AssuranceState, after: AssuranceState, key: PieceKey, fact: AssuranceFact
) -> Mark | None:
    now = after.pieces.get(key)
    if now is None:
        return None  # its verdict is void, and every mark with it
    was, over = _overlay(before, before.pieces.get(key)), _overlay(after, now)
    if isinstance(fact, Graded):
        was = None  # whatever was marked before belongs to the verdict before
    status = over
    if isinstance(fact, Disposed):
        if over is None:
            status = "regraded" if fact.action == "regrade" else _freed(after, key)
        why = f"{fact.action}: {fact.reason} ({fact.role})"
    else:
        if over == was:
            return None
        status = over or _freed(after, key)
        why = why_held(after, now)
    return Mark(key[1], fact.seq, status or "", now.grade, now.is_put_away, why)


def _freed(state: AssuranceState, key: PieceKey) -> str:
    return "open" if status_of(state, key) == "open" else "released"
