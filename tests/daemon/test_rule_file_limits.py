"""Rule files: limits per position, decision rules, uncertainty, articles; each fault by key."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon.config import load
from daemon.errors import ConfigError
from daemon.rule_file import load_rules
from daemon.store.event_data import decision_rules, stated_rules
from rules.ruleset import Limit, Resolution, RuleBook, UnknownArticleError

Make = Callable[..., Path]

HEAD = 'revision = "7"\n'
TAIL = '[nonconforming]\nbin = "N"\n[hold]\nbin = "H"\n'
TOP = """
[[grade]]
id = "top"
clampings = 3
bin = "1"
position.face = { limit_um = 3.0, guard_um = 0.5 }
position.far = { limit_in = 0.0002, guard_um = 0.8 }
"""
ORDINARY = """
[[grade]]
id = "ordinary"
clampings = 1
bin = "2"
position.face = { limit_um = 8 }
position.far = { limit_um = 12 }
"""
PLAIN = '[[grade]]\nid = "top"\nlimit_um = 4\nbin = "1"\n'
UNCERTAINTY = "[uncertainty]\nexpanded_um = 0.8\n"


def book_of(folder: Path, *parts: str) -> RuleBook:
    path = folder / "rules.toml"
    path.write_text(HEAD + "".join(parts) + TAIL, encoding="utf-8")
    return load_rules(path)[0]


def faults_of(folder: Path, *parts: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        book_of(folder, *parts)
    start = f"{folder / 'rules.toml'}: "
    assert all(fault.startswith(start) for fault in caught.value.faults)
    return [fault.removeprefix(start) for fault in caught.value.faults]


def test_limits_per_position_are_exact_and_each_has_its_guard_band(tmp_path: Path) -> None:
    rules = book_of(tmp_path, TOP, ORDINARY).of("")
    top, ordinary = rules.grades
    assert top.positions == (Limit(3_000, 500, "face"), Limit(5_080, 800, "far"))
    assert ordinary.positions == (Limit(8_000, 0, "face"), Limit(12_000, 0, "far"))
    assert (top.tolerance_limit_nm, top.acceptance_limit_nm) == (3_000, 2_500)  # the tightest
    assert rules.positions == ("face", "far")


def test_one_grade_may_have_one_limit_for_all_positions(tmp_path: Path) -> None:
    wide = ORDINARY[: ORDINARY.index("position")] + "limit_um = 9\n"
    rules = book_of(tmp_path, TOP, wide).of("")
    assert rules.grades[1].limit_at("face").tolerance_limit_nm == 9_000
    assert rules.positions == ("face", "far")


def test_a_limit_may_be_the_same_at_one_position_if_it_is_wider_at_another(
    tmp_path: Path,
) -> None:
    same = ORDINARY.replace("limit_um = 8", "limit_um = 3.0, guard_um = 0.5")
    assert len(book_of(tmp_path, TOP, same).of("").grades) == 2


# One row a fault: the parts of the file, and the one line.
ROWS: dict[str, tuple[tuple[str, ...], str]] = {
    "a limit for all and one per position": (
        (TOP.replace('bin = "1"', 'bin = "1"\nlimit_um = 4'),),
        "grade.0.limit_um: accepted is exactly one of limit_um, limit_in and position",
    ),
    "a guard band for all positions": (
        (TOP.replace('bin = "1"', 'bin = "1"\nguard_um = 0.1'),),
        "grade.0.guard_um: the limits are given per position; accepted is a guard band there",
    ),
    "a position without its limit": (
        (TOP.replace("limit_um = 3.0, ", ""),),
        "grade.0.position.face.limit_um: accepted is exactly one of limit_um and limit_in",
    ),
    "a guard band as wide as the limit of its position": (
        (TOP.replace("guard_um = 0.5", "guard_um = 3.0"),),
        "grade.0.position.face.guard_um: accepted is 0 or more and less than the limit",
    ),
    "an unknown key of a position": (
        (TOP.replace("guard_um = 0.5", "colour = 1"),),
        "grade.0.position.face.colour: unknown key; accepted are guard_in, guard_um, "
        "limit_in, limit_um",
    ),
    "limits that fall at one position": (
        (TOP, ORDINARY.replace("limit_um = 8", "limit_um = 2.9")),
        "grade.1.position.face.limit_um: grades stand best first; accepted is a limit above "
        "that of grade.0 (top)",
    ),
    "acceptance limits that fall at one position": (
        (TOP, ORDINARY.replace("limit_um = 8", "limit_um = 8, guard_um = 6")),
        "grade.1.position.face.guard_um: limit less guard band is not above that of grade.0 "
        "(top); accepted is a smaller guard band",
    ),
    "another set of positions": (
        (TOP, ORDINARY.replace("position.far", "position.back")),
        "grade.1.position: limits at back, face; accepted are face, far as in grade.0 (top)",
    ),
    "guarded without anything to guard with": (
        (PLAIN, 'decision_rule = "guarded-acceptance"\n'),
        "grade.0.guard_um: guarded acceptance needs a guard band; accepted is guard_um, "
        "guard_in, or a table [uncertainty] with expanded_um, which is then taken for it",
    ),
    "guarded by nothing": (
        (PLAIN, 'decision_rule = "guarded-acceptance"\nguard_um = 0\n'),
        "grade.0.guard_um: guarded acceptance needs a guard band; accepted is more than 0",
    ),
    "simple with a guard band": (
        (PLAIN, 'decision_rule = "simple-acceptance"\nguard_in = 0.00001\n'),
        "grade.0.guard_in: simple acceptance has no guard band; accepted is none, or 0",
    ),
    "a rule nobody knows": (
        (PLAIN, 'decision_rule = "shared-risk"\n'),
        "grade.0.decision_rule: got 'shared-risk'; Input should be 'simple-acceptance' or "
        "'guarded-acceptance'",
    ),
    "an uncertainty above the limit as guard band": (
        (PLAIN, 'decision_rule = "guarded-acceptance"\n', "[uncertainty]\nexpanded_um = 4\n"),
        "grade.0.guard_um: the guard band is U = 4.0 µm, not less than the limit 4.0 µm; "
        "accepted is a smaller guard_um",
    ),
    "an uncertainty at k = 1": (
        (PLAIN, UNCERTAINTY, "coverage_factor = 1\n"),
        "uncertainty.coverage_factor: got 1; accepted is 2, U at k = 2",
    ),
    "an uncertainty in both units": (
        (PLAIN, UNCERTAINTY, "expanded_in = 0.00003\n"),
        "uncertainty.expanded_um: accepted is exactly one of expanded_um and expanded_in",
    ),
    "an uncertainty of nothing": (
        (PLAIN, "[uncertainty]\nexpanded_um = 0\n"),
        "uncertainty.expanded_um: accepted is a limit above 0 and at most 1000000",
    ),
    "a warning later than the refusal": (
        (PLAIN, "[resolution]\nwarn_percent = 25\n"),
        "resolution.warn_percent: accepted is at most refuse_percent = 20",
    ),
    "a refusal at no step at all": (
        (PLAIN, "[resolution]\nrefuse_percent = 0\n"),
        "resolution.refuse_percent: got 0; Input should be greater than or equal to 1",
    ),
}


@pytest.mark.parametrize("name", ROWS)
def test_a_fault_is_told_by_key_with_what_is_accepted(name: str, tmp_path: Path) -> None:
    parts, expected = ROWS[name]
    assert faults_of(tmp_path, *parts) == [expected]


class TestDecisionRule:
    """Simple, guarded by a band of its own, guarded by the expanded uncertainty."""

    @staticmethod
    def stated(book: RuleBook) -> dict[str, Any]:
        (found,) = decision_rules(book.of(""))
        return found.model_dump(exclude_defaults=True)

    def test_simple_acceptance_states_the_uncertainty_and_takes_nothing_off(
        self, tmp_path: Path
    ) -> None:
        found = self.stated(book_of(tmp_path, PLAIN, UNCERTAINTY))
        assert found == {
            "grade": "top", "rule": "simple-acceptance", "tolerance_limit_um": 4.0,
            "acceptance_limit_um": 4.0, "expanded_uncertainty_um": 0.8, "coverage_factor": 2,
        }  # fmt: skip

    def test_guarded_by_a_band_of_its_own(self, tmp_path: Path) -> None:
        rule = 'decision_rule = "guarded-acceptance"\nguard_um = 0.5\n'
        found = self.stated(book_of(tmp_path, PLAIN, rule, UNCERTAINTY))
        assert (found["rule"], found["acceptance_limit_um"]) == ("guarded-acceptance", 3.5)
        assert "guard_is_uncertainty" not in found

    def test_guarded_by_the_expanded_uncertainty(self, tmp_path: Path) -> None:
        """Limit less U, k = 2: the default of ISO 14253-1 (from memory)."""
        rule = 'decision_rule = "guarded-acceptance"\n'
        found = self.stated(book_of(tmp_path, PLAIN, rule, UNCERTAINTY))
        assert (found["rule"], found["acceptance_limit_um"]) == ("guarded-acceptance", 3.2)
        assert (found["guard_is_uncertainty"], found["coverage_factor"]) == (True, 2)

    def test_the_same_by_position(self, tmp_path: Path) -> None:
        top = TOP.replace(", guard_um = 0.5", "") + 'decision_rule = "guarded-acceptance"\n'
        found = self.stated(book_of(tmp_path, top, UNCERTAINTY))
        assert found["positions"] == [
            {"position": "face", "rule": "guarded-acceptance", "tolerance_limit_um": 3.0,
             "acceptance_limit_um": 2.2, "guard_is_uncertainty": True},
            {"position": "far", "rule": "guarded-acceptance", "tolerance_limit_um": 5.08,
             "acceptance_limit_um": 4.28},
        ]  # fmt: skip

    def test_what_a_file_does_not_say_is_stated_as_it_was_before_it_could_be_said(
        self, tmp_path: Path
    ) -> None:
        """Older verdicts hold this text; ``recompute`` compares it letter by letter."""
        assert stated_rules(book_of(tmp_path, PLAIN).of("")) == (
            '[{"grade": "top", "rule": "simple-acceptance", "tolerance_limit_um": 4.0, '
            '"acceptance_limit_um": 4.0}]'
        )


def article(name: str, limit_um: float, more: str = "") -> str:
    return (
        f'[[article]]\nid = "{name}"\n{more}[[article.grade]]\nid = "top"\n'
        f'limit_um = {limit_um}\nbin = "1"\n'
    )


class TestArticles:
    def test_each_article_has_its_grades_and_shares_what_the_file_says_of_all(
        self, tmp_path: Path
    ) -> None:
        cycle, own = "[cycle]\nturns = 3\nretries = 2\n", "cycle = { turns = 4 }\n"
        book = book_of(
            tmp_path, cycle, UNCERTAINTY, "[resolution]\nrefuse_percent = 25\n",
            article("MR-10-MED", 4), article("MR 16/LRG", 7, own),
        )  # fmt: skip
        assert list(book.articles) == ["MR-10-MED", "MR 16/LRG"]
        small, large = book.of("MR-10-MED"), book.of("MR 16/LRG")
        assert [small.top_limit_nm, large.top_limit_nm] == [4_000, 7_000]
        assert [(one.turns, one.retries) for one in (small, large)] == [(3, 2), (4, 2)]
        assert small.expanded_uncertainty_nm == large.expanded_uncertainty_nm == 800
        assert large.resolution == Resolution(10, 25)
        assert book.first is small

    def test_an_unknown_article_lists_the_known_ones(self, tmp_path: Path) -> None:
        book = book_of(tmp_path, article("A", 4), article("B", 7))
        with pytest.raises(UnknownArticleError, match="no article 'C'; accepted are A, B"):
            book.of("C")

    def test_a_file_without_articles_holds_for_any(self, tmp_path: Path) -> None:
        book = book_of(tmp_path, PLAIN)
        assert book.of("anything") is book.of("") is book.first

    @pytest.mark.parametrize(
        ("parts", "expected"),
        [
            (
                (PLAIN, article("A", 4)),
                "grade: accepted is [[grade]] tables of the file, or of each [[article]], "
                "not both",
            ),
            (
                (),
                "grade: missing; accepted is one or more [[grade]] tables, or [[article]] "
                "with them",
            ),
            (
                (article("A", 4), article("A", 5)),
                "article.1.id: 'A' is used by article.0 as well; accepted is one of its own",
            ),
            (
                (article("A", 4), article("B", 0)),
                "article.1.grade.0.limit_um: accepted is a limit above 0 and at most 1000000",
            ),
            (
                (article("A", 4), article("B", 5).replace('"top"', '"best"')),
                "article.1.grade.0.bin: bin '1' is taken by article.0.grade.0.bin; "
                "accepted is one kind a bin",
            ),
            (
                (article("A", 4, "cycle = { clampings = 2 }\n"), "clampings = 3\n"),
                "article.0.grade.0.clampings: got 3; accepted is at most cycle.clampings = 2",
            ),
        ],
    )
    def test_a_fault_names_article_and_key(
        self, parts: tuple[str, ...], expected: str, tmp_path: Path
    ) -> None:
        assert faults_of(tmp_path, *parts) == [expected]


RULES = 'limit_um = 4.0\nguard_um = 0.8\nclampings = 3\nbin = "1"'
BY_PLACE = 'position.far = {{ limit_um = 4.0 }}{more}\nclampings = 3\nbin = "1"'


def bench_faults(path: Path, edit: Callable[[str], str]) -> list[str]:
    """Return what is wrong with a bench file once its rule file was edited."""
    rules = path.parent / "mr-10-med.rules.toml"
    rules.write_text(edit(rules.read_text()), encoding="utf-8")
    try:
        load(path)
    except ConfigError as error:
        return [fault.removeprefix(f"{path}: ") for fault in error.faults]
    return []


class TestWithTheBenchFile:
    def test_limits_at_the_bench_s_positions_are_fine(self, bench_folder: Make) -> None:
        said = bench_faults(
            bench_folder(), lambda text: text.replace(RULES, BY_PLACE.format(more=""))
        )
        assert said == []

    def test_a_limit_where_no_indicator_stands_names_both_files(
        self, bench_folder: Make
    ) -> None:
        more = "\nposition.face = { limit_um = 3 }"
        said = bench_faults(
            bench_folder(), lambda text: text.replace(RULES, BY_PLACE.format(more=more))
        )
        assert said == [
            "bench.0.indicator: none stands at 'face', which grade.0.position.face of "
            "mr-10-med.rules.toml limits; accepted is one at each of face, far"
        ]

    def test_an_indicator_where_nothing_is_limited_names_both_files(
        self, bench_folder: Make
    ) -> None:
        text = BY_PLACE.format(more="").replace("far", "face")
        said = bench_faults(bench_folder(), lambda rules: rules.replace(RULES, text))
        assert said == [
            "bench.0.indicator.0.position: 'far' has no limit in grade.0 of "
            "mr-10-med.rules.toml; accepted are face",
            "bench.0.indicator: none stands at 'face', which grade.0.position.face of "
            "mr-10-med.rules.toml limits; accepted is one at each of face",
        ]

    def test_a_step_is_held_to_the_limit_at_its_own_position(self, bench_folder: Make) -> None:
        """0.7 µm is above a fifth of the 3 µm; the refusal can be moved."""
        path = bench_folder(
            ("projection_mm = 25\nstep_um = 0.1", "projection_mm = 25\nstep_um = 0.7")
        )
        tight = BY_PLACE.format(more="").replace("4.0", "3.0")
        (said,) = bench_faults(path, lambda text: text.replace(RULES, tight))
        assert said == (
            "bench.0.indicator.0.step_um: a step of 0.7 µm is above a fifth of the tightest "
            "limit 3 µm; accepted is 0.6 or less"
        )
        assert not bench_faults(path, lambda text: text + "[resolution]\nrefuse_percent = 30\n")
        (said,) = bench_faults(path, lambda text: text.replace("t = 30", "t = 15"))
        assert "is above 15 % of the tightest limit 3 µm; accepted is 0.45 or less" in said

    def test_a_lot_of_an_article_that_the_file_has_not(self, bench_folder: Make) -> None:
        def edit(text: str) -> str:
            start = text.index("[[grade]]")
            end = text.index("[nonconforming]")
            grades = text[start:end].replace("[[grade]]", "[[article.grade]]")
            return text[:start] + '[[article]]\nid = "OTHER"\n' + grades + text[end:]

        (said,) = bench_faults(bench_folder(), edit)
        assert said == (
            "bench.0.lot.article: no article 'MR-10-MED' in mr-10-med.rules.toml; "
            "accepted are OTHER"
        )
        assert (
            bench_faults(bench_folder(), lambda t: edit(t).replace("OTHER", "MR-10-MED")) == []
        )
