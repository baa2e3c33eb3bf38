"""The rule file: grades, cycle, bins for what no grade takes. Models here, sense in rules/."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from daemon.errors import ConfigError
from daemon.rule_checks import RuleOutline, check_together, outline
from daemon.toml_file import Faults, TomlText, read_toml
from daemon.toml_values import KeyFaultError, Micrometres, Number, Section, Share, Text, Word
from rules.length import inch_to_nm, um_to_nm
from rules.ruleset import Evidence, Grade, Rest, RuleSet

Count = Annotated[int, Field(ge=1, le=20)]

_LARGEST_LIMIT_NM = 1_000_000_000
"""A metre: whatever a file says beyond it is a slip of unit or finger."""


class CycleSection(Section):
    """How a cycle runs."""

    clampings: Count = 3
    turns: Annotated[int, Field(ge=1, le=20)] = 2
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    invalid_max: Annotated[int, Field(ge=0, le=10)] = 2


class GradeSection(Section):
    """One grade, best first in the file; its limit in µm or in inch."""

    id: Word
    limit_um: Micrometres | None = None
    limit_in: Number | None = None
    guard_um: Micrometres | None = None
    guard_in: Number | None = None
    clampings: Count | None = None
    bin: Word
    loosening: Evidence | None = None

    @model_validator(mode="after")
    def _fits(self) -> "GradeSection":
        if (self.limit_um is None) == (self.limit_in is None):
            text = "accepted is exactly one of limit_um and limit_in"
            raise KeyFaultError("limit_um", text)
        if self.guard_um is not None and self.guard_in is not None:
            raise KeyFaultError("guard_um", "accepted is at most one of guard_um and guard_in")
        if not 0 < self.limit_nm <= _LARGEST_LIMIT_NM:
            key, most = ("limit_in", "39") if self.limit_um is None else ("limit_um", "1000000")
            raise KeyFaultError(key, f"accepted is a limit above 0 and at most {most}")
        if not 0 <= self.guard_nm < self.limit_nm:
            key = "guard_in" if self.guard_um is None else "guard_um"
            raise KeyFaultError(key, "accepted is 0 or more and less than the limit")
        return self

    @property
    def limit_nm(self) -> int:
        """Return the tolerance limit in nanometres."""
        if self.limit_in is not None:
            return inch_to_nm(self.limit_in)
        assert self.limit_um is not None  # one of both, checked above
        return um_to_nm(self.limit_um)

    @property
    def guard_nm(self) -> int:
        """Return the guard band in nanometres."""
        if self.guard_in is not None:
            return inch_to_nm(self.guard_in)
        return um_to_nm(self.guard_um) if self.guard_um is not None else 0


class BinSection(Section):
    """Where pieces of this kind go."""

    bin: Word


class RestSection(Section):
    """How the unmeasured rest is to be judged."""

    plan: Literal["sample", "measured"]
    limiting_quality: Share
    consumers_risk: Share


class RuleFile(Section):
    """The whole file."""

    revision: Annotated[Text, Field(max_length=60)]
    cycle: CycleSection = CycleSection()
    grade: Annotated[list[GradeSection], Field(min_length=1)]
    nonconforming: BinSection
    hold: BinSection
    rest: RestSection | None = None

    def ruleset(self, sha256: str) -> RuleSet:
        """Return the plain rules the core works with."""
        return RuleSet(
            revision=self.revision,
            sha256=sha256,
            grades=tuple(self._grade(section) for section in self.grade),
            nonconforming_bin=self.nonconforming.bin,
            hold_bin=self.hold.bin,
            clampings=self.cycle.clampings,
            turns=self.cycle.turns,
            retries=self.cycle.retries,
            invalid_max=self.cycle.invalid_max,
            rest=Rest(**self.rest.model_dump()) if self.rest is not None else None,
        )

    def _grade(self, section: GradeSection) -> Grade:
        return Grade(
            id=section.id,
            tolerance_limit_nm=section.limit_nm,
            clampings=section.clampings or self.cycle.clampings,
            bin=section.bin,
            guard_band_nm=section.guard_nm,
            loosening=section.loosening,
        )


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
    rules: RuleSet | None
    faults: tuple[str, ...]
    outline: RuleOutline


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
    rules = parsed.ruleset(source.sha256) if parsed is not None and is_good else None
    return ReadRules(source.path, source.text, rules, tuple(faults.lines), outline(source.raw))


def load_rules(path: Path) -> tuple[RuleSet, str]:
    """Return the rules of a file and its text.

    Raises:
        ConfigError: With every fault of the file.
    """
    found = read_rules(path)
    if found.rules is None:
        raise ConfigError(found.faults)
    return found.rules, found.text
