"""Between two clampings a loosening must be seen, and what only looks like one is none."""

from dataclasses import replace

import pytest

from rules.capture_model import (
    LineBack,
    LineLost,
    Removed,
    Seen,
    Signal,
)
from rules.grading import assess
from rules.reading import Reading
from rules.ruleset import Evidence, Grade, RuleSet
from rules.sweep import Proof
from tests.rules.bench_tape import (
    BY_PROOF,
    CONTACT,
    INDEX,
    NEAR_UM,
    S,
    captured,
    clampings,
    loosenings,
    one,
    tape,
)

OVER_RANGE = Reading(None, flags=frozenset({"over-range"}))


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_a_pin_that_was_clamped_before_the_start_counts_for_nothing(proof: Proof) -> None:
    assert clampings(tape(proof).rest(2).turn(8).rest(2).turn(8).events, BY_PROOF[proof]) == []


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_the_same_tightening_is_never_read_twice(proof: Proof) -> None:
    written = tape(proof).honest(4.0, 6).rest(20).turn(6).rest(20).turn(6)
    assert len(clampings(written.events, BY_PROOF[proof])) == 1


def test_a_stylus_off_for_a_moment_is_no_lift() -> None:
    written = tape().honest(4.0).lift(0.4).rest(1).turn(3.4)
    assert len(clampings(written.events, INDEX)) == 1


def rules_asking(evidence: Evidence) -> RuleSet:
    grade = Grade("top", 5_000, 3, "1", loosening=evidence)
    return RuleSet("1", "0" * 64, (grade,), "N", "H")


def test_a_lifted_stylus_says_no_more_than_that() -> None:
    """The nut was not opened: only the rule file can refuse what the bench can't see."""
    written = tape().honest(4.0).lift(3).rest(2).turn(3.4)
    found = clampings(written.events, INDEX)
    assert [c.loosening.evidence for c in found] == ["stylus-lift"] * 2
    assert assess(found[1], rules_asking("stylus-lift")).result == "within"
    assert assess(found[1], rules_asking("pin-jump")).invalid == "loosening-unproved"


@pytest.mark.parametrize("away_um", [-300, -30, 30, 300])
@pytest.mark.parametrize("proof", ["index", "speed"])
def test_a_pin_that_springs_aside_shows_an_opened_nut(proof: Proof, away_um: float) -> None:
    written = tape(proof).honest(4.0, 6).rest(2).spring(away_um)
    assert loosenings(written.events, BY_PROOF[proof])[-1] == "pin-jump"
    written.lift(10).clamp(3.0).rest(1.5).turn(6)
    found = clampings(written.events, BY_PROOF[proof])
    assert [c.loosening.evidence for c in found] == ["stylus-lift", "pin-jump"]
    assert [c.invalid for c in found] == [None, None]
    size_nm = found[1].loosening.size_nm
    assert size_nm is not None
    assert abs(size_nm / 1000 - abs(away_um)) < 5


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_a_collet_re_clamped_with_the_stylus_on_the_pin_is_read_once(proof: Proof) -> None:
    written = tape(proof).honest(4.0, 6).rest(2).spring(80, 3).move(3.0, 4).rest(1)
    written.spring(-60, 2).clamp(6.0).rest(4).turn(8)
    found = clampings(written.events, BY_PROOF[proof])
    assert [c.invalid for c in found] == [None, None]
    assert [c.loosening.evidence for c in found] == ["stylus-lift", "pin-jump"]
    assert found[1].tir_nm is not None
    assert abs(found[1].tir_nm / 1000 - 6.0) < NEAR_UM


def test_a_pin_knocked_for_a_moment_or_by_a_little_was_not_loosened() -> None:
    written = tape().honest(4.0).rest(2).spring(80, 0.3).rest(2).spring(15, 3).rest(2)
    assert loosenings(written.events, INDEX) == ["stylus-lift"]


def test_a_stylus_lifted_slowly_is_no_jump_of_the_pin() -> None:
    written = tape().honest(4.0).rest(1).move(350.0, 2.0)
    assert loosenings(written.events, INDEX) == ["stylus-lift"]


def test_zeroing_the_indicator_is_no_jump_of_the_pin() -> None:
    written = replace(tape(base_um=120.0), noise_um=0.0).honest(4.0).rest(2)
    at_rest = written.events[-1]
    assert isinstance(at_rest, Seen)
    assert at_rest.reading.value_nm is not None
    written.base_um -= at_rest.reading.value_nm / 1000
    written.rest(3).turn(6)
    assert loosenings(written.events, INDEX) == ["stylus-lift"]
    assert len(clampings(written.events, INDEX)) == 1
    # The pin is still watched: an opened nut is seen from the new zero.
    written.rest(1).spring(40, 2)
    assert loosenings(written.events, INDEX)[-1] == "pin-jump"


def test_a_preset_that_the_indicator_tells_is_no_jump_of_the_pin() -> None:
    written = tape().honest(4.0).rest(2)
    written.flags, written.base_um = frozenset({"offset-set"}), 250.0
    written.rest(3).turn(6)
    assert loosenings(written.events, INDEX) == ["stylus-lift"]
    written.spring(-40, 2)
    assert loosenings(written.events, INDEX)[-1] == "pin-jump"


@pytest.mark.parametrize("signal", ["foot", "torque"])
def test_foot_switch_and_torque_tool_say_that_the_nut_was_opened(signal: Signal) -> None:
    written = tape().honest(4.0).rest(8).edge(signal).rest(3).clamp(3.0).turn(3.4)
    found = clampings(written.events, INDEX)
    said = {"foot": "foot-switch", "torque": "torque-pulse"}[signal]
    assert [c.loosening.evidence for c in found] == ["stylus-lift", said]


@pytest.mark.parametrize("proof", ["index", "speed"])
@pytest.mark.parametrize("signal", ["foot", "torque"])
def test_nobody_opens_a_nut_on_a_turning_spindle(proof: Proof, signal: Signal) -> None:
    """The foot switch is pressed too early, the spindle turns on: the same tightening."""
    for later in (0.2, 1.0, 2.3, 4.0):
        written = tape(proof).reclamp(4.0).turn(6 + later, stop=False)
        written.edge(signal).turn(9)
        assert len(clampings(written.events, BY_PROOF[proof])) == 1


def test_a_stylus_lifted_while_the_spindle_turns_on_is_the_same_tightening() -> None:
    written = tape().reclamp(4.0).turn(4, stop=False)
    lifted_from = len(written.events)
    written.turn(2, stop=False)
    written.events = [
        replace(e, reading=OVER_RANGE) if isinstance(e, Seen) and i >= lifted_from else e
        for i, e in enumerate(written.events)
    ]
    written.turn(8)
    assert len(clampings(written.events, INDEX)) == 1
    written.honest(5.0)  # and a true loosening counts again
    assert len(clampings(written.events, INDEX)) == 2


def test_a_spindle_that_ran_before_the_run_contacts_loosening_is_refused() -> None:
    written = tape("speed").reclamp(4.0).edge("run").turn(6, stop=False).edge("foot").turn(8)
    assert len(clampings(written.events, CONTACT)) == 1


@pytest.mark.parametrize("proof", ["index", "speed"])
@pytest.mark.parametrize(
    "moment",
    ["start", "resting", "turning", "standing", "lifted", "set again", "ready"],
)
def test_a_press_of_the_foot_switch_at_any_moment_spoils_no_honest_clamping(
    proof: Proof, moment: str
) -> None:
    written = tape(proof)

    def at(name: str) -> None:
        if name == moment:
            written.edge("foot").edge("foot", is_on=False)

    at("start")
    for tir_um in (3.0, 6.0):
        written.lift(7)
        at("lifted")
        written.lift(7).clamp(tir_um)
        at("set again")
        written.rest(1.0)
        at("resting")
        written.rest(1.5)
        at("ready")
        written.rest(1.3).turn(3.1, stop=False)
        at("turning")
        written.turn(3.0).rest(1)
        at("standing")
        written.rest(3)
    found = clampings(written.events, BY_PROOF[proof])
    assert [c.invalid for c in found] == [None, None]
    assert [round(c.tir_nm / 1000) for c in found if c.tir_nm] == [3, 6]


def test_a_lost_line_takes_back_what_was_seen_and_what_was_swept() -> None:
    written = tape().reclamp(4.0).turn(1.5, stop=False)
    written.events.append(LineLost("IND-1", written.now_ns, "unplugged"))
    written.events.append(LineBack("IND-1", written.now_ns + S))
    written.pause(1).turn(6).rest(3).turn(6)
    assert clampings(written.events, INDEX) == []
    written.honest(5.0)
    assert len(clampings(written.events, INDEX)) == 1


def test_a_press_while_the_line_is_lost_shows_nothing_after_it_is_back() -> None:
    written = tape().honest(4.0)
    written.events.append(LineLost("IND-1", written.now_ns, "unplugged"))
    written.pause(5).edge("foot").pause(5)
    written.events.append(LineBack("IND-1", written.now_ns))
    written.rest(2).turn(4)
    assert len(clampings(written.events, INDEX)) == 1


@pytest.mark.parametrize("proof", ["index", "speed"])
@pytest.mark.parametrize("signal", ["foot", "torque"])
def test_a_press_in_the_sweep_makes_its_loosening_no_better(
    proof: Proof, signal: Signal
) -> None:
    written = tape(proof).reclamp(4.0).turn(1.4, stop=False).edge(signal).turn(5)
    assert one(written, BY_PROOF[proof]).loosening.evidence == "stylus-lift"


def test_a_removal_is_told_once_for_as_long_as_the_stylus_is_off() -> None:
    written = tape().lift(9).rest(1).lift(1.9).rest(1).lift(3)
    _, outcomes = captured(written.events, INDEX)
    assert sum(isinstance(outcome, Removed) for outcome in outcomes) == 2


def test_a_spindle_turning_under_a_lifted_stylus_is_no_clamping() -> None:
    written = tape().reclamp(4.0).turn(1.2)
    at_ns = written.now_ns
    written.base_um = 600.0  # out of the window, and no flag says so
    written.rest(16).turn(4).rest(2)
    found = clampings(written.events, INDEX)
    assert [c.invalid for c in found] == ["stylus-off"]
    assert found[0].ended_ns < at_ns + S


def test_the_turns_count_only_after_stylus_and_pin_have_settled() -> None:
    for early in (0.02, 0.1, 0.18):
        written = tape().lift(14).clamp(4.0)
        set_ns = written.now_ns
        written.turns = written.index_at - early
        clamping = one(written.turn(4.5), INDEX)
        assert clamping.invalid is None
        assert clamping.positions[0].sweep.index_ns[0] >= set_ns + INDEX.settle_ns
