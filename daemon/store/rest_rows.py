"""Facts of the proof of the rest as rows of their tables."""

from rules.facts import DrawFact, LookFact
from rules.lot import LotView
from rules.rest_plan import RestPlan
from rules.tray import as_ranges

Values = dict[str, object]


def plan_row(plan: RestPlan) -> Values:
    """Return the row of what was fixed at the opening."""
    return {
        "plan": plan.kind, "grade": plan.grade, "tolerance_nm": plan.tolerance_limit_nm,
        "acceptance_nm": plan.acceptance_limit_nm, "is_drawn": int(plan.is_drawn),
        "limiting_quality": plan.limiting_quality, "consumers_risk": plan.consumers_risk,
        "looks": plan.looks, "acceptance_number": plan.acceptance_number,
        "further": plan.further, "edition": plan.edition, "aql": plan.aql,
        "level": plan.level, "severity": plan.severity,
    }  # fmt: skip


def draw_row(fact: DrawFact, lot: LotView) -> Values:
    """Return the row of a draw: it lies after the newest piece."""
    return {
        "purpose": fact.purpose, "by_record": int(fact.is_by_record),
        "algorithm": fact.algorithm, "seed": fact.seed,
        "seed_given": int(fact.is_seed_given), "cells": as_ranges(fact.cells),
        "pieces": fact.pieces, "size": fact.size,
        "acceptance_number": fact.acceptance_number, "after_piece": lot.next_piece - 1,
    }  # fmt: skip


def look_row(fact: LookFact) -> Values:
    """Return the row of a look."""
    return {
        "look": fact.look, "after_piece": fact.after_piece, "judged": fact.judged,
        "pieces": fact.tally.pieces, "beyond": fact.tally.beyond,
        "doubtful": fact.tally.doubtful, "rest": fact.rest, "at_most": fact.at_most,
        "outcome": fact.outcome,
    }  # fmt: skip
