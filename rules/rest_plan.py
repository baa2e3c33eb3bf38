"""How the rest of one lot will be judged: fixed, with its limits, when the lot opens."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rules.attribute_plans import EDITION, Severity, single_plan
from rules.finite_lot import PlanError
from rules.rest_proof import ProofPlan
from rules.ruleset import Grade, Limit, Rest

RestKind = Literal["sample", "measured", "aql"]


@dataclass(frozen=True, slots=True)
class RestPlan:
    """What a lot was opened with; a rule file changed later changes nothing here.

    Attributes:
        kind: ``sample``, ``measured`` (`rules.rest_proof`) or ``aql``, where a contract
            names one (`rules.attribute_plans`).
        grade: The ordinary grade: what the rest would go as.
        tolerance_limit_nm: Its tolerance limit; with limits per position the tightest one.
        acceptance_limit_nm: What first clampings are compared with.
        is_drawn: Whether the order of measuring was drawn.
        limiting_quality: Share to be found out; 0 under ``aql``.
        consumers_risk: Chance of proving a worse rest, all looks together; 0 under ``aql``.
        acceptance_number: Most beyond in a sample that still accept; ``sample`` only.
        further: Pieces from the first look to the second; ``measured`` only.
        edition: Whose tables; this and the next three under ``aql`` only.
        aql: Acceptance quality limit, per cent, as the rule file writes it.
        level: Inspection level.
        severity: By the switching rules, from the lots of this article before.
        positions: The limits at each position, where the rule file limits positions.
    """

    kind: RestKind
    grade: str
    tolerance_limit_nm: int
    acceptance_limit_nm: int
    is_drawn: bool = False
    limiting_quality: float = 0.0
    consumers_risk: float = 0.0
    acceptance_number: int = 0
    further: int = 0
    edition: str = ""
    aql: str = ""
    level: str = ""
    severity: Severity = "normal"
    positions: tuple[Limit, ...] = ()

    @property
    def looks(self) -> int:
        """Return how many looks are planned."""
        return 2 if self.kind == "measured" and self.further else 1

    def is_against(self, ordinary: Grade) -> bool:
        """Return whether a grade has the name and limits that the rest is proved against."""
        mine = (self.grade, self.tolerance_limit_nm, self.acceptance_limit_nm)
        its = (ordinary.id, ordinary.tolerance_limit_nm, ordinary.acceptance_limit_nm)
        return mine == its and _by_place(self.positions) == _by_place(ordinary.positions)

    def proof_plan(self, quantity: int) -> ProofPlan:
        """Return the plan of a proof over so many pieces.

        Raises:
            PlanError: Under ``aql``, which proves nothing of one lot.
        """
        if self.kind == "aql":
            raise PlanError("an AQL plan bounds no single lot")
        return ProofPlan(
            self.kind, quantity, self.limiting_quality, self.consumers_risk, self.is_drawn,
            self.acceptance_number, self.further,
        )  # fmt: skip


def _by_place(limits: Sequence[Limit]) -> dict[str, tuple[int, int]]:
    return {one.position: (one.tolerance_limit_nm, one.acceptance_limit_nm) for one in limits}


def plan_at_opening(
    rest: Rest, ordinary: Grade, quantity: int | None, is_drawn: bool, severity: Severity
) -> RestPlan:
    """Return the plan a lot is opened with.

    Args:
        rest: What the rule file says.
        ordinary: The last grade of the rule file.
        quantity: Pieces of the lot; None when nobody counted them.
        is_drawn: Whether the tray's cells are numbered, so that the order can be drawn.
        severity: Of the series, under ``aql``.

    Raises:
        PlanError: If this lot can't be judged so; the message says what is accepted.
    """
    if rest.plan == "measured":
        if quantity is None:
            raise PlanError("plan measured: accepted is a lot whose pieces were counted")
        # refuses an undrawn order, in the words of the proof itself
        ProofPlan("measured", quantity, rest.limiting_quality, rest.consumers_risk, is_drawn)
    if rest.plan == "aql":
        if rest.edition != EDITION:
            raise PlanError(f"edition {rest.edition!r}: accepted is {EDITION!r}")
        single_plan(max(2, quantity or 2), rest.aql, severity, rest.level)
    return RestPlan(
        rest.plan, ordinary.id, ordinary.tolerance_limit_nm, ordinary.acceptance_limit_nm,
        is_drawn and rest.plan == "measured", rest.limiting_quality, rest.consumers_risk,
        rest.acceptance_number, rest.further, rest.edition, rest.aql, rest.level, severity,
        ordinary.positions,
    )  # fmt: skip
