"""Put-away: a piece is a piece until it lies in its bin."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules import put_away
from rules.put_away import (
    Confirmation,
    FootPressed,
    Graded,
    NothingPending,
    PieceClosed,
    Placed,
    PutAwayEvent,
    PutAwayOutcome,
    PutAwayRules,
    PutAwayState,
    Removed,
    Voided,
    WrongBin,
)

FOOT = FootPressed(300_000_000)


def by(*confirmations: Confirmation) -> PutAwayRules:
    return PutAwayRules(frozenset(confirmations))


def run(
    rules: PutAwayRules, *events: PutAwayEvent
) -> tuple[PutAwayState, list[PutAwayOutcome]]:
    state = PutAwayState()
    outcomes: list[PutAwayOutcome] = []
    for event in events:
        state, more = put_away.step(state, event, rules)
        outcomes.extend(more)
    return state, outcomes


@pytest.mark.parametrize(
    ("confirmation", "event"), [("bin", Placed("2")), ("foot", FOOT), ("removal", Removed())]
)
def test_each_confirmation_closes_the_piece_where_the_bench_file_names_it(
    confirmation: Confirmation, event: PutAwayEvent
) -> None:
    state, outcomes = run(by(confirmation), Graded("2"), event)
    assert outcomes == [PieceClosed("2", confirmation)]
    assert state == PutAwayState()


@pytest.mark.parametrize("event", [Placed("2"), FOOT, Removed()])
def test_no_confirmation_counts_that_the_bench_file_does_not_name(event: PutAwayEvent) -> None:
    names: dict[type, Confirmation] = {Placed: "bin", FootPressed: "foot", Removed: "removal"}
    others = frozenset(names.values()) - {names[type(event)]}
    state, outcomes = run(PutAwayRules(others), Graded("2"), event)
    assert outcomes == []
    assert state.pending == "2"


def test_a_wrong_bin_locks_until_the_right_one_sees_the_piece() -> None:
    rules = by("bin", "foot", "removal")
    state, outcomes = run(rules, Graded("1"), Placed("2"))
    assert outcomes == [WrongBin("2", "1")]
    assert state == PutAwayState("1", "2")
    for event in (FOOT, Removed()):
        same, nothing = put_away.step(state, event, rules)
        assert (same, nothing) == (state, ())
    state, outcomes = run(rules, Graded("1"), Placed("2"), Placed("N"), Placed("1"))
    assert outcomes == [WrongBin("2", "1"), WrongBin("N", "1"), PieceClosed("1", "bin")]
    assert state == PutAwayState()


def test_a_bins_sensor_is_a_witness_where_only_the_foot_confirms() -> None:
    state, outcomes = run(by("foot"), Graded("1"), Placed("2"), FOOT, Placed("1"))
    assert outcomes == [WrongBin("2", "1")]
    assert state == PutAwayState("1", None)
    _, outcomes = run(by("foot"), Graded("1"), Placed("2"), Placed("1"), FOOT)
    assert outcomes[-1] == PieceClosed("1", "foot")


def test_a_bin_confirmed_for_nothing_is_harmless() -> None:
    state, outcomes = run(by("bin"), Placed("1"), FOOT, Removed())
    assert outcomes == [NothingPending("1")]
    assert state == PutAwayState()


def test_a_void_verdict_awaits_nothing() -> None:
    state, outcomes = run(by("bin"), Graded("1"), Placed("2"), Voided(), Removed())
    assert state == PutAwayState()
    assert outcomes == [WrongBin("2", "1")]


BINS = st.sampled_from(["1", "2", "N"])
EVENTS = st.lists(
    st.one_of(
        st.builds(Graded, BINS),
        st.builds(Placed, BINS),
        st.just(FOOT),
        st.just(Removed()),
        st.just(Voided()),
    ),
    max_size=30,
)
RULES = st.sets(st.sampled_from(["bin", "foot", "removal"]), min_size=1)


@given(EVENTS, RULES)
def test_a_piece_is_closed_once_in_its_own_bin_and_never_while_it_lies_in_a_wrong_one(
    events: list[PutAwayEvent], names: set[Confirmation]
) -> None:
    rules, state = PutAwayRules(frozenset(names)), PutAwayState()
    for event in events:
        if isinstance(event, Graded) and state.pending is not None:
            continue  # the bench grades nothing while a piece waits
        before = state
        state, outcomes = put_away.step(state, event, rules)
        for outcome in outcomes:
            if isinstance(outcome, PieceClosed):
                assert outcome.bin == before.pending
                assert outcome.by in names
                assert before.wrong is None or event == Placed(before.pending or "")
                assert state == PutAwayState()
            if isinstance(outcome, WrongBin):
                assert before.pending is not None
                assert outcome.bin != before.pending == state.pending
        assert state.wrong is None or (
            state.pending is not None and state.wrong != state.pending
        )
