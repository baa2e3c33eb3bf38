"""Rule files: limits exact, order and bins held, every fault at once."""

from pathlib import Path

import pytest

from daemon.errors import ConfigError
from daemon.rule_file import load_rules, read_rules
from rules.ruleset import RuleSet

GOOD = """
revision = "7"
[cycle]
clampings = 3
[[grade]]
id = "top"
limit_um = 5
clampings = 3
bin = "1"
[[grade]]
id = "ordinary"
limit_um = 10.0
clampings = 1
bin = "2"
[nonconforming]
bin = "N"
[hold]
bin = "H"
"""


def written(folder: Path, *replacements: tuple[str, str]) -> Path:
    text = GOOD
    for old, new in replacements:
        assert old in text
        text = text.replace(old, new, 1)
    path = folder / "rules.toml"
    path.write_text(text, encoding="utf-8")
    return path


def rules_of(folder: Path, *replacements: tuple[str, str]) -> RuleSet:
    return load_rules(written(folder, *replacements))[0].of("")


def faults_of(folder: Path, *replacements: tuple[str, str]) -> list[str]:
    path = written(folder, *replacements)
    with pytest.raises(ConfigError) as caught:
        load_rules(path)
    start = f"{path}: "
    assert all(fault.startswith(start) for fault in caught.value.faults)
    return [fault.removeprefix(start) for fault in caught.value.faults]


def test_defaults_are_those_of_the_contract(tmp_path: Path) -> None:
    rules = rules_of(tmp_path)
    assert (rules.clampings, rules.turns, rules.retries, rules.invalid_max) == (3, 2, 1, 2)
    assert [grade.decision_rule for grade in rules.grades] == ["simple-acceptance"] * 2
    assert rules.rest is None


@pytest.mark.parametrize(
    ("written_as", "limit_nm"),
    [
        ("limit_in = 0.0002", 5_080),  # 1 in = 25.4 mm exactly (international inch, 1959)
        ("limit_in = 0.00039", 9_906),
        ("limit_in = 0.00005", 1_270),
        ("limit_um = 9.3", 9_300),
        ("limit_um = 5", 5_000),
        ("limit_um = 0.001", 1),
        ("limit_um = 5.0000", 5_000),
        ("limit_um = 5e0", 5_000),
    ],
)
def test_a_limit_is_taken_digit_by_digit(
    written_as: str, limit_nm: int, tmp_path: Path
) -> None:
    rules = rules_of(tmp_path, ("limit_um = 5", written_as))
    assert rules.grades[0].tolerance_limit_nm == limit_nm


def test_a_limit_with_a_decimal_that_no_binary_float_has_is_exact(tmp_path: Path) -> None:
    rules = rules_of(tmp_path, ("limit_um = 10.0", "limit_um = 12.3\nguard_um = 0.7"))
    assert rules.grades[1].tolerance_limit_nm == 12_300
    assert rules.grades[1].acceptance_limit_nm == 11_600
    assert rules.grades[1].decision_rule == "guarded-acceptance"


def test_two_limits_in_inch_and_in_micrometres_are_compared_in_nanometres(
    tmp_path: Path,
) -> None:
    said = faults_of(tmp_path, ("limit_um = 10.0", "limit_in = 0.0001"))
    assert said == [
        "grade.1.limit_in: grades stand best first; "
        "accepted is a limit above that of grade.0 (top)"
    ]


# One row a fault: what is replaced, and the whole line.
ROWS = {
    "both units": (
        ("limit_um = 5", "limit_um = 5\nlimit_in = 0.0002"),
        "grade.0.limit_um: accepted is exactly one of limit_um, limit_in and position",
    ),
    "no limit": (
        ("limit_um = 5\n", ""),
        "grade.0.limit_um: accepted is exactly one of limit_um, limit_in and position",
    ),
    "both guard bands": (
        ("limit_um = 5", "limit_um = 5\nguard_um = 1\nguard_in = 0.00001"),
        "grade.0.guard_um: accepted is at most one of guard_um and guard_in",
    ),
    "a limit of nothing": (
        ("limit_um = 5", "limit_um = 0"),
        "grade.0.limit_um: accepted is a limit above 0 and at most 1000000",
    ),
    "a limit below half a nanometre": (
        ("limit_um = 5", "limit_in = 1e-9"),
        "grade.0.limit_in: accepted is a limit above 0 and at most 39",
    ),
    "a limit of a mile": (
        ("limit_um = 10.0", "limit_in = 63360"),
        "grade.1.limit_in: accepted is a limit above 0 and at most 39",
    ),
    "a limit finer than a nanometre": (
        ("limit_um = 5", "limit_um = 5.0001"),
        "grade.0.limit_um: got 5.0001; accepted is a number of µm with at most three decimals",
    ),
    "a limit as text": (
        ("limit_um = 5", 'limit_um = "5"'),
        "grade.0.limit_um: got '5'; accepted is a number of µm with at most three decimals",
    ),
    "a limit that is no number": (
        ("limit_um = 5", "limit_in = nan"),
        "grade.0.limit_in: got NaN; accepted is a number",
    ),
    "a guard band as wide as the limit": (
        ("limit_um = 5", "limit_um = 5\nguard_um = 5"),
        "grade.0.guard_um: accepted is 0 or more and less than the limit",
    ),
    "a negative guard band": (
        ("limit_um = 5", "limit_um = 5\nguard_in = -0.1"),
        "grade.0.guard_in: accepted is 0 or more and less than the limit",
    ),
    "limits out of order": (
        ("limit_um = 10.0", "limit_um = 4.9"),
        "grade.1.limit_um: grades stand best first; "
        "accepted is a limit above that of grade.0 (top)",
    ),
    "equal limits": (
        ("limit_um = 10.0", "limit_um = 5.000"),
        "grade.1.limit_um: grades stand best first; "
        "accepted is a limit above that of grade.0 (top)",
    ),
    "acceptance limits out of order": (
        ("limit_um = 10.0", "limit_um = 10.0\nguard_um = 6"),
        "grade.1.guard_um: limit less guard band is not above that of grade.0 (top); "
        "accepted is a smaller guard band",
    ),
    "one bin for two grades": (
        ('bin = "2"', 'bin = "1"'),
        "grade.1.bin: bin '1' is taken by grade.0.bin; accepted is one kind a bin",
    ),
    "hold and nonconforming in one bin": (
        ('bin = "H"', 'bin = "N"'),
        "hold.bin: bin 'N' is taken by nonconforming.bin; accepted is one kind a bin",
    ),
    "one id for two grades": (
        ('id = "ordinary"', 'id = "top"'),
        "grade.1.id: 'top' is used by grade.0 as well; accepted is an id of its own",
    ),
    "more clampings than the cycle has": (
        ("clampings = 3\nbin", "clampings = 4\nbin"),
        "grade.0.clampings: got 4; accepted is at most cycle.clampings = 3",
    ),
    "no hold bin": (
        ('[hold]\nbin = "H"\n', ""),
        "hold: missing; accepted is a table with bin",
    ),
    "a revision that is a number": (
        ('revision = "7"', "revision = 7"),
        "revision: got 7; Input should be a valid string",
    ),
    "a boolean for clampings": (
        ("[cycle]\nclampings = 3", "[cycle]\nclampings = true"),
        "cycle.clampings: got True; Input should be a valid integer",
    ),
    "an evidence nobody knows": (
        ('bin = "1"', 'bin = "1"\nloosening = "felt"'),
        "grade.0.loosening: got 'felt'; Input should be 'not-observed', 'stylus-lift', "
        "'pin-jump', 'foot-switch' or 'torque-pulse'",
    ),
    "a quality above one": (
        (
            "[hold]",
            '[rest]\nplan = "sample"\nlimiting_quality = 10\nconsumers_risk = 0.1\n[hold]',
        ),
        "rest.limiting_quality: got 10; Input should be less than 1",
    ),
}


@pytest.mark.parametrize("name", ROWS)
def test_a_faulty_rule_file_is_refused_by_key_with_what_is_accepted(
    name: str, tmp_path: Path
) -> None:
    replacement, expected = ROWS[name]
    assert faults_of(tmp_path, replacement) == [expected]


def test_no_fault_of_a_rule_file_hides_another(tmp_path: Path) -> None:
    said = faults_of(
        tmp_path,
        ('revision = "7"', "revision = 7"),
        ("limit_um = 5", "limit_um = 5\ncolour = 1"),
        ("limit_um = 10.0", "limit_um = 4.0"),
        ('bin = "2"', 'bin = "N"'),
        ('bin = "H"', "bin = 8"),
    )
    assert [line.split(": ")[0] for line in said] == [
        "revision", "grade.0.colour", "hold.bin", "grade.1.limit_um", "nonconforming.bin",
    ]  # fmt: skip


def test_no_grade_at_all_is_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "rules.toml"
    path.write_text('revision = "1"\ngrade = []\n[hold]\nbin="H"\n[nonconforming]\nbin="N"\n')
    with pytest.raises(ConfigError, match=r"grade: got \[\]; List should have at least 1 item"):
        load_rules(path)


def test_what_can_be_read_of_a_faulty_file_is_still_known(tmp_path: Path) -> None:
    """So that the bench file's own bins are checked in the same run."""
    found = read_rules(written(tmp_path, ("limit_um = 10.0", "limit_um = 4\ncolour = 1")))
    assert found.rules is None
    assert found.outline.bins == {
        "1": "grade 'top'", "2": "grade 'ordinary'", "N": "nonconforming pieces",
        "H": "pieces on hold",
    }  # fmt: skip
    assert found.outline.is_whole
    assert found.outline.tightest_nm() == 4_000


def test_a_file_without_one_of_its_bins_is_known_not_to_be_whole(tmp_path: Path) -> None:
    found = read_rules(written(tmp_path, ('bin = "2"', "")))
    assert not found.outline.is_whole


def test_the_strongest_loosening_that_any_grade_asks_for_is_asked_for(tmp_path: Path) -> None:
    asked = ('bin = "1"', 'bin = "1"\nloosening = "foot-switch"')
    also = ('bin = "2"', 'bin = "2"\nloosening = "stylus-lift"')
    assert rules_of(tmp_path, asked, also).least_loosening == "foot-switch"
    assert read_rules(written(tmp_path, asked, also)).outline.least_loosening == "foot-switch"


@pytest.mark.parametrize(
    ("key", "attribute"),
    [("gripping_length_mm", "gripping_length_nm"), ("bore_mm", "bore_nm")],
)
def test_what_the_collet_is_like_is_exact_and_an_articles_own_goes_first(
    tmp_path: Path, key: str, attribute: str
) -> None:
    first = 'revision = "7"\n'
    said = (first, f"{first}{key} = 32.5\n")
    assert getattr(rules_of(tmp_path), attribute) is None
    assert getattr(rules_of(tmp_path, said), attribute) == 32_500_000
    grade = '[[article.grade]]\nid = "top"\nlimit_um = 5\nbin = "1"\n'
    articles = f'[[article]]\nid = "A"\n{grade}[[article]]\nid = "B"\n{key} = 20\n{grade}'
    head = GOOD[GOOD.index("[cycle]") : GOOD.index("[nonconforming]")]
    book, _ = load_rules(written(tmp_path, said, (head, articles)))
    assert [getattr(book.of(name), attribute) for name in "AB"] == [32_500_000, 20_000_000]


@pytest.mark.parametrize("key", ["gripping_length_mm", "bore_mm"])
@pytest.mark.parametrize("length", ["0", "-3", "1001", '"long"', "nan"])
def test_a_length_of_the_collet_that_is_none_is_refused_by_its_key(
    tmp_path: Path, key: str, length: str
) -> None:
    first = 'revision = "7"\n'
    (fault,) = faults_of(tmp_path, (first, f"{first}{key} = {length}\n"))
    assert fault.startswith(f"{key}: got ")
