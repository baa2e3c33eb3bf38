"""The proof of the rest as payloads: the lot topic and its events say the same words."""

from daemon.messages import RestNextLook, RestPlanData, RestState
from rules.aql_words import aql_words
from rules.facts import LookFact
from rules.length import nm_to_um
from rules.lot import LotView
from rules.rest_life import looked
from rules.rest_plan import RestPlan
from rules.rest_view import Judged, RestView, at_most_now, judged_now, next_look
from rules.rest_words import (
    Circumstances,
    RestWords,
    holder,
    nothing_left_words,
    rest_words,
)  # fmt: skip


def plan_data(plan: RestPlan) -> RestPlanData:
    """Return what was fixed at the opening."""
    is_aql = plan.kind == "aql"
    return RestPlanData(
        plan=plan.kind,
        grade=plan.grade,
        acceptance_um=nm_to_um(plan.acceptance_limit_nm),
        acceptance_um_at={
            limit.position: nm_to_um(limit.acceptance_limit_nm) for limit in plan.positions
        },
        limiting_quality=None if is_aql else plan.limiting_quality,
        consumers_risk=None if is_aql else plan.consumers_risk,
        looks=plan.looks,
        further=plan.further,
        acceptance_number=plan.acceptance_number if plan.kind == "sample" else None,
        edition=plan.edition if is_aql else None,
        aql=plan.aql if is_aql else None,
        level=plan.level if is_aql else None,
        severity=plan.severity if is_aql else None,
    )


def circumstances(
    code: str, rest: RestView, top_taken: int = 0, master_tir_nm: int | None = None
) -> Circumstances:
    """Return what the figures alone don't say."""
    sample = rest.sample
    is_drawn = sample.is_by_record if sample is not None else rest.plan.is_drawn
    return Circumstances(
        code, rest.plan.grade, rest.plan.tolerance_limit_nm, rest.plan.acceptance_limit_nm,
        sample.seed if sample is not None else "", master_tir_nm, top_taken, is_drawn,
        rest.plan.positions,
    )  # fmt: skip


def words_of(rest: RestView, found: Judged, about: Circumstances) -> RestWords:
    """Return what a look says, in words."""
    if found.proof is not None:
        return rest_words(found.proof, about)
    if rest.plan.kind != "aql":
        return nothing_left_words(about)
    return aql_words(rest.plan, rest.sample, found, about)


def rest_state(lot: LotView) -> RestState | None:
    """Return the proof of the rest as of now; None without a plan."""
    if lot.rest is None:
        return None
    found = judged_now(lot.rest)
    if found is None:
        return _waiting(lot.rest, lot.order_state == "open")
    return _state(lot, lot.rest, found)


def look_state(lot: LotView, fact: LookFact) -> RestState:
    """Return a look as it is recorded."""
    assert lot.rest is not None  # a look follows from a plan
    rest = looked(lot.rest, fact)
    found = judged_now(rest)
    assert found is not None  # it is on record now
    return _state(lot, rest, found)


def _waiting(rest: RestView, is_open: bool) -> RestState:
    count = rest.all_pieces
    return RestState(
        plan=plan_data(rest.plan),
        drawn=rest.plan.is_drawn,
        pieces=count.pieces,
        beyond=count.beyond,
        doubtful=count.doubtful,
        at_most_now=at_most_now(rest),
        what_next="The rest is judged when the order is filled." if is_open else "",
    )


def _state(lot: LotView, rest: RestView, found: Judged) -> RestState:
    about = circumstances(lot.code, rest)
    words = words_of(rest, found, about)
    needs = next_look(rest) if found.outcome == "short" else None
    return RestState(
        plan=plan_data(rest.plan),
        outcome=found.outcome,
        look=found.look,
        drawn=about.is_drawn,
        judged=found.judged,
        pieces=found.tally.pieces,
        beyond=found.tally.beyond,
        doubtful=found.tally.doubtful,
        sample_size=rest.sample.size if rest.sample is not None else None,
        rest=found.rest,
        at_most=found.at_most,
        share=None if found.share is None else round(found.share, 6),
        next_look=None if needs is None else RestNextLook(
            pieces=needs.pieces, more=needs.more, most_beyond=needs.most_beyond,
            beyond_left=needs.beyond_left,
        ),
        at_most_now=at_most_now(rest),
        text=words.customer,
        what_next=words.what_next,
        assumptions=[said for said in words.assumptions if said != holder(about)],
    )  # fmt: skip
