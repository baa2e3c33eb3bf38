"""The rule file as the core sees it: grades best first, and how a cycle runs."""

from dataclasses import dataclass
from typing import Literal

Evidence = Literal["not-observed", "stylus-lift", "pin-jump", "foot-switch", "torque-pulse"]

EVIDENCE_RANK: dict[Evidence, int] = {
    "not-observed": 0,  # finished values: nothing can be seen between two of them
    "stylus-lift": 1,   # the stylus moved; the nut may not have
    "pin-jump": 2,      # the pin itself moved under the stylus
    "foot-switch": 3,   # a person said so
    "torque-pulse": 4,  # the tool that turns the nut said so
}  # fmt: skip
"""How well a loosening was seen, weakest first."""

DecisionRule = Literal["simple-acceptance", "guarded-acceptance"]


@dataclass(frozen=True, slots=True)
class Grade:
    """One grade of the rule file.

    Attributes:
        id: Its name in records and topics.
        tolerance_limit_nm: Largest run-out (TIR) the grade permits, inclusive.
        guard_band_nm: What is taken off the tolerance limit before comparing
            (ISO 14253-1, JCGM 106: guarded acceptance); 0 is simple acceptance.
        clampings: Valid clampings it needs, all of them inside the acceptance limit.
        bin: Where its pieces go.
        loosening: Least evidence of the loosening before each clamping that counts for
            it; None takes what the bench can see, and the record states which.
    """

    id: str
    tolerance_limit_nm: int
    clampings: int
    bin: str
    guard_band_nm: int = 0
    loosening: Evidence | None = None

    @property
    def acceptance_limit_nm(self) -> int:
        """Return the largest *measured* TIR the grade accepts, inclusive (JCGM 106 3.3.8)."""
        return self.tolerance_limit_nm - self.guard_band_nm

    @property
    def decision_rule(self) -> DecisionRule:
        """Return the decision rule as stated on every record."""
        return "guarded-acceptance" if self.guard_band_nm else "simple-acceptance"


@dataclass(frozen=True, slots=True)
class Rest:
    """How the unmeasured rest is to be judged once the order is filled.

    Attributes:
        plan: ``sample``: a fresh random sample of the rest; ``measured``: what was
            measured bounds it.
        limiting_quality: Share of nonconforming pieces to be found out, 0 < share < 1.
        consumers_risk: Chance of accepting at the limiting quality, 0 < risk < 1.
    """

    plan: Literal["sample", "measured"]
    limiting_quality: float
    consumers_risk: float


@dataclass(frozen=True, slots=True)
class RuleSet:
    """One rule file.

    Attributes:
        revision: The file's own revision mark.
        sha256: Hash of its text: what a record names.
        grades: Best first, at least one.
        clampings: Most valid clampings of a cycle.
        turns: Whole turns of each clamping that count.
        retries: Whole-set retries a piece may have before its put-away.
        invalid_max: Invalid clampings of a cycle that may be taken again.
        nonconforming_bin: For pieces above every tolerance limit.
        hold_bin: For pieces nobody can decide yet.
        rest: Plan for the unmeasured rest, if the file names one.
    """

    revision: str
    sha256: str
    grades: tuple[Grade, ...]
    nonconforming_bin: str
    hold_bin: str
    clampings: int = 3
    turns: int = 2
    retries: int = 1
    invalid_max: int = 2
    rest: Rest | None = None

    @property
    def top_limit_nm(self) -> int:
        """Return the best grade's tolerance limit: what closure and agreement are held to."""
        return self.grades[0].tolerance_limit_nm

    @property
    def least_loosening(self) -> Evidence:
        """Return the strongest evidence any grade asks for: a cycle is led to meet all."""
        asked = [grade.loosening for grade in self.grades if grade.loosening is not None]
        return max(asked, key=EVIDENCE_RANK.__getitem__, default="not-observed")
