"""A simulated bench, the real driver and the real rules in one process, without a daemon.

What the daemon does between them is done here in the plainest way: readings are stamped when
their last byte came, facts are counted, prompt and lamps are shown again every five seconds.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from drivers import Driver
from rules import bench as bench_step
from rules.bench import BenchRules, BenchState
from rules.capture_model import CaptureRules, Edge, IndicatorRules, Seen, Tick
from rules.facts import ClampingFact, CycleEndedFact, Fact, PutAwayFact, RefusedFact
from rules.lot import LotView
from rules.put_away import PutAwayRules
from rules.reading import Reading
from rules.ruleset import Grade, RuleSet
from rules.run_out import Proof, SweepRules
from rules.signals import Signals, show
from simulators.bench import Bench, Placed, Sent, Switched

NS = 1_000_000_000


def ruleset(top_um: int, guard_nm: int, ordinary_um: int) -> RuleSet:
    grades = (
        Grade("grade-1", top_um * 1000, clampings=3, bin="1", guard_band_nm=guard_nm),
        Grade("grade-2", ordinary_um * 1000, clampings=1, bin="2"),
    )
    return RuleSet("1", "0" * 64, grades, nonconforming_bin="N", hold_bin="H")


def bench_rules(grading: RuleSet, proof: Proof) -> BenchRules:
    sweep = SweepRules(
        proof=proof,
        turns=grading.turns,
        step_nm=100,
        top_limit_nm=grading.top_limit_nm,
        fastest_turn_ns=2 * NS,
        slowest_turn_ns=4 * NS,
        samples_min=24,
        turn_ns=2_400_000_000,
    )
    capture = CaptureRules(
        mode="sweep",
        indicators=(IndicatorRules("IND-21", "far", -400_000, 400_000, sweep),),
        settle_ns=NS // 2,
        run_up_ns=NS,
        moving_nm=300,
        turn_wait_ns=30 * NS,
        lift_ns=NS,
        removal_ns=4 * NS,
        loosening_nm=20_000,
        loosening_ns=NS // 2,
        reclamp_min_ns=8 * NS,
    )
    return BenchRules(grading, capture, PutAwayRules(frozenset({"bin"})))


@dataclass
class ClosedLoop:
    """One bench and its service-to-be."""

    bench: Bench
    driver: Driver
    rules: BenchRules
    lot: LotView
    state: BenchState = field(default_factory=BenchState)
    facts: list[Fact] = field(default_factory=list)
    signals: Signals | None = None
    frames: int = 0
    bad_frames: int = 0
    flags: frozenset[str] = frozenset()
    shown_ns: int = 0
    now_ns: int = 0

    def run(self, until_ns: int) -> None:
        while (next_ns := self._next_ns()) <= until_ns:
            for emission in self.bench.advance(next_ns):
                match emission:
                    case Sent():
                        self._hear(emission)
                    case Placed():
                        self._step(bench_step.Placed(emission.bin))
                    case Switched(at_ns, contact, is_on):
                        self._step(Edge(contact, is_on, at_ns))
            self.now_ns = next_ns
            self._show(next_ns)

    def verdicts(self) -> dict[int, CycleEndedFact]:
        ended = (fact for fact in self.facts if isinstance(fact, CycleEndedFact))
        return {fact.piece: fact for fact in ended if fact.decision is not None}

    def clampings(self) -> dict[int, list[ClampingFact]]:
        found: dict[int, list[ClampingFact]] = {}
        for fact in self.facts:
            if isinstance(fact, ClampingFact):
                found.setdefault(fact.piece, []).append(fact)
        return found

    def refused(self) -> list[RefusedFact]:
        return [fact for fact in self.facts if isinstance(fact, RefusedFact)]

    def put_aways(self) -> list[PutAwayFact]:
        return [fact for fact in self.facts if isinstance(fact, PutAwayFact)]

    def _next_ns(self) -> int:
        if (request := self.driver.next_request()) is not None:
            self.bench.received(request, self.now_ns)
        next_ns = self.bench.next_ns
        assert next_ns is not None
        return next_ns

    def _hear(self, sent: Sent) -> None:
        for result in self.driver.feed(sent.data):
            self.frames += 1
            if isinstance(result, Reading):
                self._edges(result, sent.at_ns)
                self._step(Seen("IND-21", result, sent.at_ns))
            else:
                self.bad_frames += 1
        self._step(Tick(sent.at_ns))

    def _edges(self, reading: Reading, at_ns: int) -> None:
        flags = reading.flags
        if "index" in flags:
            self._step(Edge("index", True, at_ns))
        if ("foot" in flags) != ("foot" in self.flags):
            self._step(Edge("foot", "foot" in flags, at_ns))
        self.flags = flags

    def _step(self, event: bench_step.BenchEvent) -> None:
        self.state, facts = bench_step.step(self.state, event, self.rules, self.lot)
        self.facts.extend(facts)
        for fact in facts:
            self._count(fact)

    def _count(self, fact: Fact) -> None:
        if isinstance(fact, ClampingFact) and fact.is_new_piece:
            self.lot = replace(self.lot, next_piece=fact.piece + 1)
        if isinstance(fact, PutAwayFact) and fact.is_right:
            grade = {"1": "grade-1", "2": "grade-2"}.get(fact.bin)
            if grade is not None:
                counts = dict(self.lot.put_away)
                counts[grade] = counts.get(grade, 0) + 1
                self.lot = replace(self.lot, put_away=counts)

    def _show(self, at_ns: int) -> None:
        signals = show(self.state, self.rules, self.lot)
        before, self.signals = self.signals, signals
        if before is None or signals.text != before.text:
            self.bench.show_prompt(signals.prompt, at_ns, None, signals.text)
        if before is None or signals.lamps != before.lamps or at_ns - self.shown_ns > 5 * NS:
            self._show_lamps(signals.lamps, at_ns)
            self.shown_ns = at_ns

    def _show_lamps(self, lamps: Mapping[str, str], at_ns: int) -> None:
        for bin_id in ("1", "2", "H", "N"):
            match lamps.get(bin_id, "off"):
                case "on":
                    self.bench.show_lamp(bin_id, "on", at_ns)
                case "fast":
                    self.bench.show_lamp(bin_id, "fast", at_ns)
                case _:
                    self.bench.show_lamp(bin_id, "off", at_ns)
