"""A whole store anew: every cycle, its clampings, and the verdict they settle."""

import sqlite3
from collections.abc import Callable, Sequence

from daemon.recompute.clampings import InForce, Judges, recompute_clamping
from daemon.recompute.diagnoses import KeptDiagnoses
from daemon.recompute.findings import Findings
from daemon.store.stored import StoredCycle, StoredLot, StoredVerdict, stored_cycles
from daemon.store.texts import StoredTexts
from rules.clamping import Clamping
from rules.grading import Assessed, Decision


def recompute(
    db: sqlite3.Connection,
    lots: Sequence[StoredLot],
    on_cycle: Callable[[], None],
    with_diagnoses: bool = False,
) -> Findings:
    """Return what differs between these lots as stored and as computed anew.

    Args:
        db: The store, opened for reading.
        lots: Which lots.
        on_cycle: Told after each cycle, for a progress bar.
        with_diagnoses: Also what sweeps show beside their TIR.
    """
    judges, found = Judges(StoredTexts(db)), Findings()
    kept = KeptDiagnoses(db) if with_diagnoses else None
    for lot in lots:
        pieces = set()
        for cycle in stored_cycles(db, lot.id):
            recompute_cycle(cycle, judges, found, kept)
            pieces.add(cycle.piece)
            on_cycle()
        found.pieces += len(pieces)
    return found


def recompute_cycle(
    cycle: StoredCycle, judges: Judges, found: Findings, kept: KeptDiagnoses | None = None
) -> None:
    """Note what differs between a cycle as stored and as computed anew."""
    found.cycles += 1
    numbers = [clamping.number for clamping in cycle.clampings]
    wanted = list(range(1, len(numbers) + 1))
    found.compare(cycle, None, None, [("clampings", numbers, wanted)])
    assessed: list[Assessed | None] = []
    last: InForce | None = None
    before: Clamping | None = None
    for clamping in cycle.clampings:
        last = judges.of(cycle, clamping, found)
        if last is None:
            assessed.append(None)
        else:
            anew = recompute_clamping(cycle, clamping, last, found, kept, before)
            assessed.append(None if anew is None else anew[1])
            if anew is not None and anew[0].invalid is None:
                before = anew[0]
    known = [one for one in assessed if one is not None]
    if last is None or len(known) < len(assessed):
        found.undecided += cycle.verdict is not None and bool(assessed)
        if cycle.verdict is not None and not assessed:
            found.compare(cycle, None, None, [("verdict", cycle.verdict.bin, None)])
        return
    _compare_decision(cycle, known, last, found)


def _compare_decision(
    cycle: StoredCycle, assessed: Sequence[Assessed], by: InForce, found: Findings
) -> None:
    settled_by, decision = _settled(assessed, by)
    verdict = cycle.verdict
    if verdict is None:
        found.compare(cycle, None, None, [("verdict", None, decision and decision.bin)])
        found.compare(cycle, None, None, [("how", _graded_or_invalid(cycle.how), None)])
        return
    found.verdicts += 1
    if decision is None:
        found.compare(cycle, None, None, [("verdict", verdict.bin, None)])
        return
    pairs = [
        ("settled by clamping", len(assessed), settled_by),
        ("how", cycle.how, "invalid" if decision.why == "invalid" else "graded"),
        *_verdict_pairs(cycle, verdict, decision, by),
    ]
    found.compare(cycle, None, None, pairs)


def _settled(assessed: Sequence[Assessed], by: InForce) -> tuple[int | None, Decision | None]:
    """Return the first decision the clampings settle, and which clamping settled it."""
    for number in range(1, len(assessed) + 1):
        decision = by.evaluation.decide(assessed[:number], by.rules)
        if decision is not None:
            return number, decision
    return None, None


def _graded_or_invalid(how: str | None) -> str | None:
    """Return how a cycle ended if that is an end that comes with a verdict."""
    return how if how in ("graded", "invalid") else None


def _verdict_pairs(
    cycle: StoredCycle, verdict: StoredVerdict, decision: Decision, by: InForce
) -> list[tuple[str, object, object]]:
    """Return what a verdict says beside what it has to say; its wording is left out."""
    is_observed = all(c.loosening != "not-observed" for c in cycle.clampings)
    return [
        ("grade", verdict.grade, decision.grade),
        ("bin", verdict.bin, decision.bin),
        ("why", verdict.why, decision.why),
        ("decision_rule", verdict.decision_rule, by.stated),
        ("rules_revision", verdict.rules_revision, by.rules.revision),
        ("rules_sha256", verdict.rules_sha256, by.rules.sha256),
        ("loosening_observed", verdict.loosening_observed, int(is_observed)),
    ]
