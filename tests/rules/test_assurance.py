"""Spans, holds and dispositions, case by case. Common practice, no source."""

from datetime import UTC, datetime, timedelta

import pytest

from rules.assurance import (
    RecordContradictsError,
    counted,
    fold,
    status_of,
    step,
    why_lot_stays_open,
)
from rules.assurance_model import (
    CHANGES,
    Action,
    AssuranceFact,
    AssuranceOutcome,
    AssuranceRules,
    AssuranceState,
    Cause,
    Checked,
    Disposed,
    Disturbed,
    Graded,
    Identity,
    Ordered,
    OrderReopened,
    PutAway,
    SpanHeld,
    SpanReleased,
    Voided,
)
from rules.dispositions import (
    Decision,
    DispositionRefusedError,
    dispose_box,
    dispose_piece,
    held,
)
from rules.masters import CheckKind
from rules.moment import Moment

REASON = "reads 2.55 µm, half of the certificate"
BOTH: frozenset[CheckKind] = frozenset({"run-out", "sensitivity"})
BOXED = AssuranceRules(BOTH, "box")
TRAYED = AssuranceRules(BOTH, "tray")
START = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)


def moment(seq: int, boot: str = "a") -> Moment:
    return Moment(START + timedelta(minutes=seq), True, boot, seq * 60_000_000_000)


class Book:
    """A record that grows fact by fact, with what came out of it."""

    def __init__(self, rules: AssuranceRules) -> None:
        self.rules = rules
        self.state = AssuranceState()
        self.facts: list[AssuranceFact] = []
        self.out: list[AssuranceOutcome] = []

    @property
    def seq(self) -> int:
        return self.state.seq + 1

    def add(self, fact: AssuranceFact) -> tuple[AssuranceOutcome, ...]:
        self.state, outcomes = step(self.state, fact, self.rules)
        self.facts.append(fact)
        self.out += outcomes
        return outcomes

    def check(self, kind: CheckKind, result: str = "good") -> tuple[AssuranceOutcome, ...]:
        words = "" if result == "good" else REASON
        return self.add(Checked(self.seq, kind, result, moment(self.seq), words))  # type: ignore[arg-type]

    def good(self) -> tuple[AssuranceOutcome, ...]:
        return (*self.check("run-out"), *self.check("sensitivity"))

    def piece(
        self, number: int, grade: str | None = "grade-1", box: str = "B1", is_hold: bool = False
    ) -> None:
        meets = ("grade-1", "grade-2") if grade == "grade-1" else ("grade-2",)
        key, cell = ("A", number), f"U{number}"
        at = moment(self.seq)
        self.add(Graded(self.seq, key, grade, at, meets, is_hold, cell=cell))
        self.add(PutAway(self.seq, key, box))

    def decide(self, action: Action, piece: int = 0, box: str = "", grade: str = "") -> None:
        decision = Decision(action, "lead", "looked at it", moment(self.seq), grade or None)
        if box:
            self.add(dispose_box(self.state, self.rules, box, decision, self.seq))
        else:
            self.add(dispose_piece(self.state, self.rules, ("A", piece), decision, self.seq))

    def status(self, number: int) -> str:
        return status_of(self.state, ("A", number))

    def count(self, grade: str = "grade-1") -> int:
        return counted(self.state, "A", grade)


def opened(identity: Identity = "box") -> Book:
    book = Book(BOXED if identity == "box" else TRAYED)
    book.good()
    return book


def test_a_good_check_of_both_kinds_releases_the_span() -> None:
    book = opened()
    book.piece(1)
    book.piece(2)
    assert book.status(1) == "open"
    assert book.check("run-out") == ()
    assert book.status(1) == "open"
    assert book.check("sensitivity") == (SpanReleased(1, (("A", 1), ("A", 2))),)
    assert book.status(1) == book.status(2) == "released"


def test_two_halves_of_a_check_with_a_piece_or_a_restart_between_are_no_check() -> None:
    book = opened()
    book.check("run-out")
    book.piece(1)
    book.check("sensitivity")
    assert book.status(1) == "open"
    book.add(Disturbed(book.seq, "restart", moment(book.seq, "b")))
    book.check("run-out")
    assert book.status(1) == "open"
    book.check("sensitivity")
    assert book.status(1) == "released"


def test_a_failed_check_takes_pieces_back_and_reopens_a_filled_order() -> None:
    book = opened()
    book.add(Ordered(book.seq, "A", "grade-1", 2))
    book.piece(1)
    book.good()
    book.piece(2, box="B2")
    assert book.count() == 2
    released, reopened = book.check("sensitivity", "failed")
    assert isinstance(released, SpanHeld)
    assert released.pieces == (("A", 2),)
    assert released.boxes == ("B2",)
    assert released.cells == ("U2",)
    assert released.first == released.last == book.state.pieces["A", 2].graded
    assert "half" in released.why
    assert reopened == OrderReopened("A", "grade-1", 1, 2)
    assert (book.status(1), book.status(2), book.count()) == ("released", "held", 1)
    assert held(book.state)[0][0] == ("A", 2)


def test_box_mates_are_held_with_a_piece_in_doubt_and_a_changed_box_keeps_the_hold_small() -> (
    None
):
    book = opened()
    book.piece(1, box="B1")
    book.piece(2, box="B2")
    book.good()
    book.piece(3, box="B1")
    (listed,) = book.check("run-out", "failed")
    assert isinstance(listed, SpanHeld)
    assert listed.pieces == (("A", 1), ("A", 3))
    assert (book.status(1), book.status(2), book.status(3)) == ("held", "released", "held")
    book.good()
    book.piece(4, box="B1")
    assert book.status(4) == "held"


def test_identified_pieces_are_held_alone_and_keep_their_number_when_measured_again() -> None:
    book = opened("tray")
    book.piece(1)
    book.good()
    book.piece(2)
    book.check("run-out", "failed")
    assert (book.status(1), book.status(2)) == ("released", "held")
    book.decide("re-measure", 2)
    assert (book.status(2), book.count()) == ("held", 1)
    book.good()
    book.piece(2, grade="grade-2")
    assert (book.status(2), book.count(), book.count("grade-2")) == ("open", 1, 1)
    book.good()
    assert book.status(2) == "released"


def test_a_box_measured_again_closes_its_pieces_as_replaced() -> None:
    book = opened()
    book.piece(1)
    book.check("run-out", "failed")
    with pytest.raises(DispositionRefusedError, match="the whole box B1"):
        book.decide("re-measure", 1)
    book.decide("re-measure", box="B1")
    assert (book.status(1), book.count()) == ("replaced", 0)
    book.good()
    book.piece(2, box="B1")
    assert (book.status(2), book.count()) == ("open", 1)
    with pytest.raises(RecordContradictsError, match="replaced"):
        book.piece(1)


def test_pieces_that_no_good_check_opened_are_not_released_by_one_that_closes() -> None:
    book = Book(BOXED)
    book.piece(1)
    outcomes = book.good()
    assert book.status(1) == "held"
    assert isinstance(outcomes[0], SpanHeld)
    assert "no good check came before" in outcomes[0].why


def test_a_verdict_that_rests_on_clampings_before_a_failed_check_is_in_doubt_at_once() -> None:
    book = opened()
    began = book.state.seq
    book.check("run-out", "failed")
    book.good()
    at = moment(book.seq)
    book.add(Graded(book.seq, ("A", 1), "grade-1", at, ("grade-1",), began_seq=began))
    assert book.status(1) == "held"


def change(book: Book, cause: Cause) -> tuple[AssuranceOutcome, ...]:
    return book.add(Disturbed(book.seq, cause, moment(book.seq), ends_span=True))


@pytest.mark.parametrize("cause", sorted(CHANGES))
def test_what_another_instrument_measured_before_no_good_check_releases(cause: Cause) -> None:
    book = opened()
    book.add(Ordered(book.seq, "A", "grade-1", 2))
    book.piece(1)
    book.good()
    book.piece(2, box="B2")
    listed, reopened = change(book, cause)
    assert isinstance(listed, SpanHeld)
    assert (listed.pieces, listed.boxes) == ((("A", 2),), ("B2",))
    assert reopened == OrderReopened("A", "grade-1", 1, 2)
    (_, why), *more = held(book.state)
    assert not more
    assert why == listed.why
    assert "before a good check closed the span: none can prove it any more" in why
    assert book.good() == ()  # it opens, and has nothing to release
    assert [book.status(n) for n in (1, 2)] == ["released", "held"]
    book.piece(3, box="B3")
    book.good()
    assert (book.status(3), book.status(2)) == ("released", "held")
    book.decide("release", box="B2")
    assert book.status(2) == "released"


def test_a_check_with_the_old_instrument_before_it_leaves_saves_its_pieces() -> None:
    book = opened()
    book.piece(1)
    book.add(Disturbed(book.seq, "instrument-leaving", moment(book.seq)))
    book.good()
    assert change(book, "pin-change") == ()
    assert (book.status(1), why_lot_stays_open(book.state, "A")) == ("released", "")


def test_half_a_check_before_the_change_and_half_after_it_prove_neither() -> None:
    book = opened()
    book.piece(1)
    book.check("run-out")
    change(book, "indicator-change")
    book.check("sensitivity")
    assert book.status(1) == "held"
    assert book.state.spans[-1].opened_by is None


def test_a_piece_measured_with_two_instruments_is_held_by_its_verdict() -> None:
    book = opened()
    began = book.state.seq
    change(book, "pin-change")
    at = moment(book.seq)
    book.add(Graded(book.seq, ("A", 1), "grade-1", at, ("grade-1",), began_seq=began))
    assert book.status(1) == "held"


def test_what_no_check_opened_since_the_change_is_held_by_the_next() -> None:
    book = opened()
    change(book, "holder-change")
    book.piece(1)
    assert book.status(1) == "open"
    (listed,) = book.good()
    assert isinstance(listed, SpanHeld)
    assert book.status(1) == "held"


@pytest.mark.parametrize("cause", ["restart", "reconnect", "holder-share", "order-filled"])
def test_after_a_restart_or_a_reconnect_a_good_check_closes_the_span(cause: Cause) -> None:
    book = opened()
    book.piece(1)
    assert book.add(Disturbed(book.seq, cause, moment(book.seq))) == ()
    assert book.status(1) == "open"
    (released,) = book.good()
    assert released == SpanReleased(1, (("A", 1),))


def test_an_invalid_check_neither_closes_nor_fails_a_span() -> None:
    book = opened()
    book.piece(1)
    assert book.check("run-out", "invalid") == ()
    assert book.status(1) == "open"


def test_a_lot_with_an_open_span_stays_open_and_says_what_to_do() -> None:
    book = opened()
    assert why_lot_stays_open(book.state, "A") == ""
    book.piece(1)
    assert "closing check" in why_lot_stays_open(book.state, "A")
    assert why_lot_stays_open(book.state, "B") == ""
    book.good()
    assert why_lot_stays_open(book.state, "A") == ""


def test_where_no_check_is_asked_for_every_piece_says_so() -> None:
    book = Book(AssuranceRules(frozenset(), "box"))
    book.piece(1)
    assert (book.status(1), book.count()) == ("unassured", 1)


def test_a_voided_verdict_leaves_no_piece_behind() -> None:
    book = opened()
    book.add(Graded(book.seq, ("A", 1), "grade-1", moment(book.seq)))
    book.add(Voided(book.seq, ("A", 1)))
    assert book.check("run-out", "failed") == (SpanHeld(1, (), (), (), None, None, REASON),)


def test_a_doubted_measurement_is_no_ground_for_a_regrade() -> None:
    book = opened("tray")
    book.piece(1)
    book.check("run-out", "failed")
    with pytest.raises(DispositionRefusedError, match="in doubt"):
        book.decide("regrade", 1, grade="grade-2")
    book.decide("release", 1)
    assert (book.status(1), book.count()) == ("released", 1)


def test_a_regraded_piece_counts_once_it_lies_in_its_new_bin() -> None:
    book = opened("tray")
    book.piece(1, grade=None, is_hold=True)
    assert book.status(1) == "held"
    with pytest.raises(DispositionRefusedError, match="meets grade-2"):
        book.decide("regrade", 1, grade="grade-1")
    book.decide("regrade", 1, grade="grade-2")
    assert book.count("grade-2") == 0
    book.add(PutAway(book.seq, ("A", 1), "B2"))
    assert book.count("grade-2") == 1


@pytest.mark.parametrize("action", ["release", "concession"])
def test_what_no_check_has_closed_yet_can_not_be_released_by_hand(action: Action) -> None:
    book = opened("tray")
    book.piece(1, grade=None, is_hold=True)
    with pytest.raises(DispositionRefusedError, match="check the master first"):
        book.decide(action, 1)
    book.good()
    book.decide(action, 1)
    assert book.status(1) == ("released" if action == "release" else "concession")


def test_a_box_with_a_held_piece_that_no_check_has_closed_is_not_released_either() -> None:
    book = opened()
    book.piece(1, grade=None, is_hold=True, box="H")
    book.good()
    book.piece(2, grade=None, is_hold=True, box="H")
    with pytest.raises(DispositionRefusedError, match="piece 2 was measured since the last"):
        book.decide("release", box="H")
    book.good()
    book.decide("release", box="H")
    assert (book.status(1), book.status(2)) == ("released", "released")


def test_what_went_by_concession_holds_no_box_once_more() -> None:
    book = opened()
    book.piece(1)
    book.check("run-out", "failed")
    book.good()
    book.decide("concession", box="B1")
    book.piece(2)
    book.good()
    book.piece(3, box="B2")
    book.check("run-out", "failed")
    assert [book.status(n) for n in (1, 2, 3)] == ["concession", "released", "held"]


def test_a_disposition_needs_role_and_reason_and_stays_in_the_record() -> None:
    book = opened("tray")
    book.piece(1)
    for role, reason in (("", "why"), ("lead", " ")):
        decision = Decision("scrap", role, reason, moment(9))
        with pytest.raises(DispositionRefusedError, match="a role and a reason"):
            dispose_piece(book.state, book.rules, ("A", 1), decision, book.seq)
    book.decide("scrap", 1)
    assert book.status(1) == "scrapped"
    with pytest.raises(DispositionRefusedError, match="scrapped already"):
        book.decide("re-measure", 1)
    assert [f.role for f in book.facts if isinstance(f, Disposed)] == ["lead"]
    assert isinstance(book.facts[2], Graded)


def test_facts_out_of_order_are_refused() -> None:
    with pytest.raises(RecordContradictsError, match="came after"):
        fold([Voided(2, ("A", 1)), Voided(2, ("A", 1))], BOXED)
