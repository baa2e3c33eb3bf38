"""Proof of the rest: plans, looks, words; and the trade's own case, counted by hand."""

from dataclasses import replace
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.finite_lot import PlanError, most_nonconforming
from rules.first_clamping import FirstClamping, Standing, Tally, tally
from rules.rest_proof import (
    ProofPlan,
    carry,
    fewest_measured,
    look_at_measured,
    look_at_sample,
    outlook,
    sample_for,
)
from rules.rest_words import Circumstances, rest_words

TRADE = ProofPlan("measured", 500, 0.05, 0.05, is_drawn=True, further=50)
"""The trade's own case (common practice, no source): 500 pieces, 100 of the top grade
ordered at 5 µm, the rest at 10 µm; at most 5 % of the rest beyond, 5 % risk."""

ABOUT = Circumstances("T-500", "grade-2", 10_000, 10_000, "7f3a", 400, top_taken=100)


def chance(found: int, lot: int, bad: int, sample: int) -> float:
    ways = sum(comb(bad, j) * comb(lot - bad, sample - j) for j in range(found + 1))
    return ways / comb(lot, sample)


def test_the_first_clamping_decides_and_a_run_out_equal_to_the_limit_is_within() -> None:
    assert not FirstClamping(10_000).is_beyond(10_000)
    assert FirstClamping(10_001).is_beyond(10_000)
    # what an invalid clamping showed before counts against the piece, never for it
    assert FirstClamping(9_000, seen_nm=10_100).is_beyond(10_000)
    assert not FirstClamping(9_000, seen_nm=3_000).is_beyond(10_000)


@pytest.mark.parametrize("standing", ["hold", "invalid", "interrupted", "void", "set-aside"])
def test_doubt_counts_as_beyond(standing: Standing) -> None:
    assert FirstClamping(100, standing).is_beyond(10_000)
    assert FirstClamping(None, standing).is_beyond(10_000)
    pieces = [FirstClamping(100), FirstClamping(100, standing), FirstClamping(12_000)]
    assert tally(pieces, 10_000) == Tally(pieces=3, beyond=2, doubtful=1)


def test_a_tally_that_does_not_add_up_is_refused() -> None:
    with pytest.raises(ValueError, match="0 ≤ doubtful ≤ beyond ≤ pieces"):
        Tally(3, 1, 2)


def test_the_trades_own_case_is_proved_by_what_was_measured() -> None:
    # 100 of the top grade were found among 180; 2 count as beyond, one for want of a result
    proof = look_at_measured(TRADE, 1, Tally(180, 2, 1))
    assert (proof.outcome, proof.rest, proof.at_most) == ("proved", 320, 15)
    # by hand: 17 in the lot are not yet excluded at 2.5 %, 18 are; 2 of them were found
    assert chance(2, 500, 17, 180) >= 0.025 > chance(2, 500, 18, 180)
    words = rest_words(proof, ABOUT)
    assert words.customer == (
        "Lot T-500, grade-2: 180 of 500 pieces were measured in drawn order; 2 of them showed "
        "more than 10.0 µm at the first clamping or had no result that stands (1). Of the 320 "
        "pieces not measured, at most 15 (4.69 %) would show more than 10.0 µm at a first "
        "clamping: stated with 95 % confidence. At most 5 % was asked for: proved."
    )
    assert words.statistician == (
        "Hypergeometric, N = 500, n = 180, x = 2. Largest D with P(X ≤ 2) ≥ 2.5 %: 17; D = 18 "
        "gives 1.77 %. Look 1 of 2, risk of all looks 5 %."
    )
    assert chance(2, 500, 18, 180) == pytest.approx(0.0177, abs=5e-5)


def test_a_proof_that_falls_short_says_what_the_next_planned_look_needs() -> None:
    proof = look_at_measured(TRADE, 1, Tally(180, 3))
    assert proof.outcome == "short"
    assert proof.at_most > 0.05 * 320
    assert proof.next_look is not None
    assert (proof.next_look.more, proof.next_look.beyond_left) == (50, 0)
    assert "proved then if none of them is beyond (3 of 230 in all)" in (
        rest_words(proof, ABOUT).what_next
    )
    # the promise is kept: 0 more suffice, 1 more does not
    assert look_at_measured(TRADE, 2, Tally(230, 3)).outcome == "proved"
    last = look_at_measured(TRADE, 2, Tally(230, 4))
    assert (last.outcome, last.next_look) == ("short", None)
    assert "No further look is planned" in rest_words(last, ABOUT).what_next


def test_a_look_that_cannot_prove_it_any_more_says_so() -> None:
    proof = look_at_measured(TRADE, 1, Tally(180, 9))
    assert proof.next_look is not None
    assert proof.next_look.beyond_left == -6
    assert "can't prove it any more: at most 3 beyond of 230 would, 9 are found" in (
        rest_words(proof, ABOUT).what_next
    )


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_what_the_next_look_needs_is_exactly_what_proves_it(data: st.DataObject) -> None:
    lot = data.draw(st.integers(20, 300))
    further = data.draw(st.integers(1, min(60, lot - 1)))
    quality = data.draw(st.sampled_from([0.02, 0.05, 0.1, 0.2]))
    plan = ProofPlan("measured", lot, quality, 0.10, is_drawn=True, further=further)
    measured = data.draw(st.integers(0, lot - further - 1))
    beyond = data.draw(st.integers(0, measured))
    _, needs = outlook(plan, Tally(measured, beyond), further)
    for seen in range(needs.pieces + 1):
        proof = look_at_measured(plan, 2, Tally(needs.pieces, seen))
        assert (proof.outcome == "proved") == (seen <= needs.most_beyond)


def test_an_undrawn_tray_is_refused_the_plan_measured() -> None:
    with pytest.raises(PlanError, match="needs a drawn order of measuring"):
        ProofPlan("measured", 500, 0.05, 0.05, is_drawn=False)
    assert ProofPlan("sample", 500, 0.05, 0.05, is_drawn=False).looks == 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"quantity": 0}, "1 piece or more"),
        ({"limiting_quality": 1.0}, "above 0 and below 1"),
        ({"consumers_risk": 0.0}, "above 0 and below 1"),
        ({"further": -1}, "accepted is 0 or more"),
    ],
)
def test_plans_that_make_no_sense_are_refused(change: dict[str, float], message: str) -> None:
    with pytest.raises(PlanError, match=message):
        replace(TRADE, **change)  # type: ignore[arg-type]


def test_only_planned_looks_are_looks() -> None:
    with pytest.raises(PlanError, match="look 3: this lot was opened with 2"):
        look_at_measured(TRADE, 3, Tally(300, 0))
    with pytest.raises(PlanError, match="opened with plan measured, not sample"):
        sample_for(TRADE, 300)
    one = replace(TRADE, further=0)
    assert (one.looks, one.risk_of_a_look) == (1, 0.05)
    assert (TRADE.looks, TRADE.risk_of_a_look) == (2, 0.025)


SAMPLE = ProofPlan("sample", 120, 0.10, 0.10, is_drawn=False)


def test_a_sample_of_the_rest_accepts_with_none_beyond() -> None:
    # the trade notes: N = 60, limiting quality 10 %, risk 10 %: n = 19
    assert sample_for(SAMPLE, 60).size == 19
    begun = look_at_sample(SAMPLE, 60, Tally(18, 0))
    assert begun.outcome == "under-way"
    assert "1 to go" in rest_words(begun, ABOUT).customer
    proof = look_at_sample(SAMPLE, 60, Tally(19, 0))
    assert (proof.outcome, proof.rest) == ("proved", 41)
    # six in the rest would be the limiting quality: what is proved is below it
    assert proof.at_most == most_nonconforming(60, 19, 0, 0.10) == 5
    words = rest_words(proof, ABOUT)
    assert "at most 5 (12.2 %) would show" in words.customer
    asked = "Fewer than 6 of the 60 the sample was drawn from (limiting quality 10 %)"
    assert f"{asked} was asked for: proved." in words.customer
    assert "sample 19, acceptance number 0; with D = 6 beyond" in words.statistician
    assert carry(proof, Tally(1, 0)).outcome == "proved"  # 5 of 40 now, and still below 6 of 60


def test_a_sample_failure_holds_the_rest_at_once() -> None:
    proof = look_at_sample(SAMPLE, 60, Tally(3, 1))
    assert proof.outcome == "hold"
    words = rest_words(proof, ABOUT)
    assert "Nothing is stated of the 57 pieces not measured: held." in words.customer
    assert "Nothing regrades itself" in words.what_next


def test_a_sample_may_allow_some_beyond() -> None:
    plan = replace(SAMPLE, acceptance_number=1)
    assert sample_for(plan, 60).size == 30  # the trade notes, c = 1
    assert look_at_sample(plan, 60, Tally(30, 1)).outcome == "proved"
    assert look_at_sample(plan, 60, Tally(12, 2)).outcome == "hold"


def test_more_drawn_than_the_sample_is_refused() -> None:
    with pytest.raises(PlanError, match="the sample drawn is of 19"):
        look_at_sample(SAMPLE, 60, Tally(20, 0))


def test_a_lot_measured_to_its_end_has_nothing_left_to_prove() -> None:
    plan = replace(TRADE, quantity=60)
    proof = look_at_measured(plan, 1, Tally(60, 7))
    assert (proof.outcome, proof.rest, proof.at_most, proof.is_proved) == (
        "nothing-left", 0, 0, True,
    )  # fmt: skip
    assert "every piece was measured" in rest_words(proof, ABOUT).customer


def test_what_was_proved_of_the_many_holds_of_the_few() -> None:
    """An order raised after the proof takes pieces out of the rest."""
    proof = look_at_measured(TRADE, 1, Tally(180, 2))
    after = carry(proof, Tally(40, 3, 1))  # two really beyond, one only doubtful
    assert (after.rest, after.at_most) == (280, 13)
    assert after.outcome == "proved"  # 13 of 280 is 4.6 %
    assert carry(proof, Tally(40, 0)).outcome == "short"  # 15 of 280 is above 5 %
    assert carry(proof, Tally(320, 8)).outcome == "nothing-left"
    assert carry(proof, Tally(100, 16)).outcome == "hold"  # more than was proved possible
    with pytest.raises(PlanError, match="the rest was 320"):
        carry(proof, Tally(321, 0))


def test_a_plan_this_lot_can_never_satisfy_is_known_at_opening() -> None:
    # 20 pieces, 10 %: even 18 measured with none beyond leave one of two possible at 5 %
    assert fewest_measured(20, 0.10, 0.05) is None
    # 120 pieces, 10 %, 5 %: 30 with none beyond; by hand 9 of the other 90 are allowed
    assert fewest_measured(120, 0.10, 0.05) == 30
    assert chance(0, 120, 10, 30) < 0.05 <= chance(0, 120, 10, 29)


@pytest.mark.parametrize(
    ("master_nm", "accepted_nm", "word"),
    [
        (400, 10_000, "at most a tenth of the limit"),
        (1_000, 10_000, "at most a tenth of the limit"),
        (1_001, 10_000, "WARNING: the holder's own run-out is 1.001 µm"),
        (1_500, 8_500, "covered by the guard band 1.5 µm"),
        (None, 10_000, "WARNING: no master check"),
    ],
)
def test_a_holder_too_large_for_one_clamping_is_said(
    master_nm: int | None, accepted_nm: int, word: str
) -> None:
    about = replace(ABOUT, master_tir_nm=master_nm, acceptance_limit_nm=accepted_nm)
    words = rest_words(look_at_measured(TRADE, 1, Tally(180, 2)), about)
    assert any(word in sentence for sentence in words.assumptions)


def test_every_assumption_stands_with_every_result() -> None:
    words = rest_words(look_at_measured(TRADE, 1, Tally(180, 2, 1)), ABOUT)
    told = " ".join(words.assumptions)
    for needed in (
        "drawn by reclamp-draw-1, seed '7f3a', recorded before",
        "its first clamping on this bench",
        "simple acceptance",
        "counts as beyond: 1 here",
        "500 pieces of one article",
        "between two good master checks",
        "Two looks were fixed at the opening",
        "100 pieces of a better grade were taken out",
    ):
        assert needed in told
