"""Planning figures against counting a simulated lot with the real grading rules."""

from random import Random

import pytest

from rules.grading import Assessed, assess_tir, decide
from rules.planning import (
    GradePlan,
    early_stop,
    guard_costs,
    passing,
    scatter_share,
    spread_for,
)
from rules.ruleset import Grade, RuleSet
from rules.scatter_model import Spread, SpreadError
from simulators.collet import Clamper, ColletKind, fill_tray

LOT_A = Spread(own_um=0.9, scatter_um=0.4, holder_um=0.2)

RULES = RuleSet(
    revision="1",
    sha256="",
    grades=(
        Grade("grade-1", 4_000, clampings=3, bin="1", guard_band_nm=800),
        Grade("grade-2", 12_000, clampings=1, bin="2"),
    ),
    nonconforming_bin="N",
    hold_bin="H",
)


def graded(number: int) -> tuple[float, float, float]:
    """Return mean clampings, share of grade 1, share ended after one: the real rules."""
    kind = ColletKind(0.9, 0.4, outlier_share=0.0, chip_share=0.0)
    clampings = top = first = 0
    for collet in fill_tray("planning", kind, number):
        clamper = Clamper("planning", collet, kind, 0.2 + 0j)
        seen: list[Assessed] = []
        decision = None
        while decision is None:
            if seen:
                clamper.rotate(120.0, 0.0)
            seen.append(assess_tir(round(clamper.tighten().run_out_um * 1_000), RULES))
            decision = decide(seen, RULES)
        clampings += len(seen)
        top += decision.grade == "grade-1"
        first += len(seen) == 1
    return clampings / number, top / number, first / number


def test_stopping_early_saves_what_the_real_rules_save() -> None:
    number = 40_000
    mean, top, first = graded(number)
    plan = early_stop(LOT_A, [GradePlan("1", 3.2, 3), GradePlan("2", 12.0, 1)])
    assert plan.expected == pytest.approx(mean, abs=4 * 0.9 / number**0.5)
    assert plan.shares[0] == pytest.approx(first, abs=4 * 0.5 / number**0.5)
    assert plan.per_top_piece == pytest.approx(mean / top, rel=0.02)
    assert sum(plan.shares) == pytest.approx(1.0, abs=1e-12)
    assert plan.saved == pytest.approx(1 - plan.expected / 3)
    assert passing(LOT_A, 3.2, 3)[2] == pytest.approx(top, abs=4 * 0.5 / number**0.5)


def test_grades_that_need_as_many_clampings_save_only_beyond_the_last() -> None:
    same = early_stop(LOT_A, [GradePlan("1", 3.2, 2), GradePlan("2", 5.0, 2)])
    assert same.expected == pytest.approx(1 + passing(LOT_A, 5.0, 1)[0])
    with pytest.raises(SpreadError, match="best first"):
        early_stop(LOT_A, [GradePlan("1", 3.2, 1), GradePlan("2", 5.0, 2)])
    with pytest.raises(SpreadError, match="best first"):
        early_stop(LOT_A, [GradePlan("2", 12.0, 1), GradePlan("1", 3.2, 1)])


def test_what_passes_three_when_p_pass_one_lies_between_p_cubed_and_p() -> None:
    # the trade's figure (a model, no source): 67 % pass one clamping, 48 % all three
    shares = [passing(spread_for(0.67, 4.0, division), 4.0, 3)[2]
              for division in (0.001, 0.1, 0.19, 0.5, 0.999)]  # fmt: skip
    assert shares == sorted(shares, reverse=True)
    assert shares[0] == pytest.approx(0.67, abs=0.02)
    assert shares[2] == pytest.approx(0.48, abs=0.005)
    assert shares[-1] == pytest.approx(0.67**3, abs=0.003)


def test_the_spread_found_passes_what_was_asked() -> None:
    spread = spread_for(0.4, 6.0, 0.25, holder_um=1.0, step_deg=0.0)
    assert 1 - spread.share_beyond(6.0) == pytest.approx(0.4, abs=1e-9)
    assert scatter_share(spread) == pytest.approx(0.25)
    with pytest.raises(SpreadError, match="takes the whole limit"):
        spread_for(0.4, 6.0, 0.25, holder_um=3.0)
    with pytest.raises(SpreadError, match="between 0 and 1"):
        spread_for(1.0, 6.0, 0.25)


def test_a_guard_band_costs_pieces_and_buys_certainty() -> None:
    costs = guard_costs(LOT_A, 4.0, (0.0, 0.4, 0.8, 1.2), clampings=3, ordered=36)
    assert costs[0].more == 0.0
    assert [c.pieces for c in costs] == sorted(c.pieces for c in costs)
    bought = [c.one_more_beyond for c in costs]
    assert bought == sorted(bought, reverse=True)
    # the design: about 55 % grade 1, the order of 36 filled after about 65 pieces
    assert costs[2].pieces == pytest.approx(65, abs=1)
    with pytest.raises(SpreadError, match="below the limit"):
        guard_costs(LOT_A, 4.0, (4.0,), 3, 36)


def test_expected_pieces_are_those_of_drawing_until_the_order_is_filled() -> None:
    rng = Random(11)
    cost = guard_costs(LOT_A, 4.0, (0.8,), clampings=3, ordered=36)[0]
    used = []
    for _ in range(4_000):
        pieces = found = 0
        while found < 36:
            pieces += 1
            found += rng.random() < cost.share
        used.append(pieces)
    assert sum(used) / len(used) == pytest.approx(cost.pieces, abs=0.5)
