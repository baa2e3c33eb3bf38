"""The rule file as the core sees it: grades best first, and how a cycle runs."""

from collections.abc import Mapping, Sequence
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


COVERAGE_FACTOR = 2
"""k of every expanded uncertainty U here: about 95 % (GUM, JCGM 100; ISO 14253-1's default)."""


@dataclass(frozen=True, slots=True)
class Limit:
    """The limit of a grade, at one position or at all of them.

    Attributes:
        tolerance_limit_nm: Largest run-out (TIR) permitted, inclusive.
        guard_band_nm: What is taken off the tolerance limit before comparing
            (ISO 14253-1, JCGM 106: guarded acceptance); 0 is simple acceptance.
        position: Where it holds; "" is every position.
        guard_is_uncertainty: The guard band is the expanded uncertainty itself.
    """

    tolerance_limit_nm: int
    guard_band_nm: int = 0
    position: str = ""
    guard_is_uncertainty: bool = False

    @property
    def acceptance_limit_nm(self) -> int:
        """Return the largest *measured* TIR accepted, inclusive (JCGM 106 3.3.8)."""
        return self.tolerance_limit_nm - self.guard_band_nm

    @property
    def decision_rule(self) -> DecisionRule:
        """Return the decision rule as stated on every record."""
        return "guarded-acceptance" if self.guard_band_nm else "simple-acceptance"


@dataclass(frozen=True, slots=True)
class Grade:
    """One grade of the rule file.

    Attributes:
        id: Its name in records and topics.
        tolerance_limit_nm: Largest run-out (TIR) the grade permits, inclusive; with limits
            per position that of the tightest one.
        guard_band_nm: What is taken off it, see ``Limit``.
        clampings: Valid clampings it needs, all of them inside the acceptance limit.
        bin: Where its pieces go.
        loosening: Least evidence of the loosening before each clamping that counts for
            it; None takes what the bench can see, and the record states which.
        positions: A limit for each position of the bench; empty: one limit for all.
        guard_is_uncertainty: Its guard band is the expanded uncertainty itself.
    """

    id: str
    tolerance_limit_nm: int
    clampings: int
    bin: str
    guard_band_nm: int = 0
    loosening: Evidence | None = None
    positions: tuple[Limit, ...] = ()
    guard_is_uncertainty: bool = False

    @property
    def acceptance_limit_nm(self) -> int:
        """Return the largest *measured* TIR the grade accepts, inclusive (JCGM 106 3.3.8)."""
        return self.tolerance_limit_nm - self.guard_band_nm

    @property
    def decision_rule(self) -> DecisionRule:
        """Return the decision rule as stated on every record."""
        is_guarded = any(limit.guard_band_nm for limit in self.limits)
        return "guarded-acceptance" if is_guarded else "simple-acceptance"

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Return its limits: one for each position, or the one that holds everywhere."""
        return self.positions or (
            Limit(
                self.tolerance_limit_nm,
                self.guard_band_nm,
                guard_is_uncertainty=self.guard_is_uncertainty,
            ),
        )

    def limit_at(self, position: str) -> Limit:
        """Return what holds at a position.

        Where a grade with limits per position has none, its tightest holds: run-out that
        nobody gave a limit must not pass by a wide one.
        """
        found = next((limit for limit in self.positions if limit.position == position), None)
        return found or tightest(self.limits)

    def accepts(self, position: str, tir_nm: int) -> bool:
        """Return whether a run-out measured at a position is inside what holds there."""
        if not self.positions:  # as ``limit_at`` would say, which makes a limit each time
            return tir_nm <= self.acceptance_limit_nm
        return tir_nm <= self.limit_at(position).acceptance_limit_nm


def tightest(limits: Sequence[Limit]) -> Limit:
    """Return the limit that accepts least."""
    return min(limits, key=lambda limit: (limit.acceptance_limit_nm, limit.tolerance_limit_nm))


@dataclass(frozen=True, slots=True)
class Rest:
    """How the unmeasured rest is to be judged once the order is filled.

    Attributes:
        plan: ``sample``: a fresh random sample of the rest; ``measured``: what was
            measured bounds it; ``aql``: a contract names an acceptance quality limit.
        limiting_quality: Share of nonconforming pieces to be found out, 0 < share < 1;
            0 under ``aql``.
        consumers_risk: Chance of accepting at the limiting quality, 0 < risk < 1; 0 under
            ``aql``.
        acceptance_number: Most beyond in the sample that still accept; ``sample`` only.
        further: Pieces from the first look to the second, 0 plans one; ``measured`` only.
        edition: Whose tables; this and the next two under ``aql`` only.
        aql: Acceptance quality limit, per cent nonconforming, as written.
        level: Inspection level.
    """

    plan: Literal["sample", "measured", "aql"]
    limiting_quality: float
    consumers_risk: float
    acceptance_number: int = 0
    further: int = 0
    edition: str = ""
    aql: str = ""
    level: str = "II"


@dataclass(frozen=True, slots=True)
class Resolution:
    """How fine an indicator's step has to be, in percent of the tightest tolerance limit.

    The tenth and the fifth are common practice, no source.

    Attributes:
        warn_percent: A step above that share is worth a warning.
        refuse_percent: A step above that share can't tell within from beyond.
    """

    warn_percent: int = 10
    refuse_percent: int = 20


@dataclass(frozen=True, slots=True)
class RuleSet:
    """What a rule file says about one article.

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
        article: The article these rules are for; "" is any.
        resolution: How fine the indicators' steps have to be.
        expanded_uncertainty_nm: U of a measured TIR (k = 2), where the file states it.
        gripping_length_nm: Length over which the collet grips, where the file states it: so
            much of a pin has to be there.
        torque_nmm: Torque at which the nut is tightened, in N·mm, where the file states it.
        bore_nm: Bore of the collet, where the file states it: its pin has to be of that size.
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
    article: str = ""
    resolution: Resolution = Resolution()
    expanded_uncertainty_nm: int | None = None
    gripping_length_nm: int | None = None
    torque_nmm: int | None = None
    bore_nm: int | None = None

    @property
    def top_limit_nm(self) -> int:
        """Return the best grade's tightest tolerance limit."""
        return min(limit.tolerance_limit_nm for limit in self.grades[0].limits)

    def top_limit_at_nm(self, position: str) -> int:
        """Return the best grade's tolerance limit at a position.

        Closure and agreement of the turns measured there are held to it.
        """
        return self.grades[0].limit_at(position).tolerance_limit_nm

    @property
    def positions(self) -> tuple[str, ...]:
        """Return the positions that have limits of their own; empty: one limit for all."""
        named = next((grade.positions for grade in self.grades if grade.positions), ())
        return tuple(limit.position for limit in named)

    @property
    def least_loosening(self) -> Evidence:
        """Return the strongest evidence any grade asks for: a cycle is led to meet all."""
        asked = [grade.loosening for grade in self.grades if grade.loosening is not None]
        return max(asked, key=EVIDENCE_RANK.__getitem__, default="not-observed")


class UnknownArticleError(Exception):
    """A rule file of several articles has none of this name; the message lists them."""

    def __init__(self, article: str, accepted: Sequence[str]) -> None:
        super().__init__(f"no article {article!r}; accepted are {', '.join(accepted)}")
        self.article = article
        self.accepted = tuple(accepted)


@dataclass(frozen=True, slots=True)
class RuleBook:
    """A whole rule file: what it says about each of its articles.

    Attributes:
        revision: The file's own revision mark.
        sha256: Hash of its text.
        articles: Rules by article, in the order of the file; a file that names no article
            has the one key "" and holds for any.
    """

    revision: str
    sha256: str
    articles: Mapping[str, RuleSet]

    @property
    def first(self) -> RuleSet:
        """Return the rules of its first article: for a bench that has no lot."""
        return next(iter(self.articles.values()))

    def of(self, article: str) -> RuleSet:
        """Return the rules of an article.

        Raises:
            UnknownArticleError: If the file names articles, and not this one.
        """
        found = self.articles.get(article) or self.articles.get("")
        if found is None:
            raise UnknownArticleError(article, tuple(self.articles))
        return found
