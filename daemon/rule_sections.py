"""The tables of a rule file, one pydantic model each; numbers carry units in their names."""

from decimal import Decimal
from typing import Annotated

from pydantic import Field, model_validator

from daemon.rest_section import RestSection
from daemon.toml_values import KeyFaultError, Micrometres, Number, Section, Text, Torque, Word
from rules.length import inch_to_nm, um_to_nm
from rules.ruleset import COVERAGE_FACTOR, DecisionRule, Evidence, Resolution

Count = Annotated[int, Field(ge=1, le=20)]
Percent = Annotated[int, Field(ge=1, le=50)]

_LARGEST_LIMIT_NM = 1_000_000_000
"""A metre: whatever a file says beyond it is a slip of unit or finger."""


def _nm(um: Decimal | None, inch: Decimal | None) -> int | None:
    """Return a length given in one of two units; None where neither is."""
    if inch is not None:
        return inch_to_nm(inch)
    return um_to_nm(um) if um is not None else None


def _must_be_a_limit(key: str, limit_nm: int) -> None:
    if not 0 < limit_nm <= _LARGEST_LIMIT_NM:
        most = "39" if key.endswith("_in") else "1000000"
        raise KeyFaultError(key, f"accepted is a limit above 0 and at most {most}")


class CycleSection(Section):
    """How a cycle runs."""

    clampings: Count = 3
    turns: Annotated[int, Field(ge=1, le=20)] = 2
    retries: Annotated[int, Field(ge=0, le=5)] = 1
    invalid_max: Annotated[int, Field(ge=0, le=10)] = 2


class _Limited(Section):
    """A limit with its guard band, each in µm or in inch."""

    limit_um: Micrometres | None = None
    limit_in: Number | None = None
    guard_um: Micrometres | None = None
    guard_in: Number | None = None

    @property
    def limit_nm(self) -> int | None:
        """Return the tolerance limit in nanometres; None where none is given."""
        return _nm(self.limit_um, self.limit_in)

    @property
    def guard_nm(self) -> int | None:
        """Return the guard band in nanometres; None where none is given."""
        return _nm(self.guard_um, self.guard_in)

    def _check_lengths(self) -> None:
        if self.guard_um is not None and self.guard_in is not None:
            raise KeyFaultError("guard_um", "accepted is at most one of guard_um and guard_in")
        limit_nm = self.limit_nm
        if limit_nm is None:
            return
        _must_be_a_limit("limit_in" if self.limit_um is None else "limit_um", limit_nm)
        if not 0 <= (self.guard_nm or 0) < limit_nm:
            key = "guard_in" if self.guard_um is None else "guard_um"
            raise KeyFaultError(key, "accepted is 0 or more and less than the limit")


class PositionSection(_Limited):
    """The limit of a grade at one position of the bench."""

    @model_validator(mode="after")
    def _fits(self) -> "PositionSection":
        if (self.limit_um is None) == (self.limit_in is None):
            text = "accepted is exactly one of limit_um and limit_in"
            raise KeyFaultError("limit_um", text)
        self._check_lengths()
        return self


class GradeSection(_Limited):
    """One grade, best first in the file: one limit for all positions, or one for each.

    ``decision_rule = "guarded-acceptance"`` without a guard band takes the expanded
    uncertainty of the file for it.
    """

    id: Word
    position: Annotated[dict[Word, PositionSection], Field(min_length=1)] | None = None
    decision_rule: DecisionRule | None = None
    clampings: Count | None = None
    bin: Word
    loosening: Evidence | None = None

    @model_validator(mode="after")
    def _fits(self) -> "GradeSection":
        given = [self.limit_um, self.limit_in, self.position]
        if sum(one is not None for one in given) != 1:
            text = "accepted is exactly one of limit_um, limit_in and position"
            raise KeyFaultError("limit_um", text)
        if self.position is not None and self.guard_nm is not None:
            key = "guard_in" if self.guard_um is None else "guard_um"
            text = "the limits are given per position; accepted is a guard band there"
            raise KeyFaultError(key, text)
        self._check_lengths()
        return self


GrippingLength = Annotated[Number, Field(gt=0, le=1000)]
"""Millimetres over which the collet grips: so much of a pin has to be there."""

Bore = Annotated[Number, Field(gt=0, le=1000)]
"""Millimetres of the collet's bore: its pin has to be of that size."""


class BinSection(Section):
    """Where pieces of this kind go."""

    bin: Word


class UncertaintySection(Section):
    """The expanded uncertainty U of a measured TIR on this bench, in µm or in inch."""

    expanded_um: Micrometres | None = None
    expanded_in: Number | None = None
    coverage_factor: int = COVERAGE_FACTOR

    @model_validator(mode="after")
    def _fits(self) -> "UncertaintySection":
        if (self.expanded_um is None) == (self.expanded_in is None):
            text = "accepted is exactly one of expanded_um and expanded_in"
            raise KeyFaultError("expanded_um", text)
        _must_be_a_limit("expanded_in" if self.expanded_um is None else "expanded_um", self.nm)
        if self.coverage_factor != COVERAGE_FACTOR:
            text = f"got {self.coverage_factor}; accepted is {COVERAGE_FACTOR}, U at k = 2"
            raise KeyFaultError("coverage_factor", text)
        return self

    @property
    def nm(self) -> int:
        """Return it in nanometres."""
        expanded_nm = _nm(self.expanded_um, self.expanded_in)
        assert expanded_nm is not None  # one of both, checked above
        return expanded_nm


class ResolutionSection(Section):
    """How fine an indicator's step has to be, in percent of the tightest limit."""

    warn_percent: Percent = Resolution().warn_percent
    refuse_percent: Percent = Resolution().refuse_percent

    @model_validator(mode="after")
    def _in_order(self) -> "ResolutionSection":
        if self.warn_percent > self.refuse_percent:
            text = f"accepted is at most refuse_percent = {self.refuse_percent}"
            raise KeyFaultError("warn_percent", text)
        return self


Grades = Annotated[list[GradeSection], Field(min_length=1)]


class ArticleSection(Section):
    """One article of a rule file that has several; what it doesn't say the file says."""

    id: Annotated[Text, Field(max_length=80)]
    cycle: CycleSection = CycleSection()
    grade: Grades
    rest: RestSection | None = None
    uncertainty: UncertaintySection | None = None
    gripping_length_mm: GrippingLength | None = None
    torque_nmm: Torque | None = None
    bore_mm: Bore | None = None


class RuleFile(Section):
    """The whole file: grades for any article, or several articles with grades of their own."""

    revision: Annotated[Text, Field(max_length=60)]
    cycle: CycleSection = CycleSection()
    grade: Grades | None = None
    article: Annotated[list[ArticleSection], Field(min_length=1)] | None = None
    nonconforming: BinSection
    hold: BinSection
    rest: RestSection | None = None
    uncertainty: UncertaintySection | None = None
    gripping_length_mm: GrippingLength | None = None
    torque_nmm: Torque | None = None
    bore_mm: Bore | None = None
    resolution: ResolutionSection = ResolutionSection()

    @model_validator(mode="after")
    def _fits(self) -> "RuleFile":
        if self.grade is None and self.article is None:
            text = "missing; accepted is one or more [[grade]] tables, or [[article]] with them"
            raise KeyFaultError("grade", text)
        if self.grade is not None and self.article is not None:
            text = "accepted is [[grade]] tables of the file, or of each [[article]], not both"
            raise KeyFaultError("grade", text)
        return self
