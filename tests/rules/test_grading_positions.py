"""Limits per position: a clamping has to meet its grade near the face and at a distance."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.grading import Assessed, Decision, assess, assess_tirs, decide
from rules.ruleset import Grade, Limit, RuleSet, tightest
from rules.sweep import Invalid, RunOut, Sweep
from tests.rules.rule_files import rule_file

PLACES = ("face", "far")
Raw = tuple[dict[str, int | None], bool]
"""What one clamping showed: run-out at each position (None: nothing), and if it is valid."""


def by_place(name: str, clampings: int, bin_id: str, **limits: tuple[int, int]) -> Grade:
    """Return a grade with a tolerance limit and a guard band (nm) for each position."""
    places = tuple(Limit(limit, guard, place) for place, (limit, guard) in limits.items())
    leading = tightest(places)
    return Grade(
        name, leading.tolerance_limit_nm, clampings, bin_id, leading.guard_band_nm,
        positions=places,
    )  # fmt: skip


TWO = rule_file(
    by_place("top", 3, "1", face=(3_000, 500), far=(5_000, 800)),
    by_place("ordinary", 1, "2", face=(8_000, 1_000), far=(12_000, 0)),
)


def clamping(raw: Raw, why: Invalid = "short-turn") -> Clamping:
    found, is_valid = raw
    positions = tuple(
        PositionRunOut(
            f"IND-{place}", place, Sweep((), ()),
            RunOut(nm, nm) if is_valid else RunOut(None, nm, invalid=why),
        )
        for place, nm in found.items()
    )  # fmt: skip
    return Clamping("sweep", 0, 1, positions, Loosening("stylus-lift", 0))


def oracle(raws: list[Raw], rules: RuleSet) -> str | None:
    """Say it again in ten lines, from the limits as written and the raw run-outs."""

    def over(grade: Grade, with_guard: bool) -> bool:
        limits = {x.position: (x.tolerance_limit_nm, x.guard_band_nm) for x in grade.positions}
        one = (grade.tolerance_limit_nm, grade.guard_band_nm)
        seen = [(p, nm) for raw, _ in raws for p, nm in raw.items() if nm is not None]
        pairs = [(nm, *(limits[p] if limits else one)) for p, nm in seen]
        return any(nm > limit - (guard if with_guard else 0) for nm, limit, guard in pairs)

    left = [g for g in rules.grades if not over(g, with_guard=True)]
    if not left:
        return "N" if over(rules.grades[-1], with_guard=False) else "H"
    valid = sum(is_valid for _, is_valid in raws)
    if valid >= left[0].clampings:
        return left[0].bin
    return "H" if len(raws) - valid > rules.invalid_max else None


def random_rules(rng: Random) -> RuleSet:
    """Return one to three grades; now and then one of them has one limit for all places."""
    grades: list[Grade] = []
    floor = dict.fromkeys(PLACES, 1)
    for number in range(rng.randint(1, 3)):
        is_plain = rng.random() < 0.2
        places, common = {}, rng.randint(10, 60)
        for place in PLACES:
            base = max(floor.values()) if is_plain else floor[place]
            accepted = base + (common if is_plain else rng.randint(1, 60))
            guard = 7 if is_plain else rng.choice((0, rng.randint(1, 15)))
            places[place] = ((accepted + guard) * 100, guard * 100)
        floor = {place: (limit - guard) // 100 for place, (limit, guard) in places.items()}
        need, bin_id = rng.randint(1, 4), f"{number + 1}"
        if is_plain:
            grades.append(Grade(f"g{number}", places["far"][0], need, bin_id, 700))
        else:
            grades.append(by_place(f"g{number}", need, bin_id, **places))
    return rule_file(*grades, invalid_max=rng.randint(0, 3))


def random_raws(rng: Random, rules: RuleSet) -> list[Raw]:
    near = [
        nm
        for grade in rules.grades
        for limit in grade.limits
        for nm in (limit.acceptance_limit_nm, limit.tolerance_limit_nm)
    ]

    def some_nm() -> int:
        if rng.random() < 0.3:
            return max(0, rng.choice(near) + rng.randint(-2, 2))
        return rng.randrange(0, rng.choice(near) + 300)

    def one() -> Raw:
        is_valid = rng.random() > 0.25
        return {p: some_nm() if is_valid or rng.random() < 0.6 else None for p in PLACES}, (
            is_valid
        )

    return [one() for _ in range(rng.randint(1, 4))]


def decided(raws: list[Raw], rules: RuleSet) -> Decision | None:
    return decide([assess(clamping(raw), rules) for raw in raws], rules)


def test_ten_thousand_random_sets_with_positions_go_where_the_oracle_says() -> None:
    rng = Random(20_260_301)
    seen: dict[str, int] = {}
    for _ in range(10_000):
        rules = random_rules(rng)
        raws = random_raws(rng, rules)
        decision = decided(raws, rules)
        where = decision.bin if decision else None
        assert where == oracle(raws, rules), (raws, rules)
        seen[where or "more"] = seen.get(where or "more", 0) + 1
    # A test that never sees one of the ways proves nothing about it.
    assert min(seen[way] for way in ("1", "2", "3", "N", "H", "more")) > 100, seen


def rank(decision: Decision, rules: RuleSet) -> int:
    """Return how good a decision is: 0 is the best grade; hold and nonconforming come last."""
    ids = [g.id for g in rules.grades]
    if decision.grade is not None:
        return ids.index(decision.grade)
    return len(ids) + (decision.bin == rules.nonconforming_bin)


@given(st.integers(0, 2**32), st.integers(0, 3), st.sampled_from(PLACES), st.integers(1, 6_000))
def test_more_run_out_at_any_one_position_never_leads_to_a_better_grade(
    seed: int, which: int, place: str, more_nm: int
) -> None:
    rng = Random(seed)
    rules = random_rules(rng)
    tirs = [{p: rng.randrange(0, 12_000) for p in PLACES} for _ in range(4)]
    before = decided([({**tir}, True) for tir in tirs], rules)
    tirs[which][place] += more_nm
    after = decided([({**tir}, True) for tir in tirs], rules)
    assert before is not None
    assert after is not None
    assert rank(after, rules) >= rank(before, rules)


@given(st.integers(0, 2**32))
def test_with_the_same_limits_everywhere_positions_change_no_verdict(seed: int) -> None:
    """What a rule file without positions decides is what the largest run-out decides."""
    rng = Random(seed)
    plain = rule_file(Grade("a", 4_000, 3, "1", 700), Grade("b", 9_000, 1, "2"))
    placed = rule_file(
        by_place("a", 3, "1", face=(4_000, 700), far=(4_000, 700)),
        by_place("b", 1, "2", face=(9_000, 0), far=(9_000, 0)),
    )
    raws = random_raws(rng, plain)
    one, other = decided(raws, plain), decided(raws, placed)
    assert (one and one.bin) == (other and other.bin)
    for raw in raws:
        first, second = assess(clamping(raw), plain), assess(clamping(raw), placed)
        assert (first.tir_nm, first.seen_nm) == (second.tir_nm, second.seen_nm)
        assert first.meets == second.meets


@pytest.mark.parametrize(
    ("face_nm", "far_nm", "meets", "deciding_nm"),
    [
        (2_500, 4_200, ("top", "ordinary"), 4_200),
        (2_501, 4_200, ("ordinary",), 2_501),  # beyond near the face, though smaller
        (2_500, 4_201, ("ordinary",), 4_201),
        (7_001, 4_000, (), 7_001),
        (7_001, 7_900, (), 7_001),  # the far one still meets ordinary
        (7_001, 12_001, (), 12_001),
    ],
)
def test_the_position_that_rules_most_grades_out_decides(
    face_nm: int, far_nm: int, meets: tuple[str, ...], deciding_nm: int
) -> None:
    found = assess_tirs((("face", face_nm), ("far", far_nm)), TWO)
    assert (found.meets, found.tir_nm) == (meets, deciding_nm)
    assert found.at == (("face", face_nm), ("far", far_nm))


def at(face_nm: int, far_nm: int) -> Assessed:
    return assess_tirs((("face", face_nm), ("far", far_nm)), TWO)


def test_the_text_names_the_position_that_decided() -> None:
    over, held = decide([at(8_001, 100)], TWO), decide([at(7_500, 100)], TWO)
    assert over is not None
    assert (over.bin, over.text) == (
        "N", "8.001 µm at face is above the last tolerance limit 8.0 µm",
    )  # fmt: skip
    assert held is not None
    assert (held.bin, held.why) == ("H", "guard-band")
    assert held.text == (
        "7.5 µm at face lies in the guard band: above the last acceptance limit 7.0 µm, "
        "not above the tolerance limit 8.0 µm"
    )
    met = decide([at(2_000, 4_000), at(2_400, 3_000), at(1_000, 1_000)], TWO)
    assert met is not None
    assert met.text == (
        "3 clampings, largest 2.4 µm at face, acceptance limit 2.5 µm; "
        "largest 4.0 µm at far, acceptance limit 4.2 µm"
    )


def test_the_smaller_run_out_above_its_limit_outweighs_the_larger_in_its_guard_band() -> None:
    """Nonconforming near the face is nonconforming, however far the other position is."""
    rules = rule_file(by_place("only", 1, "1", face=(3_000, 0), far=(20_000, 5_000)))
    found = decide([assess_tirs((("face", 3_001), ("far", 16_000)), rules)], rules)
    assert found is not None
    assert (found.bin, found.text[:19]) == ("N", "3.001 µm at face is")


def test_run_out_seen_in_an_invalid_clamping_counts_where_it_was_seen() -> None:
    """5 µm near the face rules the top grade out, at a distance it would be within."""
    near = assess(clamping(({"face": 5_000, "far": None}, False)), TWO)
    assert (near.result, near.seen_nm, near.at) == ("invalid", 5_000, (("face", 5_000),))
    good = [at(1_000, 1_000)] * 3
    found = decide([near, *good], TWO)
    assert found is not None
    assert found.grade == "ordinary"
    far = assess(clamping(({"face": None, "far": 4_200}, False)), TWO)
    found = decide([far, *good], TWO)
    assert found is not None
    assert found.grade == "top"


def test_run_out_of_a_position_without_limit_is_held_to_the_tightest() -> None:
    assert TWO.grades[0].limit_at("elsewhere").acceptance_limit_nm == 2_500
    assert assess_tirs((("elsewhere", 2_501),), TWO).meets == ("ordinary",)


def test_closure_is_held_to_the_limit_at_its_own_position() -> None:
    assert [TWO.top_limit_at_nm(place) for place in PLACES] == [3_000, 5_000]
    assert TWO.top_limit_nm == 3_000
    assert TWO.positions == PLACES
