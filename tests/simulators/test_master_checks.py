"""The simulated person makes master checks by the prompt's sentence; the rules judge them."""

from dataclasses import replace

import pytest

from drivers import ascii_line
from rules.bench import DueChanged
from rules.check_at_bench import CheckRules, CheckStanding
from rules.check_due import Due
from rules.check_facts import CheckFact
from rules.facts import ClampingFact
from rules.lot import LotView
from rules.masters import (
    Master,
    StillSpan,
    run_out_limits,
    sensitivity_limits,
    static_limits,
)
from simulators.bench import Bench
from simulators.scenario import B1_FRAME, demo_bench
from simulators.truth import MasterSeated, StylusSet
from tests.simulators.bench_runs import S, facts
from tests.simulators.closed_loop import ClosedLoop, bench_rules, ruleset

CHECK = CheckRules(
    (
        run_out_limits(Master("MM-1", "solid-mandrel", 100, 100), 800),
        sensitivity_limits(Master("EM-1", "eccentric-master", 5_100, 100), 4_000),
    )
)
BLOCK = static_limits(
    Master("GB-1", "gauge-block", 0, 100, height_nm=50_000), 4_000, StillSpan(800_000, 300)
)
FASTEST_NS = 2_200_000_000
"""The simulated drive takes 2.4 s a turn; a sensitivity check accepts 120 % of this."""


class CheckedLoop(ClosedLoop):
    """A closed loop whose record is one flag: a check is due until all kinds were good."""

    def due(self, *, is_failed: bool = False) -> None:
        due = Due("due", ("no good check was made yet",))
        self._step(DueChanged(due, CheckStanding(), is_failed))

    def checks(self) -> list[CheckFact]:
        return [fact for fact in self.facts if isinstance(fact, CheckFact)]

    def run_until_fit(self, until_s: int) -> None:
        """Tell after each check what is due, as the daemon does from its record."""
        known = 0
        for second in range(until_s):
            self.run(second * S)
            if len(self.checks()) == known:
                continue
            known = len(self.checks())
            last = self.checks()[-1]
            if last.result == "failed":
                self.due(is_failed=True)
            elif self.state.check is None and last.result == "good":
                self._step(DueChanged(Due("good"), CheckStanding()))


def _loop(inch_check: int | None = None, check: CheckRules = CHECK) -> CheckedLoop:
    bench = Bench(demo_bench("b1", 5, 2, None, inch_check), 5)
    rules = bench_rules(ruleset(4, 800, 12), "index")
    (indicator,) = rules.capture.indicators
    sweep = replace(indicator.sweep, fastest_turn_ns=FASTEST_NS)
    capture = replace(rules.capture, indicators=(replace(indicator, sweep=sweep),))
    rules = replace(rules, capture=capture, check=check)
    lot = LotView("lot", "article", 2, next_piece=1)
    loop = CheckedLoop(bench, ascii_line.make(B1_FRAME), rules, lot)
    loop.due()
    return loop


def test_a_check_is_made_when_it_is_asked_and_the_bench_grades_after_it() -> None:
    loop = _loop()
    loop.run_until_fit(260)
    assert [(c.kind, c.result) for c in loop.checks()] == [
        ("run-out", "good"), ("sensitivity", "good"),
    ]  # fmt: skip
    seated = facts(loop.bench, MasterSeated)
    assert [s.master for s in seated] == ["mandrel", "eccentric", "eccentric"]
    reading = loop.checks()[1].positions[0].check.reading_nm
    assert reading == pytest.approx(1000 * sum(s.run_out_um for s in seated[1:]) / 2, abs=150)
    assert len(loop.verdicts()) == 2


def test_in_inch_the_sensitivity_fails_and_the_next_check_is_good_again() -> None:
    loop = _loop(inch_check=1)
    loop.run_until_fit(330)
    judged = [c for c in loop.checks() if c.result != "invalid"]  # so little is hardly a turn
    assert [(c.kind, c.result) for c in judged] == [
        ("run-out", "good"), ("sensitivity", "failed"),
        ("run-out", "good"), ("sensitivity", "good"),
    ]  # fmt: skip
    assert "of the certificate's 5.1 µm" in judged[1].reason
    assert any(isinstance(fact, ClampingFact) for fact in loop.facts)


def test_a_chip_in_the_taper_fails_the_run_out() -> None:
    loop = _loop()
    loop.bench.drop_chip()
    loop.run_until_fit(60)
    first = loop.checks()[0]
    assert (first.kind, first.result) == ("run-out", "failed")
    assert facts(loop.bench, MasterSeated)[0].chip_um == 2.0


def test_a_static_step_is_made_by_the_prompt_and_the_bench_grades_after_it() -> None:
    loop = _loop(check=CheckRules((*CHECK.asked, BLOCK)))
    loop.run_until_fit(300)
    assert [(c.kind, c.result) for c in loop.checks()] == [
        ("run-out", "good"), ("sensitivity", "good"), ("static-step", "good"),
    ]  # fmt: skip
    beside, on = facts(loop.bench, StylusSet)
    reading = loop.checks()[-1].positions[0].check.reading_nm
    assert reading == pytest.approx(1000 * (on.face_um - beside.face_um), abs=100)
    assert len(loop.verdicts()) == 2


def test_a_block_of_another_height_fails_the_static_step() -> None:
    wrong = static_limits(
        Master("GB-2", "gauge-block", 0, 100, height_nm=100_000), 4_000, StillSpan(800_000, 300)
    )
    loop = _loop(check=CheckRules((*CHECK.asked, wrong)))
    loop.run_until_fit(170)
    (step,) = [check for check in loop.checks() if check.kind == "static-step"]
    assert step.result == "failed"
    assert "50 % of the certificate's 100.0 µm" in step.reason
