"""The rule file: read, held to its models and cross-checks, handed to rules/ as plain rules."""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path

from daemon.errors import ConfigError
from daemon.rule_checks import RuleOutline, check_together, outline
from daemon.rule_sections import (
    ArticleSection,
    CycleSection,
    GradeSection,
    PositionSection,
    RuleFile,
    UncertaintySection,
)  # fmt: skip
from daemon.toml_file import Faults, TomlText, read_toml
from rules.length import decimal_to_nm
from rules.ruleset import Grade, Limit, Resolution, RuleBook, RuleSet, tightest


def _book(file: RuleFile, sha256: str) -> RuleBook:
    """Return the plain rules the core works with."""
    sets = [_ruleset(file, one, sha256) for one in _articles(file)]
    return RuleBook(file.revision, sha256, {one.article: one for one in sets})


def _articles(file: RuleFile) -> Iterator[ArticleSection]:
    """Yield what the file says of each article, what it says of all filled in."""
    if file.article is None:
        assert file.grade is not None  # the model wants one of both
        yield ArticleSection.model_construct(
            id="", cycle=file.cycle, grade=file.grade, rest=file.rest,
            uncertainty=file.uncertainty, gripping_length_mm=file.gripping_length_mm,
            torque_nmm=file.torque_nmm,
            bore_mm=file.bore_mm,
        )  # fmt: skip
        return
    for one in file.article:
        said = {**_said(file.cycle), **_said(one.cycle)}
        whole = {
            "cycle": CycleSection(**said),
            "rest": one.rest or file.rest,
            "uncertainty": one.uncertainty or file.uncertainty,
            "gripping_length_mm": one.gripping_length_mm or file.gripping_length_mm,
            "torque_nmm": one.torque_nmm or file.torque_nmm,
            "bore_mm": one.bore_mm or file.bore_mm,
        }
        yield one.model_copy(update=whole)


def _said(cycle: CycleSection) -> dict[str, int]:
    return cycle.model_dump(exclude_unset=True)


def _ruleset(file: RuleFile, one: ArticleSection, sha256: str) -> RuleSet:
    return RuleSet(
        revision=file.revision,
        sha256=sha256,
        grades=tuple(_grade(section, one) for section in one.grade),
        nonconforming_bin=file.nonconforming.bin,
        hold_bin=file.hold.bin,
        clampings=one.cycle.clampings,
        turns=one.cycle.turns,
        retries=one.cycle.retries,
        invalid_max=one.cycle.invalid_max,
        rest=one.rest.rest() if one.rest is not None else None,
        article=one.id,
        resolution=Resolution(**file.resolution.model_dump()),
        expanded_uncertainty_nm=one.uncertainty.nm if one.uncertainty is not None else None,
        gripping_length_nm=_mm_to_nm(one.gripping_length_mm),
        torque_nmm=one.torque_nmm,
        bore_nm=_mm_to_nm(one.bore_mm),
    )


def _mm_to_nm(mm: Decimal | None) -> int | None:
    return decimal_to_nm(mm, "mm") if mm is not None else None


def _grade(section: GradeSection, one: ArticleSection) -> Grade:
    places: dict[str, GradeSection | PositionSection] = dict(section.position or {})
    positions = tuple(
        _limit(name, place, section, one.uncertainty) for name, place in places.items()
    )
    leading = tightest(positions or (_limit("", section, section, one.uncertainty),))
    return Grade(
        id=section.id,
        tolerance_limit_nm=leading.tolerance_limit_nm,
        clampings=section.clampings or one.cycle.clampings,
        bin=section.bin,
        guard_band_nm=leading.guard_band_nm,
        loosening=section.loosening,
        positions=positions,
        guard_is_uncertainty=leading.guard_is_uncertainty,
    )


def _limit(
    position: str,
    place: GradeSection | PositionSection,
    grade: GradeSection,
    uncertainty: UncertaintySection | None,
) -> Limit:
    limit_nm, guard_nm = place.limit_nm, place.guard_nm
    assert limit_nm is not None  # the models want one
    if guard_nm is None and grade.decision_rule == "guarded-acceptance":
        assert uncertainty is not None  # the cross-checks want it
        return Limit(limit_nm, uncertainty.nm, position, guard_is_uncertainty=True)
    return Limit(limit_nm, guard_nm or 0, position)


@dataclass(frozen=True, slots=True)
class RuleText:
    """A rule file without faults: what it says, and its text."""

    book: RuleBook
    text: str


@dataclass(frozen=True, slots=True)
class ReadRules:
    """A rule file as read.

    Attributes:
        path: The file.
        text: Its text.
        rules: What it says; None if it has faults.
        faults: A line for each.
        outline: What can be read of it in spite of them.
    """

    path: Path
    text: str
    rules: RuleBook | None
    faults: tuple[str, ...]
    outline: RuleOutline

    @property
    def good(self) -> RuleText | None:
        """Return the file as it can be gone by; None if it has faults."""
        return RuleText(self.rules, self.text) if self.rules is not None else None


def read_rules(path: Path) -> ReadRules:
    """Return a rule file with its faults, if it has any.

    Raises:
        ConfigError: If it can't be read or is no TOML.
    """
    return rules_of(read_toml(path))


def rules_of(source: TomlText) -> ReadRules:
    """Return the rules of a text with its faults, if it has any."""
    faults = Faults(source.path)
    parsed = faults.model(RuleFile, source.raw, "")
    check_together(source.raw, faults)
    is_good = parsed is not None and not faults.lines
    rules = _book(parsed, source.sha256) if parsed is not None and is_good else None
    return ReadRules(source.path, source.text, rules, tuple(faults.lines), outline(source.raw))


def load_rules(path: Path) -> tuple[RuleBook, str]:
    """Return the rules of a file and its text.

    Raises:
        ConfigError: With every fault of the file.
    """
    found = read_rules(path)
    if found.rules is None:
        raise ConfigError(found.faults)
    return found.rules, found.text
