"""Which way a set of clampings goes: against an oracle, and where it stops."""

from collections.abc import Sequence
from itertools import permutations
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.grading import Assessed, Decision, assess, assess_tir, best_in_reach, decide
from rules.length import um_to_nm
from rules.ruleset import Evidence, Grade, RuleSet
from rules.sweep import Invalid, RunOut, Sweep
from tests.rules.rule_files import FIVE_AND_TEN, graded, no_result, rule_file


def oracle(assessed: Sequence[Assessed], rules: RuleSet) -> str | None:
    """Say it again in other words: the verdict as a bin, None while more is needed."""
    known = [x for a in assessed for x in (a.tir_nm, a.seen_nm) if x is not None]
    left = [
        g
        for g in rules.grades
        if all(x <= g.tolerance_limit_nm - g.guard_band_nm for x in known)
    ]
    if not left:
        is_over = all(max(known) > g.tolerance_limit_nm for g in rules.grades)
        return rules.nonconforming_bin if is_over else rules.hold_bin
    valid = sum(a.result != "invalid" for a in assessed)
    if valid >= left[0].clampings:
        return left[0].bin
    return rules.hold_bin if len(assessed) - valid > rules.invalid_max else None


def random_rules(rng: Random) -> RuleSet:
    count = rng.randint(1, 4)
    limits = sorted(rng.sample(range(20, 160), count))
    grades: list[Grade] = []
    for i, limit in enumerate(limits):
        # Acceptance limits must rise like the tolerance limits do.
        room = limit - (grades[-1].acceptance_limit_nm // 100 if grades else 1)
        guard = rng.choice((0, rng.randint(0, max(0, min(room - 1, limit - 1)))))
        grades.append(Grade(f"g{i}", limit * 100, rng.randint(1, 4), f"{i + 1}", guard * 100))
    return rule_file(*grades, invalid_max=rng.randint(0, 3))


def random_set(rng: Random, rules: RuleSet) -> list[Assessed]:
    near = [g.acceptance_limit_nm for g in rules.grades] + [
        g.tolerance_limit_nm for g in rules.grades
    ]

    def some_nm() -> int:
        if rng.random() < 0.5:
            return max(0, rng.choice(near) + rng.randint(-2, 2))
        return rng.randrange(0, 18_000)

    return [
        no_result(rng.choice((None, some_nm())))
        if rng.random() < 0.25
        else assess_tir(some_nm(), rules)
        for _ in range(rng.randint(1, 6))
    ]


def test_twenty_thousand_random_sets_go_where_the_oracle_says() -> None:
    rng = Random(20_260_101)
    seen: dict[str, int] = {}
    for _ in range(20_000):
        rules = random_rules(rng)
        assessed = random_set(rng, rules)
        decision = decide(assessed, rules)
        where = decision.bin if decision else None
        assert where == oracle(assessed, rules), (assessed, rules)
        seen[where or "more"] = seen.get(where or "more", 0) + 1
    # A test that never sees one of the ways proves nothing about it.
    assert min(seen[way] for way in ("1", "2", "3", "N", "H", "more")) > 100, seen


def test_the_order_of_the_clampings_never_matters() -> None:
    rng = Random(11)
    for _ in range(300):
        rules = random_rules(rng)
        assessed = random_set(rng, rules)[:4]
        found = {
            (d.grade, d.bin, d.why) if (d := decide(order, rules)) else None
            for order in permutations(assessed)
        }
        assert len(found) == 1


def rank(decision: Decision, rules: RuleSet) -> int:
    """Return how good a decision is: 0 is the best grade; hold and nonconforming come last."""
    ids = [g.id for g in rules.grades]
    if decision.grade is not None:
        return ids.index(decision.grade)
    return len(ids) + (decision.bin == rules.nonconforming_bin)


@given(
    st.lists(st.integers(0, 150), min_size=4, max_size=4),
    st.integers(0, 3),
    st.integers(1, 60),
    st.integers(0, 2**32),
)
def test_a_larger_tir_never_leads_to_a_better_grade(
    tirs: list[int], which: int, more: int, seed: int
) -> None:
    rules = random_rules(Random(seed))
    before = decide([assess_tir(t * 100, rules) for t in tirs], rules)
    tirs[which] += more
    after = decide([assess_tir(t * 100, rules) for t in tirs], rules)
    assert before is not None
    assert after is not None
    assert rank(after, rules) >= rank(before, rules)


@given(st.integers(0, 2**32))
def test_one_clamping_more_never_leads_to_a_better_grade(seed: int) -> None:
    rng = Random(seed)
    rules = random_rules(rng)
    assessed = random_set(rng, rules)
    before, after = decide(assessed[:-1], rules), decide(assessed, rules)
    if before is not None and before.why != "invalid":
        assert after is None or rank(after, rules) >= rank(before, rules)


@given(st.integers(0, 20_000), st.integers(0, 2**32))
def test_a_clamping_is_within_just_when_a_grade_accepts_it(tir_nm: int, seed: int) -> None:
    rules = random_rules(Random(seed))
    assessed = assess_tir(tir_nm, rules)
    accepting = tuple(g.id for g in rules.grades if tir_nm <= g.acceptance_limit_nm)
    assert assessed.meets == accepting
    assert assessed.result == ("within" if accepting else "beyond")


DEMO = rule_file(
    Grade("grade-1", um_to_nm(4), 3, "1", guard_band_nm=um_to_nm("0.8")),
    Grade("grade-2", um_to_nm(12), 1, "2"),
)


@pytest.mark.parametrize("before", [0, 1, 2])
def test_the_clamping_that_rules_the_top_grade_out_settles_the_next_one(before: int) -> None:
    good = [assess_tir(3_000, DEMO)] * before
    assert decide(good, DEMO) is None
    decision = decide([*good, assess_tir(3_201, DEMO)], DEMO)
    assert decision is not None
    assert (decision.grade, decision.bin, decision.why) == ("grade-2", "2", "meets-grade")


def test_the_next_grade_may_still_need_clampings_of_its_own() -> None:
    assert decide([assess_tir(5_100, FIVE_AND_TEN)], FIVE_AND_TEN) is None
    reach = best_in_reach([assess_tir(5_100, FIVE_AND_TEN)], FIVE_AND_TEN)
    assert reach is not None
    assert reach.id == "ordinary"


def test_a_piece_in_the_last_guard_band_goes_to_hold_and_above_it_to_nonconforming() -> None:
    rules = rule_file(Grade("only", 10_000, 1, "1", guard_band_nm=1_000))
    assert graded(rules, "9.0") == "only"
    held = decide([assess_tir(9_001, rules)], rules)
    assert held is not None
    assert (held.grade, held.bin, held.why) == (None, "H", "guard-band")
    assert "9.001 µm" in held.text
    assert graded(rules, "10.0") == "H"
    assert graded(rules, "10.001") == "N"


def test_invalid_clampings_are_taken_again_twice_and_the_third_holds_the_piece() -> None:
    assert decide([no_result()] * 2, DEMO) is None
    decision = decide([no_result()] * 3, DEMO)
    assert decision is not None
    assert (decision.grade, decision.bin, decision.why) == (None, "H", "invalid")
    assert "short-turn" in decision.text


def test_a_verdict_that_stands_is_not_lost_to_one_more_invalid_clamping() -> None:
    valid = [assess_tir(3_000, DEMO)] * 3
    decision = decide([no_result(), no_result(), *valid, no_result()], DEMO)
    assert decision is not None
    assert decision.grade == "grade-1"


@pytest.mark.parametrize(
    ("seen_nm", "way"),
    [(None, None), (3_200, None), (3_201, None), (12_000, None), (12_001, "N")],
)
def test_what_an_invalid_clamping_showed_counts_against_the_piece_only(
    seen_nm: int | None, way: str | None
) -> None:
    decision = decide([no_result(seen_nm)], DEMO)
    assert (decision.bin if decision else None) == way
    good = [no_result(seen_nm), *[assess_tir(1_000, DEMO)] * 3]
    decision = decide(good, DEMO)
    assert decision is not None
    expected = "1" if (seen_nm or 0) <= 3_200 else "2" if (seen_nm or 0) <= 12_000 else "N"
    assert decision.bin == expected


def test_a_lower_bound_is_never_a_clamping_that_a_grade_needs() -> None:
    low = [no_result(500), no_result(600)]
    assert decide([*low, *[assess_tir(1_000, DEMO)] * 2], DEMO) is None


def test_the_text_names_the_figures_that_decided() -> None:
    decision = decide([assess_tir(5_080, FIVE_AND_TEN)] * 3, FIVE_AND_TEN)
    assert decision is not None
    assert decision.text == "3 clampings, largest 5.08 µm, acceptance limit 10.0 µm"
    single = decide([assess_tir(11_900, DEMO)], DEMO)
    assert single is not None
    assert single.text.startswith("1 clamping, largest 11.9 µm")
    over = decide([assess_tir(12_001, DEMO)], DEMO)
    assert over is not None
    assert over.text == "12.001 µm is above the last tolerance limit 12.0 µm"


def clamping(*run_outs: RunOut, evidence: Evidence = "stylus-lift") -> Clamping:
    positions = tuple(
        PositionRunOut(f"IND-{i}", f"p{i}", Sweep((), ()), run_out)
        for i, run_out in enumerate(run_outs)
    )
    return Clamping("sweep", 0, 1, positions, Loosening(evidence, 0))


def valid(tir_nm: int) -> RunOut:
    return RunOut(tir_nm, tir_nm, (tir_nm,), 48)


def invalid(reason: Invalid, seen_nm: int | None = None) -> RunOut:
    return RunOut(None, seen_nm, invalid=reason)


def test_the_larger_position_decides() -> None:
    both = clamping(valid(2_000), valid(3_500))
    assert both.tir_nm == 3_500
    assert assess(both, DEMO).meets == ("grade-2",)


def test_one_doubtful_position_makes_the_clamping_doubtful_and_keeps_what_was_seen() -> None:
    mixed = clamping(valid(13_000), invalid("drift", 400))
    assert (mixed.tir_nm, mixed.invalid, mixed.seen_nm) == (None, "drift", 13_000)
    assessed = assess(mixed, DEMO)
    assert (assessed.result, assessed.seen_nm) == ("invalid", 13_000)
    decision = decide([assessed], DEMO)
    assert decision is not None
    assert decision.bin == "N"


RANKED: list[Evidence] = [
    "not-observed", "stylus-lift", "pin-jump", "foot-switch", "torque-pulse",
]  # fmt: skip


@pytest.mark.parametrize("seen", RANKED)
@pytest.mark.parametrize("asked", [None, *RANKED])
def test_a_loosening_seen_less_well_than_asked_leaves_no_result(
    seen: Evidence, asked: Evidence | None
) -> None:
    rules = rule_file(
        Grade("top", 5_000, 1, "1", loosening=asked), Grade("ordinary", 10_000, 1, "2")
    )
    assessed = assess(clamping(valid(3_000), evidence=seen), rules)
    if asked is None or RANKED.index(seen) >= RANKED.index(asked):
        assert assessed.result == "within"
    else:
        assert assessed.invalid == "loosening-unproved"
        assert assessed.seen_nm == 3_000
        assert "loosen" in assessed.reason


def test_the_strongest_evidence_any_grade_asks_for_leads_the_cycle() -> None:
    rules = rule_file(
        Grade("a", 1_000, 1, "1", loosening="stylus-lift"),
        Grade("b", 2_000, 1, "2", loosening="foot-switch"),
        Grade("c", 3_000, 1, "3"),
    )
    assert rules.least_loosening == "foot-switch"
    assert DEMO.least_loosening == "not-observed"


def test_the_decision_rule_is_stated_as_it_is() -> None:
    guarded, simple = DEMO.grades
    assert (guarded.decision_rule, guarded.acceptance_limit_nm) == ("guarded-acceptance", 3_200)
    assert (simple.decision_rule, simple.acceptance_limit_nm) == ("simple-acceptance", 12_000)
