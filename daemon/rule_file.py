"""The rule file: grades, cycle, bins for what no grade takes. Models here, sense in rules/."""

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from daemon.errors import ConfigError
from daemon.toml_file import Faults, Number, Section, Share, Word, read_toml
from rules.length import LengthError, inch_to_nm, um_to_nm
from rules.ruleset import Evidence, Grade, Rest, RuleSet

Count = Annotated[int, Field(ge=1, le=20)]


class CycleSection(Section):
    """How a cycle runs."""

    clampings: Count = 3
    turns: Annotated[int, Field(ge=1, le=20)] = 2
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    invalid_max: Annotated[int, Field(ge=0, le=10)] = 2


class GradeSection(Section):
    """One grade, best first in the file; its limit in µm or in inch."""

    id: Word
    limit_um: Number | None = None
    limit_in: Number | None = None
    guard_um: Number | None = None
    guard_in: Number | None = None
    clampings: Count | None = None
    bin: Word
    loosening: Evidence | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> "GradeSection":
        if (self.limit_um is None) == (self.limit_in is None):
            raise ValueError("limit: accepted is exactly one of limit_um and limit_in")
        if self.guard_um is not None and self.guard_in is not None:
            raise ValueError("guard: accepted is at most one of guard_um and guard_in")
        if self.limit_nm <= 0:
            raise ValueError("limit: accepted is a limit above 0")
        if not 0 <= self.guard_nm < self.limit_nm:
            raise ValueError("guard: accepted is 0 or more and less than the limit")
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

    revision: Annotated[str, Field(min_length=1, max_length=60)]
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


def load_rules(path: Path) -> tuple[RuleSet, str]:
    """Return the rules of a file and its text.

    Raises:
        ConfigError: With every fault of the file.
    """
    source = read_toml(path)
    faults = Faults(path)
    try:
        parsed = faults.model(RuleFile, source.raw, "")
    except LengthError as error:
        faults.add("grade", str(error))
        parsed = None
    if parsed is not None:
        _check_together(parsed, faults)
    else:
        _check_order_of_raw(source.raw.get("grade"), faults)
    if faults.lines or parsed is None:
        raise ConfigError(faults.lines)
    return parsed.ruleset(source.sha256), source.text


def _check_together(file: RuleFile, faults: Faults) -> None:
    previous = None
    ids: set[str] = set()
    for number, grade in enumerate(file.grade):
        key = f"grade.{number}"
        if grade.id in ids:
            faults.add(f"{key}.id", f"{grade.id!r} is used twice")
        ids.add(grade.id)
        if (grade.clampings or 1) > file.cycle.clampings:
            most = file.cycle.clampings
            faults.add(f"{key}.clampings", f"accepted is at most cycle.clampings = {most}")
        if previous is not None and grade.limit_nm <= previous.limit_nm:
            faults.add(f"{key}.limit", _order_text(previous.id))
        acceptance = grade.limit_nm - grade.guard_nm
        if previous is not None and acceptance <= previous.limit_nm - previous.guard_nm:
            text = f"acceptance limit (limit less guard band) not above that of {previous.id!r}"
            faults.add(f"{key}.guard", text)
        previous = grade
    _check_bins(file, faults)


def _order_text(previous: str) -> str:
    return f"grades stand best first: accepted is a limit above that of {previous!r}"


def _check_bins(file: RuleFile, faults: Faults) -> None:
    taken: dict[str, str] = {}
    named = [(f"grade.{n}.bin", g.bin) for n, g in enumerate(file.grade)]
    for key, bin_id in [
        *named, ("nonconforming.bin", file.nonconforming.bin), ("hold.bin", file.hold.bin)
    ]:  # fmt: skip
        if bin_id in taken:
            faults.add(key, f"bin {bin_id!r} is taken by {taken[bin_id]}: one kind a bin")
        taken.setdefault(bin_id, key)


def _check_order_of_raw(grades: object, faults: Faults) -> None:
    """Name limits out of order even where another fault keeps the file from loading."""
    if not isinstance(grades, list):
        return
    previous: GradeSection | None = None
    for number, raw in enumerate(grades):
        try:
            grade = GradeSection.model_validate(raw)
        except ValueError:
            continue
        if previous is not None and grade.limit_nm <= previous.limit_nm:
            faults.add(f"grade.{number}.limit", _order_text(previous.id))
        previous = grade
