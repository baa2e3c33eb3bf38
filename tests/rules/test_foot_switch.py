"""The foot switch in every state of the bench: what the table says is what the bench does."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import get_args

import pytest

from rules.bench import (
    BenchRules,
    BenchState,
    CallAnswered,
    CommandRefusedError,
    foot_place,
    note_line,
    step,
    with_lines,
)
from rules.capture_model import CaptureRules, CaptureState, Edge, IndicatorRules, LineLost, Tick
from rules.check_at_bench import CheckAtWork, CheckRules
from rules.check_due import Due
from rules.clamping import Loosening
from rules.facts import AlarmFact, Fact, PutAwayFact
from rules.foot_switch import (
    CALLS,
    TABLE,
    WORDS,
    FootRules,
    Meaning,
    Place,
    Press,
    as_markdown,
    meaning,
)
from rules.line_events import SignalFault
from rules.lot import LotView
from rules.masters import Master, StillSpan, run_out_limits, static_limits
from rules.put_away import PutAwayRules, PutAwayState
from rules.ruleset import Grade, RuleSet
from rules.signals import StateWord, show
from rules.sweep import SweepRules

S = 1_000_000_000
LOT = LotView("L-1", "MR-10-MED", 10, 1, {"grade-1": 3})
GRADING = RuleSet(
    revision="1", sha256="", clampings=3, turns=2, retries=1, invalid_max=2,
    grades=(Grade("grade-1", 4_000, 3, "1", 800), Grade("grade-2", 12_000, 1, "2")),
    nonconforming_bin="N", hold_bin="H",
)  # fmt: skip
SWEEP = SweepRules("index", 2, 100, 4_000, 2 * S, 12 * S, 24)
CAPTURE = CaptureRules(
    "sweep", (IndicatorRules("I", "far", -400_000, 400_000, SWEEP),),
    settle_ns=S // 2, run_up_ns=S, moving_nm=400, turn_wait_ns=120 * S, lift_ns=S // 2,
    removal_ns=2 * S, loosening_nm=20_000, loosening_ns=400_000_000, reclamp_min_ns=8 * S,
)  # fmt: skip
RULES = BenchRules(GRADING, CAPTURE, PutAwayRules(frozenset({"bin", "foot"})))
BY_BIN = replace(RULES, put_away=PutAwayRules(frozenset({"bin"})))
MANDREL = run_out_limits(Master("MM-1", "solid-mandrel", 100, 100), 800)
BLOCK = static_limits(
    Master("GB-1", "gauge-block", 0, 100, height_nm=50_000), 4_000, StillSpan(800_000, 400)
)
WITH_CHECKS = replace(RULES, check=CheckRules((MANDREL,)))
SINGLE = replace(RULES, capture=replace(CAPTURE, mode="single-value"))

AT_REST = BenchState(seen=frozenset({"I"}))
LOOSENED = replace(AT_REST, capture=CaptureState("resting", Loosening("stylus-lift", S)))
IN_HAND = replace(AT_REST, piece=7, grade="grade-1", put_away=PutAwayState("1"))


@dataclass(frozen=True)
class Stand:
    """A bench in one of the table's states, and the word it shows there."""

    state: BenchState
    word: StateWord
    rules: BenchRules = RULES
    lot: LotView | None = LOT


STANDS: Mapping[Place, Stand] = {
    "wrong-bin": Stand(replace(IN_HAND, put_away=PutAwayState("1", "N")), "blocked"),
    "put-away": Stand(IN_HAND, "put-away"),
    "put-away-by-bin": Stand(IN_HAND, "put-away", BY_BIN),
    "blocked": Stand(replace(AT_REST, lost=(("I", "unplugged"),)), "blocked"),
    "coming-up": Stand(BenchState(), "coming-up"),
    "no-lot": Stand(AT_REST, "no-lot", lot=None),
    "check-due": Stand(
        replace(AT_REST, due=Due("due", ("a shift began",))), "master-check", WITH_CHECKS
    ),
    "static-step": Stand(
        replace(AT_REST, check=CheckAtWork("static-step", "command", "lead")),
        "master-check",
        replace(RULES, check=CheckRules((MANDREL, BLOCK))),
    ),
    "order-filled": Stand(
        AT_REST, "order-filled", lot=replace(LOT, put_away={"grade-1": 3}, next_piece=5)
    ),
    "lot-exhausted": Stand(AT_REST, "blocked", lot=replace(LOT, next_piece=11)),
    "box-held": Stand(
        AT_REST, "blocked", lot=replace(LOT, held_boxes=frozenset({"bin 1 of L-1"}))
    ),
    "single-value": Stand(AT_REST, "clamping", SINGLE),
    "turning": Stand(
        replace(
            LOOSENED, is_measuring=True, capture=replace(LOOSENED.capture, phase="sweeping")
        ),
        "clamping",
    ),
    "loosen": Stand(AT_REST, "loosen"),
    "clamp": Stand(LOOSENED, "clamping"),
}

LONGEST_SHORT_NS = RULES.foot.long_press_ns - 1
PRESS_NS: Mapping[Press, tuple[int, ...]] = {
    "short": (0, 50_000_000, LONGEST_SHORT_NS),
    "long": (RULES.foot.long_press_ns, 20 * S),
}


def pressed(
    stand: Stand, held_ns: int, at_ns: int = 100 * S
) -> tuple[BenchState, tuple[Fact, ...]]:
    """Return what a press makes of a bench."""
    down, before = step(stand.state, Edge("foot", True, at_ns), stand.rules, stand.lot)
    assert before == (), "a press means nothing until it is known how long it was"
    up, facts = step(down, Edge("foot", False, at_ns + held_ns), stand.rules, stand.lot)
    assert up.foot_down_ns is None
    return up, facts


def nothing(before: BenchState, after: BenchState, facts: tuple[Fact, ...]) -> bool:
    at_rest = replace(after, foot_down_in=before.foot_down_in, quiet=before.quiet)
    unmoved = replace(at_rest, capture=before.capture) == before
    return unmoved and facts == () and after.capture.loosening == before.capture.loosening


def loosened(before: BenchState, after: BenchState, facts: tuple[Fact, ...]) -> bool:
    said = after.capture.loosening
    return facts == () and said is not None and said.evidence == "foot-switch"


def confirmed(before: BenchState, after: BenchState, facts: tuple[Fact, ...]) -> bool:
    return (
        facts[0] == PutAwayFact(7, 1, "1", "1", "foot")
        and after.put_away == PutAwayState()
        and after.piece is None
    )


def check_begun(before: BenchState, after: BenchState, facts: tuple[Fact, ...]) -> bool:
    return facts == () and after.check is not None and after.check.by == "foot-switch"


def face_announced(before: BenchState, after: BenchState, facts: tuple[Fact, ...]) -> bool:
    return facts == () and after.check is not None and after.check.face.is_reading


def helped(before: BenchState, after: BenchState, facts: tuple[Fact, ...]) -> bool:
    return [fact.code for fact in facts if isinstance(fact, AlarmFact)] == ["help-called"]


def looked_at(before: BenchState, after: BenchState, facts: tuple[Fact, ...]) -> bool:
    (fact,) = facts
    assert isinstance(fact, AlarmFact)
    return fact.code == "attention-asked" and fact.text.startswith("look at piece 7 ")


Check = Callable[[BenchState, BenchState, tuple[Fact, ...]], bool]
SEEN_AS: Mapping[Meaning, Check] = {
    "nothing": nothing,
    "loosened": loosened,
    "confirm": confirmed,
    "begin-check": check_begun,
    "read-face": face_announced,
    "call-help": helped,
    "ask-attention": looked_at,
}

WALK = [
    (place, press, held_ns)
    for place in STANDS
    for press, spans in PRESS_NS.items()
    for held_ns in spans
]


def test_the_table_has_a_row_for_every_state_and_a_word_for_every_meaning() -> None:
    assert set(TABLE) == set(get_args(Place))
    assert set(WORDS) == set(get_args(Meaning)) == set(SEEN_AS)
    assert set(STANDS) == set(TABLE) - {"fault"}  # there no step is taken at all
    assert TABLE["fault"].short == TABLE["fault"].long == "nothing"


@pytest.mark.parametrize("place", STANDS)
def test_the_state_is_found_and_is_the_one_the_bench_shows(place: Place) -> None:
    stand = STANDS[place]
    assert foot_place(stand.state, stand.rules, stand.lot) == place
    word = show(stand.state, stand.rules, stand.lot).word
    assert word == stand.word
    assert f"`{word}`" in TABLE[place].state or place == "single-value"


@pytest.mark.parametrize(("place", "press", "held_ns"), WALK)
def test_every_press_in_every_state_does_what_the_table_says(
    place: Place, press: Press, held_ns: int
) -> None:
    stand, row = STANDS[place], TABLE[place]
    expected = row.short if press == "short" else row.long
    after, facts = pressed(stand, held_ns)
    assert SEEN_AS[expected](stand.state, after, facts)
    assert expected == "nothing" or not nothing(stand.state, after, facts)


@pytest.mark.parametrize("pressed_in", TABLE)
@pytest.mark.parametrize("let_go_in", TABLE)
def test_a_short_press_means_the_same_at_both_ends_or_nothing(
    pressed_in: Place, let_go_in: Place
) -> None:
    found = meaning(pressed_in, let_go_in, "short")
    assert found in (TABLE[pressed_in].short, "nothing")
    assert found in (TABLE[let_go_in].short, "nothing")
    assert meaning(pressed_in, let_go_in, "long") == TABLE[pressed_in].long


def test_a_verdict_that_comes_while_the_foot_is_down_is_not_confirmed_by_letting_go() -> None:
    down, _ = step(LOOSENED, Edge("foot", True, S), RULES, LOT)
    graded = replace(down, piece=7, put_away=PutAwayState("1"))
    after, facts = step(graded, Edge("foot", False, 2 * S), RULES, LOT)
    assert facts == ()
    assert after.put_away == PutAwayState("1")


def test_a_release_without_a_press_means_nothing() -> None:
    for place, stand in STANDS.items():
        after, facts = step(stand.state, Edge("foot", False, S), stand.rules, stand.lot)
        assert (replace(after, quiet=None), facts) == (stand.state, ()), place


@pytest.mark.parametrize("place", [place for place in STANDS if TABLE[place].long != "nothing"])
def test_a_second_long_press_takes_the_call_back_wherever_the_bench_is_then(
    place: Place,
) -> None:
    called, _ = pressed(STANDS["loosen"], 2 * S)
    assert dict(called.alarms).keys() == {"help-called"}
    stand = STANDS[place]
    moved = replace(stand.state, alarms=called.alarms)
    after, facts = pressed(replace(stand, state=moved), 2 * S)
    assert facts == (AlarmFact("help-called", False, "taken back"),)
    assert not any(code in CALLS for code, _ in after.alarms)


def test_an_answer_ends_the_call_and_names_who_came() -> None:
    called, _ = pressed(STANDS["put-away"], 2 * S)
    after, facts = step(called, CallAnswered("lead"), RULES, LOT)
    assert facts == (AlarmFact("attention-asked", False, "answered by lead"),)
    assert after.alarms == ()
    with pytest.raises(CommandRefusedError, match="nobody has called"):
        step(after, CallAnswered("lead"), RULES, LOT)


def test_a_call_outlives_the_put_away_of_its_piece() -> None:
    called, _ = pressed(STANDS["put-away"], 2 * S)
    after, facts = pressed(replace(STANDS["put-away"], state=called), S // 4)
    assert confirmed(called, after, facts)
    assert dict(after.alarms).keys() == {"attention-asked"}


def test_the_long_press_is_settable_and_its_limit_belongs_to_it() -> None:
    rules = FootRules(long_press_ns=3 * S)
    assert [rules.press(held) for held in (3 * S - 1, 3 * S)] == ["short", "long"]


def test_a_doubted_foot_switch_is_an_alarm_and_its_release_no_press() -> None:
    down, _ = step(IN_HAND, Edge("foot", True, S), RULES, LOT)
    fault = SignalFault("foot", "cts of line usb1: on for too long", 31 * S)
    doubted, facts = step(down, fault, RULES, LOT)
    assert facts == (AlarmFact("signal-fault", True, f"foot: {fault.text}"),)
    after, facts = step(doubted, Edge("foot", False, 40 * S), RULES, LOT)
    assert facts == ()
    assert after.put_away == PutAwayState("1")
    well, facts = step(after, SignalFault("foot", "", 41 * S), RULES, LOT)
    assert facts == ()
    assert well.signal_faults == ()
    well, _ = step(well, Tick(41 * S), RULES, LOT)
    _, facts = step(well, Tick(46 * S), RULES, LOT)
    assert facts == (AlarmFact("signal-fault", False, ""),)


def test_two_doubted_signals_are_one_alarm_that_names_both() -> None:
    state, _ = step(AT_REST, SignalFault("foot", "held", S), RULES, LOT)
    state, _ = step(state, SignalFault("index", "gone", S), RULES, LOT)
    assert dict(state.alarms)["signal-fault"] == "foot: held; index: gone"
    state, facts = step(state, SignalFault("foot", "", 2 * S), RULES, LOT)
    assert facts == (AlarmFact("signal-fault", True, "index: gone"),)


def test_doubts_and_calls_outlive_store_trouble() -> None:
    called, _ = pressed(STANDS["loosen"], 2 * S)
    before = note_line(called, SignalFault("index", "flickers", S))
    fresh = with_lines(BenchState(), before, is_new_lot=False)
    assert dict(fresh.alarms) == {
        "help-called": "the operator calls for help",
        "signal-fault": "index: flickers",
    }


def test_a_line_that_is_lost_for_a_better_known_reason_says_so() -> None:
    gone, _ = step(AT_REST, LineLost("I", S, "unplugged"), RULES, LOT)
    after, facts = step(gone, LineLost("I", 2 * S, "looks like 7E1 read as 8N1"), RULES, LOT)
    assert facts == (AlarmFact("indicator-lost", True, "I: looks like 7E1 read as 8N1"),)
    assert after.lost == (("I", "looks like 7E1 read as 8N1"),)


def test_the_markdown_has_one_line_a_state_in_the_words_of_the_table() -> None:
    lines = as_markdown().splitlines()
    assert len(lines) == 2 + len(TABLE)
    for line, row in zip(lines[2:], TABLE.values(), strict=True):
        assert line.startswith(f"| {row.state} | {WORDS[row.short]}")
        assert line.endswith(f" | {WORDS[row.long]} |")
