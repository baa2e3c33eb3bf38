"""The cycle: which clampings make up one piece."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules import cycle
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.cycle import (
    Abandoned,
    ClampingCounted,
    ClampingEnded,
    CycleEnded,
    CycleOutcome,
    CycleState,
    Interrupted,
    RetryAsked,
    RetryRefused,
)
from rules.grading import decide
from rules.ruleset import Grade, RuleSet
from rules.sweep import RunOut, Sweep

RULES = RuleSet(
    "1",
    "0" * 64,
    (Grade("top", 5_000, 3, "1"), Grade("ordinary", 10_000, 3, "2")),
    "N",
    "H",
)


def clamped(tir_nm: int | None, seen_nm: int | None = None) -> ClampingEnded:
    run_out = (
        RunOut(tir_nm, tir_nm, (tir_nm,), 48)
        if tir_nm is not None
        else RunOut(None, seen_nm, invalid="short-turn")
    )
    position = PositionRunOut("IND-1", "far", Sweep((), ()), run_out)
    return ClampingEnded(Clamping("sweep", 0, 1, (position,), Loosening("stylus-lift", 0)))


def run(
    *events: cycle.CycleEvent, rules: RuleSet = RULES
) -> tuple[CycleState, list[CycleOutcome]]:
    state = CycleState()
    outcomes: list[CycleOutcome] = []
    for event in events:
        state, more = cycle.step(state, event, rules)
        outcomes.extend(more)
    return state, outcomes


def ended(outcomes: list[CycleOutcome]) -> list[tuple[str, str | None]]:
    return [
        (o.how, o.decision.bin if o.decision else None)
        for o in outcomes
        if isinstance(o, CycleEnded)
    ]


def test_the_third_good_clamping_completes_the_cycle() -> None:
    state, outcomes = run(clamped(4_000), clamped(5_000))
    assert state.is_open
    assert ended(outcomes) == []
    state, outcomes = run(clamped(4_000), clamped(5_000), clamped(3_000))
    assert state.is_settled
    assert not state.is_open
    assert ended(outcomes) == [("graded", "1")]
    assert [o.number for o in outcomes if isinstance(o, ClampingCounted)] == [1, 2, 3]


@pytest.mark.parametrize("which", [0, 1, 2])
def test_one_clamping_beyond_every_limit_ends_the_cycle_whichever_it_is(which: int) -> None:
    state, outcomes = run(*[clamped(4_000)] * which, clamped(10_100))
    assert state.is_settled
    assert ended(outcomes) == [("graded", "N")]


def test_the_next_grade_asks_on_only_for_what_it_still_needs() -> None:
    state, _ = run(clamped(4_000))
    assert cycle.needed(state, RULES) == 3
    state, outcomes = run(clamped(4_000), clamped(5_100), clamped(4_000))
    assert ended(outcomes) == [("graded", "2")]


def test_invalid_clampings_add_to_what_is_needed() -> None:
    state, _ = run(clamped(None), clamped(4_000), clamped(None))
    assert cycle.needed(state, RULES) == 5
    assert state.is_open


def test_the_third_invalid_clamping_ends_the_cycle_as_invalid() -> None:
    state, outcomes = run(*[clamped(None)] * 3)
    assert state.is_settled
    assert ended(outcomes) == [("invalid", "H")]


def test_a_lower_bound_above_all_limits_settles_without_a_result() -> None:
    _, outcomes = run(clamped(None, 10_001))
    assert ended(outcomes) == [("graded", "N")]


def test_an_interrupted_cycle_starts_again_at_its_first_clamping() -> None:
    state, outcomes = run(clamped(4_000), clamped(4_000), Interrupted("line lost"))
    assert ended(outcomes) == [("interrupted", None)]
    assert (state.number, state.kind, state.assessed) == (2, "after-interruption", ())
    _, outcomes = run(clamped(4_000), clamped(4_000), Interrupted("x"), clamped(4_000))
    assert ended(outcomes) == [("interrupted", None)]


@pytest.mark.parametrize(
    "events",
    [
        pytest.param([], id="no clamping yet"),
        pytest.param([clamped(10_100)], id="the verdict is there"),
        pytest.param([clamped(4_000), Interrupted("once")], id="interrupted before"),
    ],
)
def test_what_is_not_open_is_not_interrupted(events: list[cycle.CycleEvent]) -> None:
    before, _ = run(*events)
    after, outcomes = cycle.step(before, Interrupted("again"), RULES)
    assert (after, outcomes) == (before, ())


def test_a_retry_is_the_whole_set_once_and_only_after_a_verdict() -> None:
    ask = RetryAsked("a chip in the slot", "lead")
    state, outcomes = run(clamped(4_000), ask)
    assert isinstance(outcomes[-1], RetryRefused)
    assert len(state.assessed) == 1

    state, outcomes = run(clamped(10_100), ask)
    assert (state.number, state.kind, state.retries, state.assessed) == (2, "retry", 1, ())
    assert not state.is_settled

    state, outcomes = run(clamped(10_100), ask, *[clamped(4_000)] * 3)
    assert ended(outcomes) == [("graded", "N"), ("graded", "1")]
    state, refused = cycle.step(state, ask, RULES)
    assert isinstance(refused[0], RetryRefused)
    assert state.is_settled


def test_an_interruption_gives_no_retry_back() -> None:
    ask = RetryAsked("dirt", "lead")
    state, _ = run(clamped(10_100), ask, clamped(4_000), Interrupted("x"), clamped(10_100))
    assert (state.number, state.kind, state.retries) == (3, "after-interruption", 1)
    _, outcomes = cycle.step(state, ask, RULES)
    assert isinstance(outcomes[0], RetryRefused)


def test_a_piece_given_up_ends_its_open_cycle_and_no_settled_one_twice() -> None:
    gone = Abandoned("dropped on the floor", "lead")
    state, outcomes = run(clamped(4_000), gone)
    assert state == CycleState()
    assert ended(outcomes) == [("abandoned", None)]
    _, outcomes = run(clamped(10_100), gone)
    assert ended(outcomes) == [("graded", "N")]


EVENTS = st.lists(
    st.one_of(
        st.builds(clamped, st.sampled_from([4_000, 5_000, 5_100, 10_000, 10_100, None])),
        st.just(Interrupted("x")),
        st.just(RetryAsked("dirt", "lead")),
    ),
    max_size=25,
)


@given(EVENTS)
def test_whatever_happens_clampings_are_counted_once_and_verdicts_follow_the_rules(
    events: list[cycle.CycleEvent],
) -> None:
    state = CycleState()
    ends: list[int] = []
    for event in events:
        if state.is_settled and isinstance(event, ClampingEnded):
            continue  # the bench refuses it: a piece waits for its put-away
        before = state
        state, outcomes = cycle.step(state, event, RULES)
        for outcome in outcomes:
            match outcome:
                case ClampingCounted(number, clamping, assessed):
                    assert isinstance(event, ClampingEnded)
                    assert clamping is event.clamping
                    assert number == len(before.assessed) + 1
                    assert state.assessed == (*before.assessed, assessed)
                case CycleEnded(how, _, decision):
                    ends.append(before.number)
                    if how in ("graded", "invalid"):
                        assert decision == decide(state.assessed, RULES)
                    else:
                        assert decision is None
                case RetryRefused():
                    assert state == before
        assert state.retries <= RULES.retries
        assert state.number >= before.number
    assert len(set(ends)) == len(ends)  # a cycle ends once
