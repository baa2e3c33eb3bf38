"""An account of its own: what the pieces of a lot count as, recounted from the facts.

It reads rows of what happened (clampings, verdicts, put-aways, checks, decisions) in the order
of their sequence numbers and knows nothing of the service's fold, marks, views and counts.
What it goes by is what the issue says: a failed check takes the whole span before it back and
every box one of its pieces lies in; only a good check that a good one opened releases; another
pin, holder or indicator ends a span that no check can prove any more.
"""

import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

BOTH = {"run-out", "sensitivity"}
"""The bench asks for both kinds: one alone is half a check."""

Word = str
"""Of a span: ``open``, ``good``, ``failed``, ``unproved``."""

CHANGES = {"pin-change", "holder-change", "indicator-change"}
"""With them an instrument leaves the bench."""


@dataclass(frozen=True)
class Happened:
    """One row, as far as it matters here.

    Attributes:
        seq: Its place.
        what: clamping, verdict, put-away, voided, opened, check, disturbance, decided.
        piece: Number; None where it is of no piece.
        words: By kind; see ``facts``.
    """

    seq: int
    what: str
    piece: int | None
    words: tuple[str, ...] = ()


@dataclass
class Piece:
    """A piece by its facts so far.

    Attributes:
        cycle: Its newest cycle.
        grade: By its verdict or a regrade.
        meets: Grades it may be regraded to.
        why: Of its verdict, "" while it has none.
        graded: Sequence number of that verdict, 0 while it has none.
        span: Where that verdict lies.
        lies_in: What it was put into, "" before.
        is_freed: A person took it out of a failed span.
        is_let_go: A person released it though its verdict is hold.
        to_carry: Regraded, and not yet in its new bin.
        is_awaited: It is measured again, and its verdict so far stands no more.
        settled: ``scrapped``, ``replaced``, ``concession``, ``abandoned``; "" while none.
        retries: Whole sets taken again.
        begun: Cycle that was clamped, and how many spans had ended badly when it was first.
        shut: Boxes on hold then: a bench puts no piece that is not in doubt into these.
    """

    cycle: int = 0
    grade: str = ""
    meets: tuple[str, ...] = ()
    why: str = ""
    graded: int = 0
    span: Word = ""
    lies_in: str = ""
    is_freed: bool = False
    is_let_go: bool = False
    to_carry: bool = False
    is_awaited: bool = False
    settled: str = ""
    retries: int = 0
    begun: tuple[int, int] = (0, 0)
    shut: frozenset[str] = frozenset()

    @property
    def is_doubted(self) -> bool:
        return self.span in ("failed", "unproved") and not self.is_freed

    @property
    def is_hold(self) -> bool:
        return self.why in ("guard-band", "invalid") and not self.is_let_go


@dataclass
class Ledger:
    """The pieces of one lot, and the bench's checks.

    Attributes:
        by_box: Pieces in one box can't be told apart.
        pieces: By number.
        held_boxes: Nothing in them counts or leaves.
        good: Kinds found good since the bench measured or was disturbed.
        opened: A good check opened the span that is open.
        is_fit: A good check was made and nothing happened since that asks for another.
        in_span: Verdicts of any lot since the last good check.
        bad: How each span ended that did not end good.
    """

    by_box: bool
    pieces: dict[int, Piece] = field(default_factory=dict)
    held_boxes: set[str] = field(default_factory=set)
    good: set[str] = field(default_factory=set)
    opened: bool = False
    is_fit: bool = False
    in_span: int = 0
    bad: list[Word] = field(default_factory=list)

    def take(self, fact: Happened) -> None:
        """Take the next fact."""
        if fact.what == "check":
            return self._check(*fact.words)
        if fact.what == "disturbance":
            self.good.clear()
            self.is_fit = False
            if fact.words[0] in CHANGES:
                self._end("unproved", opens=False)
            return None
        if fact.what == "decided":
            return self._decided(fact)
        if fact.what == "verdict":
            self.good.clear()
            self.in_span += 1
        if fact.piece is None:
            return None  # of another lot
        return self._of_piece(fact, self.pieces.setdefault(fact.piece, Piece()))

    def _of_piece(self, fact: Happened, piece: Piece) -> None:
        match fact.what:
            case "clamping" | "opened":
                self._cycle(fact, piece, int(fact.words[0]), fact.words[1])
                piece = self.pieces[fact.piece or 0]
                if fact.what == "clamping" and piece.begun[0] != piece.cycle:
                    piece.begun = piece.cycle, len(self.bad)
                    piece.shut = frozenset(self.held_boxes)
            case "verdict":
                grade, why, meets = fact.words
                ended = self.bad[piece.begun[1] :]  # since its first clamping
                self.pieces[fact.piece or 0] = Piece(
                    piece.cycle, grade, tuple(meets.split()), why, fact.seq,
                    ended[0] if ended else "open", retries=piece.retries, shut=piece.shut,
                )  # fmt: skip
            case "put-away":
                # What no good check opened is held by the next one wherever it lies.
                is_lost = self.opened and not piece.is_doubted and fact.words[0] in piece.shut
                assert not is_lost, f"{fact}: put into a box on hold"
                piece.lies_in, piece.to_carry = fact.words[0], False
                if self.by_box and piece.is_doubted:
                    self.held_boxes.add(piece.lies_in)
            case "abandoned":
                piece.settled, piece.graded = "abandoned", 0
            case _:
                raise AssertionError(fact)

    def _cycle(self, fact: Happened, piece: Piece, number: int, kind: str) -> None:
        """Open a cycle: a retry makes the verdict before it void, a later one doubtful."""
        if number == piece.cycle:
            return
        assert not piece.settled, f"{fact}: it is {piece.settled}"
        if kind == "retry":
            assert not piece.lies_in, f"{fact}: it was put away"
            self.pieces[fact.piece or 0] = Piece(number, retries=piece.retries + 1)
        piece.cycle = number
        piece.is_awaited = piece.is_awaited or kind == "re-measured"

    def _check(self, kind: str, result: str) -> None:
        if result == "failed":
            self.good.clear()
            self._end("failed", opens=False)
        if result == "good":
            self.good.add(kind)
        if self.good >= BOTH:
            self.good.clear()
            self._end("good" if self.opened else "failed", opens=True)

    def _end(self, word: Word, *, opens: bool) -> None:
        if word != "good":
            self.bad.append(word)
        for piece in self.pieces.values():
            if piece.span == "open":
                piece.span = word
        if self.by_box:
            doubted = [p for p in self.pieces.values() if p.is_doubted and not p.settled]
            self.held_boxes |= {piece.lies_in for piece in doubted if piece.lies_in}
        self.opened = self.is_fit = opens
        self.in_span = 0 if opens else self.in_span

    def _decided(self, fact: Happened) -> None:
        action, box, grade = fact.words
        if fact.piece is not None:
            targets = [self.pieces[fact.piece]]
        else:
            inside = [p for p in self.pieces.values() if p.lies_in == box]
            targets = [p for p in inside if not p.settled]
            self.held_boxes.discard(box)
        for piece in targets:
            self._decide(piece, action, grade, is_box=fact.piece is None)

    def _decide(self, piece: Piece, action: str, grade: str, *, is_box: bool) -> None:
        match action:
            case "scrap":
                piece.settled, piece.lies_in = "scrapped", ""
            case "concession":
                piece.settled = "concession"
            case "re-measure" if is_box:
                piece.settled, piece.lies_in = "replaced", ""
            case "re-measure":
                piece.lies_in, piece.is_awaited = "", True
            case "regrade":
                piece.grade, piece.to_carry = grade, not is_box
            case "release":
                piece.is_freed = piece.is_freed or piece.is_doubted
                piece.is_let_go = True
            case _:
                raise AssertionError(action)

    # --- what they count as ---

    def is_held(self, piece: Piece) -> bool:
        """Return whether a check, a box or its own verdict keeps a piece from counting."""
        if piece.settled or not piece.graded:
            return False
        in_box = self.by_box and piece.lies_in in self.held_boxes
        return piece.is_doubted or in_box or piece.is_hold or piece.is_awaited

    def status(self, number: int) -> str:
        """Return what a piece counts as."""
        piece = self.pieces[number]
        if piece.settled:
            return piece.settled
        if not piece.graded or piece.is_awaited:
            return "in-work"
        if not piece.lies_in:
            return "pending"
        if piece.to_carry or self.is_held(piece):
            return "hold"
        if piece.grade:
            return "put-away"
        return "nonconforming" if piece.why == "above-all-limits" else "released"

    def counts(self) -> Counter[str]:
        """Return pieces by status."""
        return Counter(self.status(number) for number in self.pieces)

    def graded(self, status: str) -> dict[str, int]:
        """Return pieces of a status by grade."""
        found = Counter(self.pieces[n].grade for n in self.pieces if self.status(n) == status)
        return dict(found)

    def waiting(self) -> list[int]:
        """Return the graded pieces that no check has judged yet and nobody has settled."""
        return [
            n for n, p in self.pieces.items()
            if p.graded and not p.settled and p.span == "open"
        ]  # fmt: skip


# --- from rows to facts -----------------------------------------------------------------------


def facts(db: sqlite3.Connection, bench: str, lot: int, code: str) -> list[Happened]:
    """Return what happened on a bench in order; pieces of other lots have no number."""
    found = [
        *_rows(db, "SELECT k.seq, 'clamping', p.number, c.number, c.kind FROM clampings k"
            f" {_CYCLE.format('k.cycle')} WHERE p.lot = ?", lot),
        *_rows(db, "SELECT x.seq, 'opened', p.number, c.number, c.kind FROM corrections x"
            f" {_CYCLE.format('x.cycle')} WHERE x.what = c.kind AND p.lot = ?", lot),
        *_rows(db, "SELECT v.seq, 'verdict', CASE p.lot WHEN ? THEN p.number END,"
            " coalesce(v.grade, ''), v.why, v.meets FROM verdicts v"
            f" {_CYCLE.format('v.cycle')} JOIN lots l ON l.id = p.lot WHERE l.bench = ?",
            lot, bench),
        *_rows(db, "SELECT a.seq, 'put-away', p.number, coalesce(b.label, 'bin ' || a.bin"
            " || ' of ' || ?) FROM put_aways a LEFT JOIN boxes b ON b.id = a.box"
            f" {_CYCLE.format('a.cycle')} WHERE a.bin = a.expected AND p.lot = ?", code, lot),
        *_rows(db, "SELECT x.seq, 'abandoned', p.number FROM corrections x JOIN pieces p"
            " ON p.id = x.piece WHERE x.what = 'abandoned' AND p.lot = ?", lot),
        *_rows(db, "SELECT seq, 'check', NULL, kind, result FROM checks WHERE bench = ?",
            bench),
        *_rows(db, "SELECT seq, 'disturbance', NULL, cause FROM disturbances"
            " WHERE bench = ?", bench),
        *_rows(db, "SELECT d.seq, 'decided', p.number, d.action, d.box, coalesce(d.grade, '')"
            " FROM dispositions d LEFT JOIN pieces p ON p.id = d.piece WHERE d.lot = ?", lot),
    ]  # fmt: skip
    return sorted(found, key=lambda fact: fact.seq)


_CYCLE = "JOIN cycles c ON c.id = {} JOIN pieces p ON p.id = c.piece"


def _rows(db: sqlite3.Connection, sql: str, *values: object) -> Iterator[Happened]:
    for seq, what, piece, *words in db.execute(sql, values):
        yield Happened(seq, what, piece, tuple(str(word) for word in words))


def ledger(told: Sequence[Happened], upto: int, *, by_box: bool) -> Ledger:
    """Return the account as it stood when the event of this number was written."""
    found = Ledger(by_box)
    for fact in told:
        if fact.seq > upto:
            break
        found.take(fact)
    return found
