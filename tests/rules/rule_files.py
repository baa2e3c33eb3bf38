"""Rule files and sets of clampings as the grading tests use them."""

from rules.grading import Assessed, assess_tir, decide
from rules.length import um_to_nm
from rules.ruleset import Grade, RuleSet


def rule_file(*grades: Grade, invalid_max: int = 2) -> RuleSet:
    return RuleSet("1", "0" * 64, grades, "N", "H", invalid_max=invalid_max)


def top_and_ordinary(
    top_nm: int, ordinary_nm: int, clampings: int = 3, ordinary_clampings: int = 3
) -> RuleSet:
    return rule_file(
        Grade("top", top_nm, clampings, "1"),
        Grade("ordinary", ordinary_nm, ordinary_clampings, "2"),
    )


def no_result(seen_nm: int | None = None) -> Assessed:
    return Assessed("invalid", None, seen_nm, invalid="short-turn")


def graded(rules: RuleSet, *tirs_um: str) -> str | None:
    """Return the grade of valid clampings in micrometres; "N" or "H" where there is none."""
    decision = decide([assess_tir(um_to_nm(tir), rules) for tir in tirs_um], rules)
    assert decision is not None
    return decision.grade or decision.bin


FIVE_AND_TEN = top_and_ordinary(um_to_nm(5), um_to_nm(10))
