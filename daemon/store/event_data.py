"""Facts as event data: the one place where nanometres become micrometres on the wire."""

import json
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from types import MappingProxyType

from daemon.messages import (
    CLAMPING_POINTS_MAX,
    ClampingData,
    CorrectionData,
    DecisionRuleData,
    DiagnosisData,
    LooseningData,
    MeasuredPosition,
    PositionLimitData,
    PutAwayData,
    RulesName,
    SweepPoints,
    VerdictClamping,
    VerdictData,
)  # fmt: skip
from daemon.store.pin_data import pin_of_clamping
from rules.check_facts import DisposedFact
from rules.clamping import Clamping, PositionRunOut
from rules.cycle import CycleKind
from rules.facts import (
    REFUSAL_TEXT,
    ClampingFact,
    CorrectionFact,
    CycleEndedFact,
    CycleOpenedFact,
    PutAwayFact,
    RefusedFact,
)  # fmt: skip
from rules.length import nm_to_um
from rules.masters import CheckKind
from rules.refusals import TOLD_EACH
from rules.ruleset import COVERAGE_FACTOR, Evidence, Limit, RuleSet
from rules.sweep import Diagnosis

NS_PER_S = 1_000_000_000
NS_PER_MS = 1_000_000
UDEG = 1_000_000
"""Microdegrees a degree."""

NOWHERE: Mapping[str, int] = MappingProxyType({})
"""No distance is known."""


def um(value_nm: int | None) -> float | None:
    """Return micrometres, or None where there is no length."""
    return None if value_nm is None else nm_to_um(value_nm)


def position_data(position: PositionRunOut, has_zero: bool) -> MeasuredPosition:
    """Return run-out at one indicator; a direction only where the spindle has a zero."""
    run_out = position.run_out
    found = run_out.diagnosis
    return MeasuredPosition(
        position=position.position,
        indicator=position.indicator,
        tir_um=um(run_out.tir_nm),
        turns_um=[nm_to_um(turn) for turn in run_out.turns_nm],
        samples=run_out.samples,
        closure_um=um(run_out.closure_nm),
        diagnosis=None if found is None else diagnosis_data(found, has_zero),
    )


def diagnosis_data(found: Diagnosis, has_zero: bool) -> DiagnosisData:
    """Return what a sweep shows beside its TIR; directions to a thousandth of a degree."""
    return DiagnosisData(
        eccentricity_um=nm_to_um(found.amplitude_nm),
        direction_deg=round(found.direction_udeg / UDEG, 3) % 360 if has_zero else None,
        form_um=nm_to_um(found.form_nm),
        noise_um=nm_to_um(found.noise_nm),
        drift_um=nm_to_um(found.drift_nm),
        gap_deg=round(found.gap_udeg / UDEG, 3),
        loss_um=[um(loss) for loss in found.loss_nm],
    )


def points(position: PositionRunOut, started_ns: int) -> SweepPoints:
    """Return a sweep thinned for drawing."""
    sweep = position.sweep
    every = -(-len(sweep.at_ns) // CLAMPING_POINTS_MAX) or 1
    return SweepPoints(
        position=position.position,
        at_ms=[round((at - started_ns) / NS_PER_MS, 1) for at in sweep.at_ns[::every]],
        um=[nm_to_um(value) for value in sweep.value_nm[::every]],
    )


def _loosening(clamping: Clamping) -> LooseningData:
    seen = clamping.loosening
    return loosening_data(
        seen.evidence, seen.size_nm, seen.duration_ns, seen.at_ns, clamping.started_ns
    )


def loosening_data(
    evidence: Evidence,
    size_nm: int | None,
    duration_ns: int | None,
    at_ns: int | None,
    started_ns: int,
) -> LooseningData:
    """Return how a loosening was seen; ``started_ns``: when the clamping began."""
    before_s = None
    if at_ns is not None and evidence != "not-observed":
        before_s = round((started_ns - at_ns) / NS_PER_S, 3)
    return LooseningData(
        evidence=evidence,
        size_um=um(size_nm),
        duration_s=None if duration_ns is None else round(duration_ns / NS_PER_S, 3),
        before_s=before_s,
    )


def clamping_data(
    lot: str, fact: ClampingFact, has_zero: bool, distance_nm: Mapping[str, int] = NOWHERE
) -> ClampingData:
    """Return the data of a clamping that counts.

    Args:
        lot: Code of its lot.
        fact: What happened.
        has_zero: Of the spindle's angle: without it there are no directions.
        distance_nm: How far from the collet's face each indicator sits, where it is known.
    """
    clamping, assessed = fact.clamping, fact.assessed
    is_told = has_zero and assessed.result != "invalid"
    pin = pin_of_clamping(clamping.positions, distance_nm) if is_told else None
    return ClampingData(
        lot=lot,
        piece=fact.piece,
        cycle=fact.cycle,
        clamping=fact.number,
        counts=True,
        result=assessed.result,
        reason=assessed.reason,
        tir_um=um(assessed.tir_nm),
        seen_um=um(assessed.seen_nm),
        meets=list(assessed.meets),
        positions=[position_data(p, has_zero) for p in clamping.positions],
        pin=pin,
        loosening=_loosening(clamping),
        points=[points(p, clamping.started_ns) for p in clamping.positions],
    )


def refused_data(lot: str, fact: RefusedFact, has_zero: bool) -> ClampingData:
    """Return the data of something that is no clamping of any piece."""
    clamping = fact.clamping
    seen = fact.value_nm if clamping is None else clamping.seen_nm
    return ClampingData(
        lot=lot,
        piece=None,
        cycle=None,
        clamping=None,
        counts=False,
        result="invalid",
        reason=_why_refused(fact),
        tir_um=None,
        seen_um=um(seen),
        meets=[],
        positions=[position_data(p, has_zero) for p in clamping.positions] if clamping else [],
        loosening=_loosening(clamping) if clamping else LooseningData(evidence="not-observed"),
    )


def _why_refused(fact: RefusedFact) -> str:
    text = f"{fact.reason}: {REFUSAL_TEXT[fact.reason]}"
    if fact.reason == "before-put-away":
        text += f" (piece {fact.piece})"
    if fact.count > TOLD_EACH:
        text += (
            f"; number {fact.count} in a row, the first {TOLD_EACH} and each doubling is told"
        )
    return text


def decision_rules(rules: RuleSet) -> list[DecisionRuleData]:
    """Return the decision rule of every grade as stated on the record."""
    expanded = rules.expanded_uncertainty_nm
    return [
        DecisionRuleData(
            grade=grade.id,
            rule=grade.decision_rule,
            tolerance_limit_um=nm_to_um(grade.tolerance_limit_nm),
            acceptance_limit_um=nm_to_um(grade.acceptance_limit_nm),
            expanded_uncertainty_um=um(expanded),
            coverage_factor=None if expanded is None else COVERAGE_FACTOR,
            guard_is_uncertainty=grade.guard_is_uncertainty,
            positions=[_position_limit(limit) for limit in grade.positions],
        )
        for grade in rules.grades
    ]


def _position_limit(limit: Limit) -> PositionLimitData:
    return PositionLimitData(
        position=limit.position,
        rule=limit.decision_rule,
        tolerance_limit_um=nm_to_um(limit.tolerance_limit_nm),
        acceptance_limit_um=nm_to_um(limit.acceptance_limit_nm),
        guard_is_uncertainty=limit.guard_is_uncertainty,
    )


@lru_cache(maxsize=16)
def stated_rules(rules: RuleSet) -> str:
    """Return the decision rules as a verdict's row states them, JSON text.

    What a rule file doesn't say is left out: rows from before it could be said stay equal.
    """
    return json.dumps(
        [rule.model_dump(exclude_defaults=True) for rule in decision_rules(rules)]
    )


def verdict_data(
    lot: str,
    fact: CycleEndedFact,
    kind: CycleKind,
    clampings: Sequence[VerdictClamping],
    rules: RuleSet,
    is_observed: bool,
    checks_asked: Iterable[CheckKind] = (),
) -> VerdictData:
    """Return the data of a verdict; ``clampings`` are those of its cycle, in order."""
    assert fact.decision is not None  # a cycle without a decision is no verdict
    return VerdictData(
        lot=lot,
        piece=fact.piece,
        cycle=fact.cycle,
        cycle_kind=kind,
        grade=fact.decision.grade,
        bin=fact.decision.bin,
        clampings=list(clampings),
        reason=fact.decision.text,
        rules=RulesName(revision=rules.revision, sha256=rules.sha256),
        decision_rule=decision_rules(rules),
        loosening_observed=is_observed,
        checks_asked=sorted(checks_asked),
    )


def put_away_data(
    lot: str, fact: PutAwayFact, box: str | None, cell: int | None = None
) -> PutAwayData:
    """Return the data of a put-away, a wrong bin, or a confirmation for nothing."""
    reason = "" if fact.is_right else "wrong bin"
    if fact.expected is None:
        reason = "no piece was waiting"
    return PutAwayData(
        lot=lot,
        piece=fact.piece,
        cycle=fact.cycle,
        bin=fact.bin,
        expected=fact.expected,
        right=fact.is_right,
        by=fact.by,
        box=box,
        cell=cell,
        reason=reason,
    )


def correction_data(
    lot: str, fact: CorrectionFact | CycleEndedFact | CycleOpenedFact
) -> CorrectionData:
    """Return the data of a later fact about an earlier one."""
    what: str
    role: str
    if isinstance(fact, CycleEndedFact):
        what, role = fact.how, "service"
    elif isinstance(fact, CycleOpenedFact):
        what, role = fact.cycle_kind, fact.role
    else:
        what, role = fact.what, fact.role
    return CorrectionData(
        lot=lot, piece=fact.piece, cycle=fact.cycle, what=what, reason=fact.reason, role=role
    )


def disposed_data(lot: str, fact: DisposedFact) -> CorrectionData:
    """Return the data of a decision on a piece or a box."""
    return CorrectionData(
        lot=lot, piece=fact.piece, cycle=None, what=fact.action, reason=fact.reason,
        role=fact.role, box=fact.box or None, grade=fact.grade,
    )  # fmt: skip
