"""Grading: what one clamping meets, and which grade a set of clampings settles.

A run-out equal to a limit is within it. Every valid clamping of the cycle has to meet a
grade's acceptance limit, at every position, and so has the run-out seen in the invalid ones:
it is a lower bound and counts against the piece, never for it.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from rules.clamping import Clamping
from rules.length import um_text
from rules.likeness import is_read_again
from rules.ruleset import EVIDENCE_RANK, Grade, Limit, RuleSet
from rules.sweep import WHAT_TO_DO, Invalid

Outcome = Literal["within", "beyond", "invalid"]

Why = Literal[
    "meets-grade",       # every clamping the grade needs meets it
    "guard-band",        # no grade accepts it, yet it is not above the last tolerance limit
    "above-all-limits",  # nonconforming
    "invalid",           # too many clampings without a result
]  # fmt: skip

At = tuple[str, int]
"""Position and run-out there, nm; "" is a run-out of which no position is told."""


@dataclass(frozen=True, slots=True)
class Assessed:
    """One clamping against the rule file.

    Attributes:
        result: ``within`` at least one acceptance limit, ``beyond`` all, or ``invalid``.
        tir_nm: Its run-out, of several positions that of the deciding one; None when
            invalid.
        seen_nm: Run-out that was there at least, when invalid and known.
        meets: Grades whose acceptance limit it meets, best first; empty unless within.
        invalid: Why it has no result.
        at: Run-out that was there at least at each position, where the rule file limits
            positions; empty otherwise.
    """

    result: Outcome
    tir_nm: int | None
    seen_nm: int | None = None
    meets: tuple[str, ...] = ()
    invalid: Invalid | None = None
    at: tuple[At, ...] = ()

    @property
    def reason(self) -> str:
        """Return why there is no result and what to do, for people; "" otherwise."""
        return f"{self.invalid}: {WHAT_TO_DO[self.invalid]}" if self.invalid else ""

    @property
    def at_least_nm(self) -> int:
        """Return what the piece's run-out is at least, by this clamping."""
        known = self.tir_nm if self.tir_nm is not None else self.seen_nm
        return known if known is not None else 0

    @property
    def bounds(self) -> tuple[At, ...]:
        """Return the same for each position."""
        return self.at or (("", self.at_least_nm),)


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
    """Return what a run-out in nanometres (0 or more) meets, wherever it was measured."""
    return assess_tirs((("", tir_nm),), rules)


def assess_tirs(tirs: tuple[At, ...], rules: RuleSet) -> Assessed:
    """Return what the run-outs of one clamping meet, one for each position, at least one."""
    meets = tuple(g.id for g in rules.grades if _accepts(g, tirs))
    return Assessed(
        "within" if meets else "beyond",
        _deciding_nm(tirs, rules),
        meets=meets,
        at=tirs if rules.positions else (),
    )


def assess(clamping: Clamping, rules: RuleSet, before: Clamping | None = None) -> Assessed:
    """Return what a clamping meets, or why it has no result.

    A clamping whose loosening was seen less well than the rule file asks for is invalid:
    it may be the same tightening read twice. So is one that reads like the last one of the
    same cycle where the stylus alone was seen to move; but what is beyond stays beyond.

    Args:
        clamping: What was measured.
        rules: The rule file.
        before: The last clamping of the cycle whose readings were good; None: there is none.
    """
    assessed = assess_v3(clamping, rules)
    if assessed.result == "within" and before is not None and is_read_again(before, clamping):
        return _without_result(clamping, "read-alike", rules)
    return assessed


def assess_v3(clamping: Clamping, rules: RuleSet, before: Clamping | None = None) -> Assessed:
    """Return what a clamping meets as versions 1 to 3 had it: by itself."""
    if clamping.invalid is not None:
        return _without_result(clamping, clamping.invalid, rules)
    evidence = EVIDENCE_RANK[clamping.loosening.evidence]
    if evidence < EVIDENCE_RANK[rules.least_loosening]:
        return _without_result(clamping, "loosening-unproved", rules)
    return assess_tirs(clamping.tirs, rules)


def _without_result(clamping: Clamping, why: Invalid, rules: RuleSet) -> Assessed:
    seen = clamping.seen
    seen_nm = _deciding_nm(seen, rules) if seen else None
    return Assessed("invalid", None, seen_nm, invalid=why, at=seen if rules.positions else ())


def _accepts(grade: Grade, at: Sequence[At]) -> bool:
    return all(grade.accepts(position, nm) for position, nm in at)


def _deciding_nm(at: Sequence[At], rules: RuleSet) -> int:
    """Return the run-out that decides: where the most grades are ruled out, the largest.

    With one limit for all positions that is the largest of all.
    """
    return max((sum(not _accepts(g, [one]) for g in rules.grades), one[1]) for one in at)[1]


def best_in_reach(assessed: Sequence[Assessed], rules: RuleSet) -> Grade | None:
    """Return the best grade that nothing seen so far rules out; None when none is left."""
    worst = _worst(assessed)
    return next((g for g in rules.grades if _accepts(g, worst)), None)


def _worst(assessed: Sequence[Assessed]) -> list[At]:
    """Return the largest run-out of all clampings at each position."""
    found: dict[str, int] = {}
    for position, nm in (bound for one in assessed for bound in one.bounds):
        found[position] = max(nm, found.get(position, 0))
    return list(found.items())


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
    """Return where a piece goes that no grade accepts: grades stand best first."""
    beyond = list(_beyond_last(assessed, rules.grades[-1]))
    worst = max(beyond, key=lambda one: (one[1] > one[2].tolerance_limit_nm, one[1]))
    where, nm, limit = worst
    if nm <= limit.tolerance_limit_nm:
        text = (
            f"{_um(nm)}{where} lies in the guard band: above the last acceptance limit "
            f"{_um(limit.acceptance_limit_nm)}, not above the tolerance limit "
            f"{_um(limit.tolerance_limit_nm)}"
        )
        return Decision(None, rules.hold_bin, "guard-band", text)
    limit_text = _um(limit.tolerance_limit_nm)
    text = f"{_um(nm)}{where} is above the last tolerance limit {limit_text}"
    return Decision(None, rules.nonconforming_bin, "above-all-limits", text)


def _beyond_last(assessed: Sequence[Assessed], last: Grade) -> Iterator[tuple[str, int, Limit]]:
    """Yield where, run-out and limit for each position that the last grade doesn't accept."""
    for position, nm in _worst(assessed):
        limit = last.limit_at(position)
        if nm > limit.acceptance_limit_nm:
            yield _where(position), nm, limit


def _where(position: str) -> str:
    return f" at {position}" if position else ""


def _met(valid: Sequence[Assessed], grade: Grade) -> str:
    count = "1 clamping" if len(valid) == 1 else f"{len(valid)} clampings"
    parts = [
        f"largest {_um(nm)}{_where(position)}, acceptance limit "
        f"{_um(grade.limit_at(position).acceptance_limit_nm)}"
        for position, nm in _worst(valid)
    ]
    return f"{count}, {'; '.join(parts)}"


def _um(value_nm: int) -> str:
    return f"{um_text(value_nm)} µm"
