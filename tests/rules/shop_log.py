"""One bench and the plainest store; every step is held to what must always be true."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from rules import bench
from rules.bench import BenchEvent, BenchRules, BenchState, CommandRefusedError
from rules.capture_model import CaptureRules, LineBack, LineLost
from rules.clamping import Clamping
from rules.facts import (
    AlarmFact,
    ClampingFact,
    CorrectionFact,
    CycleEndedFact,
    CycleOpenedFact,
    Fact,
    LotFact,
    PutAwayFact,
    RefusedFact,
)
from rules.grading import Assessed, decide
from rules.lot import LotView
from rules.put_away import Confirmation, PutAwayRules
from rules.ruleset import Grade, RuleSet
from rules.signals import show
from tests.rules.bench_tape import INDEX

GRADES = (Grade("top", 5_000, 3, "1", guard_band_nm=500), Grade("ordinary", 10_000, 1, "2"))
RULES = RuleSet("7", "0" * 64, GRADES, "N", "H")
LOT = LotView("W-1", "X-10", 40, 1, {"top": 4})


def bench_rules(
    *by: Confirmation, capture: CaptureRules = INDEX, grading: RuleSet = RULES
) -> BenchRules:
    """Return rules of a bench whose put-away is confirmed as named, by bins if left out."""
    return BenchRules(grading, capture, PutAwayRules(frozenset(by or ("bin",))))


@dataclass
class Shop:
    """Steps a bench, keeps its facts, counts the lot, and checks each step.

    Attributes:
        rules: What the bench goes by.
        lot: The open lot as counted from the facts.
        state: The adopted state.
        facts: All facts, in order.
        refused: Messages of refused commands.
    """

    rules: BenchRules = field(default_factory=bench_rules)
    lot: LotView | None = LOT
    state: BenchState = field(default_factory=BenchState)
    facts: list[Fact] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    _assessed: dict[tuple[int, int], list[Assessed]] = field(default_factory=dict)
    _ended: set[tuple[int, int]] = field(default_factory=set)
    _closed: set[int] = field(default_factory=set)
    _grade_of: dict[int, str | None] = field(default_factory=dict)
    _alarms: dict[str, str] = field(default_factory=dict)
    _clamped_ns: int = 0
    _forgotten_ns: int = 0

    def run(self, events: Iterable[BenchEvent]) -> "Shop":
        """Take events in their order."""
        for event in events:
            self.step(event)
        return self

    def step(self, event: BenchEvent) -> tuple[Fact, ...]:
        """Take one event; return its facts."""
        before = self.state
        try:
            state, facts = bench.step(before, event, self.rules, self.lot)
        except CommandRefusedError as error:
            self.refused.append(str(error))
            return ()
        assert bench.step(before, event, self.rules, self.lot) == (state, facts)
        self.state = state
        if isinstance(event, LineLost | LineBack) and state.lost != before.lost:
            self._forgotten_ns = event.at_ns
        for fact in facts:
            self._check(before, fact)
            self.facts.append(fact)
        self._check_state()
        return facts

    # --- what must always be true ---

    def _check(self, before: BenchState, fact: Fact) -> None:
        match fact:
            case ClampingFact():
                self._check_clamping(before, fact)
            case RefusedFact():
                if fact.clamping is not None:
                    self._check_loosening(fact.clamping)
            case CycleEndedFact():
                self._check_end(fact)
            case PutAwayFact():
                self._check_put_away(before, fact)
            case AlarmFact():
                self._check_alarm(before, fact)
            case CycleOpenedFact():
                self._uncount(fact.piece)
            case CorrectionFact():
                assert fact.what == "abandoned"
                assert fact.piece is not None
                self._uncount(fact.piece)
                self._closed.add(fact.piece)
            case LotFact():
                assert fact.what in ("order-filled", "exhausted")
            case _:
                pass

    def _check_clamping(self, before: BenchState, fact: ClampingFact) -> None:
        assert self.lot is not None, "graded without a lot"
        assert before.put_away.pending is None, "graded while a piece waits for its put-away"
        assert not before.lost, "graded while a line is lost"
        self._check_loosening(fact.clamping)
        assert fact.piece not in self._closed, "a piece number was used again"
        if fact.is_new_piece:
            assert fact.piece == self.lot.next_piece
            assert not self.lot.is_exhausted
            assert self.lot.order_state != "filled-check-due"
            self.lot = replace(self.lot, next_piece=fact.piece + 1)
        else:
            assert fact.piece == self.lot.next_piece - 1
        key = (fact.piece, fact.cycle)
        assert key not in self._ended, "a clamping was added to a cycle that has ended"
        cycles = [cycle for piece, cycle in self._assessed if piece == fact.piece]
        assert all(cycle <= fact.cycle for cycle in cycles)
        of_cycle = self._assessed.setdefault(key, [])
        of_cycle.append(fact.assessed)
        assert fact.number == len(of_cycle)

    def _check_loosening(self, clamping: Clamping) -> None:
        seen_ns = clamping.loosening.at_ns + (clamping.loosening.duration_ns or 0)
        assert seen_ns >= self._clamped_ns, "no loosening since the last clamping"
        assert clamping.loosening.at_ns >= self._forgotten_ns, "a loosening before a reconnect"
        self._clamped_ns = clamping.ended_ns

    def _check_end(self, fact: CycleEndedFact) -> None:
        key = (fact.piece, fact.cycle)
        assert key not in self._ended, "a cycle ended twice"
        self._ended.add(key)
        assessed = self._assessed.get(key, [])
        if fact.decision is None:
            assert fact.how in ("interrupted", "abandoned")
            self._grade_of.pop(fact.piece, None)
            return
        assert fact.decision == decide(assessed, self.rules.grading)
        grade = next((g for g in GRADES if g.id == fact.decision.grade), None)
        valid = [a.tir_nm for a in assessed if a.tir_nm is not None]
        if grade is not None:
            assert len(valid) >= grade.clampings, "a verdict without enough valid clampings"
            assert max(valid) <= grade.acceptance_limit_nm
        self._count(fact.piece, fact.decision.grade)

    def _check_put_away(self, before: BenchState, fact: PutAwayFact) -> None:
        if fact.piece is None or not fact.is_right:
            return
        assert fact.piece == before.piece
        assert fact.piece not in self._closed, "a piece was put away twice"
        assert fact.bin == before.put_away.pending
        self._closed.add(fact.piece)
        grade = self._grade_of.get(fact.piece)
        self._uncount(fact.piece)
        if self.lot is not None and grade is not None:
            counts = {**self.lot.put_away, grade: self.lot.put_away.get(grade, 0) + 1}
            self.lot = replace(self.lot, put_away=counts)

    def _check_alarm(self, before: BenchState, fact: AlarmFact) -> None:
        if fact.is_raised:
            is_off_shelf = before.shelves != self.state.shelves
            is_new = self._alarms.get(fact.code) != fact.text
            assert is_new or is_off_shelf, "an alarm was raised twice"
            self._alarms[fact.code] = fact.text
        else:
            is_off_shelf = before.shelves != self.state.shelves
            assert fact.code in self._alarms or is_off_shelf, "one went that did not stand"
            self._alarms.pop(fact.code, None)

    def _check_state(self) -> None:
        state = self.state
        assert dict(state.alarms) == self._alarms
        assert len(state.alarms) == len(self._alarms)
        shown = show(state, self.rules, self.lot)
        lit = {bin_id for bin_id, word in shown.lamps.items() if word == "on"}
        assert lit == ({state.put_away.pending} if state.put_away.pending else set())
        assert show(state, self.rules, self.lot, "disk full").lamps == {}
        if state.put_away.pending is not None:
            assert state.piece is not None

    # --- the store's counts ---

    def _count(self, piece: int, grade: str | None) -> None:
        self._grade_of[piece] = grade
        self._pending(grade, 1)

    def _uncount(self, piece: int) -> None:
        if piece in self._grade_of:
            self._pending(self._grade_of.pop(piece), -1)

    def _pending(self, grade: str | None, by: int) -> None:
        if self.lot is not None:
            name = grade or ""
            counts = {**self.lot.pending, name: self.lot.pending.get(name, 0) + by}
            self.lot = replace(self.lot, pending=counts)

    # --- questions of the tests ---

    def clampings(self) -> list[ClampingFact]:
        """Return the clampings that counted."""
        return [fact for fact in self.facts if isinstance(fact, ClampingFact)]

    def verdicts(self) -> list[tuple[int, str]]:
        """Return piece and bin of every verdict."""
        ends = [fact for fact in self.facts if isinstance(fact, CycleEndedFact)]
        return [(end.piece, end.decision.bin) for end in ends if end.decision is not None]

    def refusals(self) -> list[str]:
        """Return why something that looked like a clamping was none."""
        return [fact.reason for fact in self.facts if isinstance(fact, RefusedFact)]
