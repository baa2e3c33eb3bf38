"""``[bench.check]``: which master checks a bench asks for, on what, and when."""

from collections.abc import Iterator
from datetime import time
from decimal import Decimal
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from daemon.toml_file import Faults
from daemon.toml_values import KeyFaultError, Micrometres, Number, Section, Text
from rules.assurance_model import Cause
from rules.certificates import CertificateError, NamedMaster, certified
from rules.check_at_bench import SEATS_WITHIN_NS, CheckRules
from rules.check_due import CAUSE_TEXT, DueRules
from rules.instruments import Register
from rules.length import um_to_nm
from rules.masters import (
    CheckKind,
    CheckLimits,
    Master,
    MasterError,
    StillSpan,
    Subject,
    holder_allowed_nm,
    run_out_limits,
    sensitivity_limits,
    static_limits,
    tightest_limit_nm,
)
from rules.ruleset import RuleBook, RuleSet

_S_PER_HOUR = 3600
_NS_PER_S = 1_000_000_000

_KIND_ON: dict[Subject, CheckKind] = {
    "eccentric-master": "sensitivity", "gauge-block": "static-step"
}  # fmt: skip
"""Which check is made on what; a run-out check on all else."""


class MasterSection(Section):
    """A thing of known run-out; its certificate stands here, or in the register."""

    id: Annotated[Text, Field(max_length=80)]
    subject: Subject
    tir_um: Annotated[Micrometres, Field(ge=0)] | None = None
    """Run-out (TIR) by its certificate. None: as the register of instruments has it; the
    taper seat itself is in no register and has none."""

    uncertainty_um: Annotated[Micrometres, Field(ge=0)] | None = None
    """U (k = 2) of its value, likewise."""

    height_um: Annotated[Micrometres, Field(gt=0)] | None = None
    """Height of a gauge block by its certificate, likewise."""

    @model_validator(mode="after")
    def _has_its_own_value(self) -> "MasterSection":
        is_block = self.subject == "gauge-block"
        if is_block and self.tir_um is not None:
            raise KeyFaultError("tir_um", "a gauge block has no run-out; accepted is height_um")
        if not is_block and self.height_um is not None:
            raise KeyFaultError("height_um", "accepted with subject = 'gauge-block' alone")
        return self

    @property
    def kind(self) -> CheckKind:
        """Return which check is made on it."""
        return _KIND_ON.get(self.subject, "run-out")

    @property
    def named(self) -> NamedMaster:
        """Return it as the core takes it, before the register was asked."""
        return NamedMaster(
            self.id, self.subject, _nm(self.tir_um), _nm(self.uncertainty_um),
            _nm(self.height_um),
        )  # fmt: skip


class CheckSection(Section):
    """Master checks of a bench; without masters none is asked for, which every record states.

    A 0 in ``every_pieces`` or ``every_hours``: not by pieces, not by time.
    """

    every_pieces: Annotated[int, Field(ge=0, le=1_000_000)] = 50
    every_hours: Annotated[Number, Field(ge=0, le=1000)] = Decimal(2)
    causes: list[Cause] = list(CAUSE_TEXT)
    shift_starts: list[Text] = []
    warn_percent: Annotated[int, Field(ge=1, le=100)] = 80
    holder_um: Annotated[Micrometres, Field(gt=0)] | None = None
    """Run-out the holder may have. None: what no grade of the rule file suffers from."""

    seats_within_s: Annotated[int, Field(ge=30, le=7200)] = SEATS_WITHIN_NS // _NS_PER_S
    """A seat has to begin so soon after the one before, or the check is given up."""

    zero_drift_um: Annotated[Micrometres, Field(gt=0)] | None = None
    """Most that the zero may move between two good checks. None: no limit."""

    master: list[MasterSection] = []

    @field_validator("shift_starts")
    @classmethod
    def _are_times(cls, value: list[str]) -> list[str]:
        for text in value:
            if len(text) != 5 or _time(text) is None:
                raise ValueError(f'got {text!r}; accepted are times such as "06:00"')
        if len(set(value)) < len(value):
            raise ValueError("a time stands twice; accepted is each once")
        return value

    @model_validator(mode="after")
    def _one_master_a_kind(self) -> "CheckSection":
        kinds = [one.kind for one in self.master]
        twice = next((kind for kind in kinds if kinds.count(kind) > 1), None)
        if twice is not None:
            raise KeyFaultError("master", f"two for {twice}; accepted is one a kind of check")
        if "static-step" in kinds and "sensitivity" not in kinds:
            text = (
                "a static step alone shows neither averaging nor play; accepted is a gauge "
                "block beside an eccentric master, never instead of it"
            )
            raise KeyFaultError("master", text)
        return self

    def due_rules(self, zone: ZoneInfo) -> DueRules:
        """Return when checks are due."""
        return DueRules(
            asked=frozenset(one.kind for one in self.master),
            every_pieces=self.every_pieces or None,
            every_s=round(self.every_hours * _S_PER_HOUR) or None,
            causes=frozenset(self.causes),
            shift_starts=tuple(at for text in self.shift_starts if (at := _time(text))),
            zone=zone,
            warn_percent=self.warn_percent,
        )


def _nm(um: Decimal | None) -> int | None:
    return None if um is None else um_to_nm(um)


def _time(text: str) -> time | None:
    try:
        return time.fromisoformat(text)
    except ValueError:
        return None


def check_rules(
    section: CheckSection, grading: RuleSet, register: Register, where: str, still: StillSpan
) -> CheckRules | None:
    """Return what a bench asks for under these rules; None: no checks.

    Args:
        section: Its checks.
        grading: The limits they have to be good enough for.
        register: The register of instruments; empty before the record was read.
        where: File and table of the section, for the reason of a master that proves nothing.
        still: What the bench's indicators can show of a static step.
    """
    if not section.master:
        return None
    limits: list[CheckLimits] = []
    unproved: dict[CheckKind, str] = {}
    for number, one in enumerate(section.master):
        try:
            master = certified(one.named, register)
            limits.append(_limits(one, section, (grading, still), master))
        except (CertificateError, MasterError) as error:
            key = f".{error.key}" if isinstance(error, CertificateError) else ""
            text = error.text if isinstance(error, CertificateError) else str(error)
            unproved[one.kind] = f"{where}.master.{number}{key}: {text}"
    by_kind = sorted(limits, key=lambda one: one.kind)  # run-out first
    return CheckRules(
        tuple(by_kind), _nm(section.zero_drift_um), unproved,
        section.seats_within_s * _NS_PER_S,
    )  # fmt: skip


def _limits(
    one: MasterSection, section: CheckSection, by: tuple[RuleSet, StillSpan], master: Master
) -> CheckLimits:
    grading, still = by
    if one.kind == "sensitivity":
        return sensitivity_limits(master, tightest_limit_nm(grading.grades))
    if one.kind == "static-step":
        return static_limits(master, tightest_limit_nm(grading.grades), still)
    allowed = section.holder_um
    return run_out_limits(
        master,
        holder_allowed_nm(grading.grades) if allowed is None else um_to_nm(allowed),
    )


def master_faults(
    section: CheckSection, book: RuleBook, still: StillSpan, register: Register
) -> Iterator[tuple[str, str]]:
    """Yield key and reason of every master that can prove nothing for an article.

    One whose values are left to a register that has none is not looked at; where file and
    register contradict each other that is no fault of these rules.
    """
    for number, one in enumerate(section.master):
        try:
            master = certified(one.named, {} if one.named.has_values else register)
        except CertificateError:
            continue
        for article, grading in book.articles.items():
            try:
                _limits(one, section, (grading, still), master)
            except MasterError as error:
                yield (
                    f"master.{number}",
                    f"{error} (article {article})" if article else str(error),
                )
                break


def note_masters(
    number: int, section: CheckSection, mode: Literal["sweep", "single-value"],
    book: RuleBook, still: StillSpan, faults: Faults, register: Register,
) -> None:  # fmt: skip
    """Note every fault of a bench's masters.

    Args:
        number: Number of the bench in its file.
        section: Its checks.
        mode: How the bench captures.
        book: Its rule file.
        still: What its indicators can show of a static step.
        faults: Where they are noted.
        register: The register of instruments; empty before the record was read.
    """
    where = f"bench.{number}.check"
    if section.zero_drift_um is not None and mode == "single-value":
        text = "finished values don't say where the zero lies; accepted is to leave it out"
        faults.add(f"{where}.zero_drift_um", text)
    steps = [i for i, one in enumerate(section.master) if one.kind == "static-step"]
    if steps and mode == "single-value":
        text = "finished values say nothing at standstill; accepted is no gauge block"
        faults.add(f"{where}.master.{steps[0]}", text)
    for key, text in master_faults(section, book, still, register):
        faults.add(f"{where}.{key}", text)
