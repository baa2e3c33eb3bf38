"""One bench from reading to verdict: what belongs to which piece, and what to none."""

from dataclasses import replace

import pytest

from rules import bench
from rules.bench import Abandoned, BenchState, Placed, RetryAsked, resume
from rules.capture_model import Edge, Tick
from rules.facts import ClampingFact, CorrectionFact, CycleEndedFact
from rules.lot import OpenWork
from tests.rules.bench_hand import Operator, numbers
from tests.rules.bench_tape import S
from tests.rules.shop_log import LOT, Shop


def test_three_clampings_are_one_piece_and_the_next_is_the_next() -> None:
    hand = Operator()
    hand.clamp(2.0, 3.0, 4.0)
    assert hand.shop.verdicts() == [(1, "1")]
    hand.shop.step(Placed("1"))
    hand.clamp(9.0)
    assert hand.shop.verdicts() == [(1, "1"), (2, "2")]
    assert numbers(hand.shop) == [(1, 1, 1), (1, 1, 2), (1, 1, 3), (2, 1, 1)]
    assert [c.is_new_piece for c in hand.shop.clampings()] == [True, False, False, True]


def test_the_verdict_of_a_piece_is_never_taken_for_another_ones() -> None:
    """A clamping begun before the put-away is an alarm, whenever the bin is confirmed."""
    hand = Operator()
    hand.clamp(9.0)
    hand.begin(2.0)
    assert dict(hand.shop.state.alarms).keys() == {"not-put-away"}
    hand.shop.step(Placed("2"))
    assert dict(hand.shop.state.alarms) == {}
    hand.finish()
    assert hand.shop.refusals() == ["before-put-away"]
    assert hand.shop.state.piece is None
    hand.clamp(2.0)
    assert numbers(hand.shop)[-1] == (2, 1, 1)


def test_a_clamping_whole_before_the_put_away_is_refused_and_kept() -> None:
    hand = Operator()
    hand.clamp(9.0, 2.0)
    assert hand.shop.refusals() == ["before-put-away"]
    assert len(hand.shop.clampings()) == 1
    assert hand.shop.state.put_away.pending == "2"


def test_a_clamping_begun_for_a_piece_that_was_given_up_is_nobodys() -> None:
    hand = Operator()
    hand.clamp(2.0)
    hand.begin(2.0)
    hand.shop.step(Abandoned("dropped on the floor", "lead"))
    hand.finish()
    assert hand.shop.refusals() == ["begun-before"]
    hand.clamp(9.0)
    assert numbers(hand.shop) == [(1, 1, 1), (2, 1, 1)]


def test_a_clamping_begun_without_a_lot_does_not_open_the_next_lots_first_piece() -> None:
    hand = Operator(Shop(lot=None))
    hand.begin(2.0)
    hand.shop.lot = LOT
    hand.finish()
    assert hand.shop.refusals() == ["no-lot"]
    hand.clamp(9.0)
    assert numbers(hand.shop) == [(1, 1, 1)]


def test_a_clamping_begun_before_the_retry_was_asked_for_is_no_part_of_it() -> None:
    hand = Operator()
    hand.clamp(9.0)
    hand.begin(2.0)
    hand.shop.step(RetryAsked("a chip in the slot", "lead"))
    hand.finish()
    assert hand.shop.refusals() == ["before-put-away"]
    hand.clamp(2.0, 2.4, 2.0)  # two of one run-out might read alike
    assert numbers(hand.shop) == [(1, 1, 1), (1, 2, 1), (1, 2, 2), (1, 2, 3)]
    assert hand.shop.verdicts() == [(1, "2"), (1, "1")]


def test_a_retry_needs_its_reason_and_its_moment() -> None:
    hand = Operator()
    hand.shop.step(RetryAsked("dirt", "lead"))
    hand.clamp(9.0)
    hand.shop.step(RetryAsked("  ", "lead"))
    assert [message.split()[0] for message in hand.shop.refused] == ["a", "a"]
    hand.shop.step(RetryAsked("dirt", "lead"))
    hand.clamp(9.0)
    hand.shop.step(RetryAsked("dirt again", "lead"))
    assert "has had its retries" in hand.shop.refused[-1]
    assert hand.shop.state.put_away.pending == "2"


def test_giving_a_graded_piece_up_awaits_nothing_and_ends_no_cycle_twice() -> None:
    hand = Operator()
    hand.clamp(9.0)
    facts = hand.shop.step(Abandoned("dropped", "lead"))
    assert [type(f) for f in facts] == [CorrectionFact]
    assert hand.shop.state.put_away.pending is None
    assert hand.shop.state.piece is None


def test_giving_up_needs_a_piece_and_a_reason() -> None:
    hand = Operator()
    hand.shop.step(Abandoned("dropped", "lead"))
    hand.clamp(2.0)
    hand.shop.step(Abandoned("", "lead"))
    assert len(hand.shop.refused) == 2
    assert hand.shop.state.piece == 1


def open_work(**changes: object) -> OpenWork:
    work = OpenWork(7, 1, "first", 0, 2, False, None, None, None)
    return replace(work, **changes)  # type: ignore[arg-type]


def test_a_start_in_mid_cycle_interrupts_it_once() -> None:
    state, facts = resume(open_work())
    assert [(f.how, f.piece, f.cycle) for f in facts if isinstance(f, CycleEndedFact)] == [
        ("interrupted", 7, 1)
    ]
    assert (state.piece, state.cycle.number, state.cycle.kind) == (7, 2, "after-interruption")
    state, facts = resume(open_work(is_interrupted=True))
    assert facts == ()
    assert (state.piece, state.cycle.number) == (7, 2)


def test_a_start_with_a_verdict_in_hand_awaits_its_put_away() -> None:
    state, facts = resume(open_work(clampings=3, bin="1", grade="top"))
    assert facts == ()
    assert (state.put_away.pending, state.grade, state.cycle.is_settled) == ("1", "top", True)
    state, _ = resume(open_work(bin="1", grade="top", wrong="2"))
    assert state.put_away.wrong == "2"
    assert "wrong-bin" in dict(state.alarms)


def test_a_start_after_a_retry_was_asked_for_goes_on_with_it() -> None:
    state, facts = resume(open_work(cycle=2, kind="retry", retries=1, clampings=0))
    assert facts == ()
    assert (state.cycle.number, state.cycle.kind, state.cycle.retries) == (2, "retry", 1)
    assert resume(None) == (BenchState(), ())


def test_after_a_start_the_piece_goes_on_under_its_number_and_only_after_a_loosening() -> None:
    state, _ = resume(open_work())
    shop = Shop(state=state, lot=replace(LOT, next_piece=8))
    hand = Operator(shop)
    hand.do(hand.tape.turn, 5.0)
    assert shop.clampings() == []
    hand.clamp(9.0)
    assert numbers(shop) == [(7, 2, 1)]
    assert not shop.clampings()[0].is_new_piece


@pytest.mark.parametrize(
    "event",
    [Tick(99 * S), Edge("run", True, 99 * S), Edge("foot", False, 99 * S)],
    ids=lambda event: type(event).__name__,
)
def test_an_event_that_says_nothing_changes_nothing(event: Tick | Edge) -> None:
    hand = Operator()
    state, facts = bench.step(hand.shop.state, event, hand.shop.rules, hand.shop.lot)
    assert (state, facts) == (hand.shop.state, ())


def test_the_first_fact_of_a_clamping_carries_what_was_captured() -> None:
    hand = Operator()
    hand.clamp(3.0)
    fact = hand.shop.facts[0]
    assert isinstance(fact, ClampingFact)
    assert fact.clamping.tir_nm == fact.assessed.tir_nm
    assert fact.assessed.meets == ("top", "ordinary")
