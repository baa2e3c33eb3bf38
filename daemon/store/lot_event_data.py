"""What happens to a lot as event data."""

from dataclasses import replace
from typing import Any

from daemon.messages import DrawData, LotData, RulesName
from daemon.store.rest_data import look_state, plan_data
from rules.facts import (
    BoxFact,
    CellFact,
    DrawFact,
    LookFact,
    LotFact,
    OrderFact,
    RulesFact,
    VisualFact,
)  # fmt: skip
from rules.lot import LotView
from rules.ruleset import RuleSet
from rules.separation import CONFOUNDED
from rules.tray import as_ranges


def _of_lot(lot: LotView) -> dict[str, Any]:
    """Return what every lot event says of its lot."""
    return {
        "lot": lot.code, "article": lot.article, "quantity": lot.quantity,
        "order": dict(lot.ordered), "set_aside": lot.set_aside,
    }  # fmt: skip


def lot_data(lot: LotView, fact: LotFact, rules: RuleSet) -> LotData:
    """Return the data of something that happened to the lot; ``rules`` are in force."""
    named = RulesName(revision=rules.revision, sha256=rules.sha256)
    return LotData(
        **_of_lot(lot),
        what=fact.what,
        torque_tool=lot.torque_tool if fact.what == "opened" else "",
        torque_nmm=lot.torque_nmm if fact.what == "opened" else None,
        pin_moves=lot.pin_moves,
        confounds="" if lot.pin_moves is None else CONFOUNDED[lot.pin_moves],
        rules=named if fact.what == "opened" else None,
        reason=fact.reason,
        rest_plan=plan_data(lot.rest.plan) if lot.rest and fact.what == "opened" else None,
    )


def draw_data(lot: LotView, fact: DrawFact) -> LotData:
    """Return the data of a draw."""
    draw = DrawData(
        purpose=fact.purpose,
        by_record=fact.is_by_record,
        algorithm=fact.algorithm,
        seed=fact.seed,
        seed_given=fact.is_seed_given,
        cells=as_ranges(fact.cells),
        pieces=fact.pieces,
        size=fact.size,
        acceptance_number=fact.acceptance_number if fact.purpose == "sample" else None,
    )
    return LotData(**_of_lot(lot), what="drawn", draw=draw)


def look_data(lot: LotView, fact: LookFact) -> LotData:
    """Return the data of a look, in the words of the plan the lot was opened with."""
    assert lot.rest is not None  # a look follows from a plan
    return LotData(**_of_lot(lot), what="look", rest=look_state(lot, fact))


def cell_data(lot: LotView, fact: CellFact) -> LotData:
    """Return the data of a cell found empty."""
    return LotData(**_of_lot(lot), what="cell-empty", cell=fact.cell, reason=fact.reason)


def changed(lot: LotView, fact: OrderFact | VisualFact | BoxFact | RulesFact) -> LotView:
    """Return the lot as every event after this fact tells of it."""
    match fact:
        case OrderFact():
            return replace(lot, ordered={**lot.ordered, fact.grade: fact.quantity})
        case VisualFact():
            return replace(lot, set_aside=lot.set_aside + fact.pieces)
        case _:
            return lot


def lot_change_data(
    lot: LotView, fact: OrderFact | VisualFact | BoxFact | RulesFact
) -> LotData:
    """Return the data of a change of the open lot; ``lot`` is as it is after it."""
    told = _of_lot(lot)
    match fact:
        case OrderFact():
            told |= {
                "what": "order-changed", "grade": fact.grade, "pieces": fact.quantity,
                "reason": fact.reason,
            }  # fmt: skip
        case VisualFact():
            told |= {
                "what": "set-aside", "finding": fact.finding, "pieces": fact.pieces,
                "cell": fact.cell, "reason": fact.reason,
            }  # fmt: skip
        case BoxFact():
            told |= {"what": "box-changed", "bin": fact.bin, "box": fact.label}
        case RulesFact():
            before = RulesName(revision=fact.before_revision, sha256=fact.before_sha256)
            told |= {
                "what": "rules-changed", "rules_before": before, "piece": fact.piece,
                "rules": RulesName(revision=fact.revision, sha256=fact.sha256),
                "reason": fact.reason, "role": fact.role,
            }  # fmt: skip
    return LotData(**told)
