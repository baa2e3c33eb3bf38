"""Index and foot switch as wired contacts: edges by the spindle's own motion."""

from dataclasses import replace
from itertools import pairwise

import pytest

from drivers import ascii_line
from rules.bench import BenchRules, step
from rules.capture_model import Edge
from rules.facts import PutAwayFact
from rules.lot import LotView
from rules.put_away import PutAwayRules
from rules.reading import Reading
from simulators.ascii_line import AsciiLineEncoder
from simulators.bench import Bench, BenchKind, Sent, Streaming, Switched
from simulators.contacts import IndexFlag
from simulators.scenario import B1_FRAME, LOT_A, demo_bench
from simulators.spindle import Drive, Spindle
from simulators.truth import SpindleSwitched
from tests.simulators.bench_runs import MS, S, facts
from tests.simulators.closed_loop import ClosedLoop, bench_rules, ruleset


def wired(seed: int, pieces: int) -> BenchKind:
    return replace(demo_bench("b1", seed, pieces), has_flags=False, has_contacts=True)


def edges_until(spindle: Spindle, until_ns: int, flag: IndexFlag) -> list[tuple[int, bool]]:
    found = []
    now = 0
    while (at := flag.next_ns(spindle, now)) is not None and at <= until_ns:
        found.append((at, flag.pass_edge()))
        now = at
    return found


@pytest.mark.parametrize("ripple", [0.0, 0.03, 0.2])
def test_the_flag_is_on_for_its_width_once_a_turn(ripple: float) -> None:
    drive = Drive(period_s=2.4, run_up_s=0.6, ripple=ripple)
    spindle = Spindle(drive, 0.37).switched_on(S)
    found = edges_until(spindle, 20 * S, IndexFlag(0.37, 0.04))
    assert [is_on for _, is_on in found] == [n % 2 == 0 for n in range(len(found))]
    turns = [spindle.turns_at(at) for at, _ in found]
    for number, made in enumerate(turns):
        expected = 0.37 + number // 2 + (0.04 if number % 2 else 0.0)
        assert made == pytest.approx(expected, abs=1e-6)
    ons = [at for at, is_on in found if is_on]
    assert all(later - earlier == pytest.approx(2.4 * S, rel=1e-6)
               for earlier, later in pairwise(ons[1:]))  # fmt: skip
    assert len(ons) in (7, 8)


def test_a_spindle_at_rest_moves_no_flag() -> None:
    spindle = Spindle(Drive(), 0.0)
    assert IndexFlag(0.37, 0.04).next_ns(spindle, 0) is None
    stopped = spindle.switched_on(0).switched_off(S)
    flag = IndexFlag(0.9, 0.04)
    assert flag.next_ns(stopped, 5 * S) is None


def test_a_flag_that_rests_on_its_sensor_is_on_from_the_start_and_goes_off_first() -> None:
    spindle = Spindle(Drive(run_up_s=0.0), 0.0).switched_on(0)
    flag = IndexFlag(0.0, 0.1)
    assert flag.next_ns(spindle, 0) == pytest.approx(0.24 * S, abs=2)
    assert flag.is_on
    assert flag.pass_edge() is False


def test_a_stop_on_the_flag_keeps_it_on_until_the_spindle_turns_again() -> None:
    spindle = Spindle(Drive(period_s=2.0, run_up_s=0.0, run_down_s=0.0), 0.5).switched_on(0)
    flag = IndexFlag(0.5, 0.1)
    on_ns = flag.next_ns(spindle, 0)
    assert on_ns is not None
    flag.pass_edge()
    stopped = spindle.switched_off(on_ns + 50 * MS)
    assert flag.next_ns(stopped, on_ns + 50 * MS) is None
    again = stopped.switched_on(10 * S)
    assert flag.next_ns(again, 10 * S) == pytest.approx(10 * S + 150 * MS, abs=2)
    assert flag.is_on


def test_a_wired_bench_sends_no_flags_and_the_same_readings() -> None:
    plain = Bench(demo_bench("b1", 5, 2), 5, LOT_A.limits)
    contacts = Bench(wired(5, 2), 5, LOT_A.limits)
    seen = []
    for bench in (plain, contacts):
        driver = ascii_line.make(B1_FRAME)
        sent = [e for e in bench.advance(120 * S) if isinstance(e, Sent)]
        results = [result for e in sent for result in driver.feed(e.data)]
        seen.append([result for result in results if isinstance(result, Reading)])
    assert [r.value_nm for r in seen[0]] == [r.value_nm for r in seen[1]]
    assert any(r.flags & {"index", "foot"} for r in seen[0])
    assert not any(r.flags & {"index", "foot"} for r in seen[1])


def test_contacts_switch_in_step_with_what_really_happens() -> None:
    bench = Bench(wired(5, 2), 5, LOT_A.limits)
    switched = [e for e in bench.advance(120 * S) if isinstance(e, Switched)]
    index = [e for e in switched if e.contact == "index"]
    foot = [e for e in switched if e.contact == "foot"]
    for one in (index, foot):
        assert [e.is_on for e in one] == [n % 2 == 0 for n in range(len(one))]
        assert [e.at_ns for e in one] == sorted(e.at_ns for e in one)
    runs = facts(bench, SpindleSwitched)
    started = [fact.at_ns for fact in runs if fact.is_on]
    assert index
    assert index[0].at_ns > started[0]
    presses = [
        (up.at_ns - down.at_ns) / S for down, up in zip(foot[::2], foot[1::2], strict=True)
    ]
    assert presses
    assert all(0.2 <= held <= 0.55 for held in presses)


def test_the_same_seed_switches_at_the_same_times_however_time_is_cut() -> None:
    whole = Bench(wired(7, 2), 7, LOT_A.limits).advance(90 * S)
    bench = Bench(wired(7, 2), 7, LOT_A.limits)
    parts = [e for at in range(1, 91) for e in bench.advance(at * S)]
    assert [e for e in whole if isinstance(e, Switched)] == [
        e for e in parts if isinstance(e, Switched)
    ]


class Debounced(ClosedLoop):
    """A closed loop that hears an edge only after its steady time, as the daemon does."""

    late_ns = 30 * MS

    def run(self, until_ns: int) -> None:
        self.waiting: list[tuple[int, Edge]] = []
        super().run(until_ns)

    def _step(self, event):  # type: ignore[no-untyped-def]
        if isinstance(event, Edge):
            self.waiting.append((event.at_ns + self.late_ns, event))
            return
        now = getattr(event, "at_ns", 0)
        while self.waiting and self.waiting[0][0] <= now:
            super()._step(self.waiting.pop(0)[1])
        super()._step(event)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("rate_hz", [20, 100])
def test_edges_that_come_late_by_the_steady_time_give_the_same_verdicts(
    seed: int, rate_hz: int
) -> None:
    verdicts = []
    for loop_kind in (ClosedLoop, Debounced):
        kind = wired(seed, 3)
        kind = replace(
            kind,
            sends=Streaming(AsciiLineEncoder(B1_FRAME), rate_hz),
            wire=replace(kind.wire, baud=115200),
        )
        rules = bench_rules(ruleset(4, 800, 12), "index")
        lot = LotView("lot", "article", 3, next_piece=1)
        loop = loop_kind(Bench(kind, seed), ascii_line.make(B1_FRAME), rules, lot)
        loop.run(600 * S)
        assert len(loop.verdicts()) == 3
        clampings = [c for found in loop.clampings().values() for c in found]
        assert all(c.assessed.result != "invalid" for c in clampings)
        assert all(c.clamping.loosening.evidence == "foot-switch" for c in clampings)
        verdicts.append(
            {piece: fact.decision.grade for piece, fact in loop.verdicts().items()}  # type: ignore[union-attr]
        )
    assert verdicts[0] == verdicts[1]


def test_the_foot_alone_confirms_where_the_bench_file_says_so() -> None:
    rules = bench_rules(ruleset(4, 800, 12), "index")
    by_foot = BenchRules(rules.grading, rules.capture, PutAwayRules(frozenset({"foot"})))
    lot = LotView("lot", "article", 3, next_piece=1)
    loop = ClosedLoop(Bench(wired(1, 1), 1), ascii_line.make(B1_FRAME), by_foot, lot)
    loop.run(40 * S)
    while loop.state.put_away.pending is None:
        loop.run(loop.now_ns + 5 * S)
    state, _ = step(loop.state, Edge("foot", True, loop.now_ns), by_foot, lot)
    state, facts_made = step(state, Edge("foot", False, loop.now_ns + S // 4), by_foot, lot)
    assert state.put_away.pending is None
    assert isinstance(facts_made[0], PutAwayFact)
