"""Grading: what one clamping meets, and which grade a set of clampings settles.

A run-out equal to a limit is within it. Every valid clamping of the cycle has to meet a
grade's acceptance limit, and so has the run-out seen in the invalid ones: it is a lower
bound and counts against the piece, never for it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rules.clamping import Clamping
from rules.length import um_text
from rules.ruleset import EVIDENCE_RANK, Grade, RuleSet
from rules.sweep import WHAT_TO_DO, Invalid

Outcome = Literal["within", "beyond", "invalid"]

Why = Literal[
    "meets-grade",       # every clamping the grade needs meets it
    "guard-band",        # no grade accepts it, yet it is not above the last tolerance limit
    "above-all-limits",  # nonconforming
    "invalid",           # too many clampings without a result
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Assessed:
    """One clamping against the rule file.

    Attributes:
        result: ``within`` at least one acceptance limit, ``beyond`` all, or ``invalid``.
        tir_nm: Its run-out; None when invalid.
        seen_nm: Run-out that was there at least, when invalid and known.
        meets: Grades whose acceptance limit it meets, best first; empty unless within.
        invalid: Why it has no result.
    """

    result: Outcome
    tir_nm: int | None
    seen_nm: int | None = None
    meets: tuple[str, ...] = ()
    invalid: Invalid | None = None

    @property
    def reason(self) -> str:
        """Return why there is no result and what to do, for people; "" otherwise."""
        return f"{self.invalid}: {WHAT_TO_DO[self.invalid]}" if self.invalid else ""

    @property
    def at_least_nm(self) -> int:
        """Return what the piece's run-out is at least, by this clamping."""
        known = self.tir_nm if self.tir_nm is not None else self.seen_nm
        return known if known is not None else 0


@dataclass(frozen=True, slots=True)
class Decision:
    """Which way a piece goes.

    Attributes:
        grade: Grade id; None for hold and nonconforming.
        bin: The bin it belongs in.
        why: What decided.
        text: The same for people, with the figures that decided.
    """

    grade: str | None
    bin: str
    why: Why
    text: str


def assess_tir(tir_nm: int, rules: RuleSet) -> Assessed:
    """Return what a run-out in nanometres (0 or more) meets."""
    meets = tuple(g.id for g in rules.grades if tir_nm <= g.acceptance_limit_nm)
    return Assessed("within" if meets else "beyond", tir_nm, meets=meets)


def assess(clamping: Clamping, rules: RuleSet) -> Assessed:
    """Return what a clamping meets, or why it has no result.

    A clamping whose loosening was seen less well than the rule file asks for is invalid:
    it may be the same tightening read twice.
    """
    if clamping.invalid is not None:
        return Assessed("invalid", None, clamping.seen_nm, invalid=clamping.invalid)
    evidence = EVIDENCE_RANK[clamping.loosening.evidence]
    if evidence < EVIDENCE_RANK[rules.least_loosening]:
        return Assessed("invalid", None, clamping.seen_nm, invalid="loosening-unproved")
    assert clamping.tir_nm is not None  # not invalid
    return assess_tir(clamping.tir_nm, rules)


def best_in_reach(assessed: Sequence[Assessed], rules: RuleSet) -> Grade | None:
    """Return the best grade that nothing seen so far rules out; None when none is left."""
    worst = max((a.at_least_nm for a in assessed), default=0)
    return next((g for g in rules.grades if worst <= g.acceptance_limit_nm), None)


def decide(assessed: Sequence[Assessed], rules: RuleSet) -> Decision | None:
    """Return the decision these clampings settle; None while more are needed.

    Args:
        assessed: The clampings of one cycle, in any order.
        rules: The rule file.
    """
    grade = best_in_reach(assessed, rules)
    if grade is None:
        return _outside(assessed, rules)
    valid = [a for a in assessed if a.tir_nm is not None]
    if len(valid) >= grade.clampings:
        return Decision(grade.id, grade.bin, "meets-grade", _met(valid, grade))
    invalid = [a for a in assessed if a.tir_nm is None]
    if len(invalid) > rules.invalid_max:
        text = f"{len(invalid)} clampings without a result; the last: {invalid[-1].reason}"
        return Decision(None, rules.hold_bin, "invalid", text)
    return None


def _outside(assessed: Sequence[Assessed], rules: RuleSet) -> Decision:
    worst = max(a.at_least_nm for a in assessed)
    last = max(g.tolerance_limit_nm for g in rules.grades)
    accepted = max(g.acceptance_limit_nm for g in rules.grades)
    if worst <= last:
        text = (
            f"{_um(worst)} lies in the guard band: above the last acceptance limit "
            f"{_um(accepted)}, not above the tolerance limit {_um(last)}"
        )
        return Decision(None, rules.hold_bin, "guard-band", text)
    text = f"{_um(worst)} is above the last tolerance limit {_um(last)}"
    return Decision(None, rules.nonconforming_bin, "above-all-limits", text)


def _met(valid: Sequence[Assessed], grade: Grade) -> str:
    worst = max(a.at_least_nm for a in valid)
    count = "1 clamping" if len(valid) == 1 else f"{len(valid)} clampings"
    return f"{count}, largest {_um(worst)}, acceptance limit {_um(grade.acceptance_limit_nm)}"


def _um(value_nm: int) -> str:
    return f"{um_text(value_nm)} µm"
