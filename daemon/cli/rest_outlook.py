"""What ``reclamp explain --rest`` adds: what measured pieces would prove of a lot's rest."""

from collections.abc import Iterator
from dataclasses import asdict
from textwrap import wrap
from typing import Any

from daemon.cli.answers import refuse
from rules.finite_lot import PlanError
from rules.first_clamping import Tally
from rules.rest_plan import RestPlan, plan_at_opening
from rules.rest_proof import RestProof, look_at_measured, look_at_sample
from rules.rest_view import sample_to_draw
from rules.rest_words import Circumstances, RestWords, rest_words
from rules.ruleset import RuleSet

_WIDTH = 96


def outlook_of_rest(
    rules: RuleSet, quantity: int, measured: int, beyond: int, taken: int
) -> dict[str, Any]:
    """Return what the rule file's plan would say of a lot, its order of measuring drawn.

    Args:
        rules: The rule file.
        quantity: Pieces of the lot.
        measured: Pieces measured when the order is filled.
        beyond: Of the pieces that prove it, those beyond: of the measured ones under plan
            ``measured``, of the sample else.
        taken: Pieces of better grades taken out of the measured ones.
    """
    if rules.rest is None:
        refuse("--rest: this rule file names no plan for the rest; accepted is one with [rest]")
    ordinary = rules.grades[-1]
    try:
        plan = plan_at_opening(rules.rest, ordinary, quantity, True, "normal")
        if plan.kind == "aql":
            return _of_tables(plan, quantity - measured)
        proof = _proof(plan, quantity, measured, beyond)
    except (PlanError, ValueError) as error:
        refuse(f"--rest: {error}")
    about = Circumstances(
        f"of {quantity}", ordinary.id, plan.tolerance_limit_nm, plan.acceptance_limit_nm,
        top_taken=taken, positions=plan.positions,
    )  # fmt: skip
    words = rest_words(proof, about)
    return {
        "plan": plan.kind, "outcome": proof.outcome, "rest": proof.rest,
        "at_most": proof.at_most, "share": round(proof.share, 6), "words": asdict(words),
    }  # fmt: skip


def _proof(plan: RestPlan, quantity: int, measured: int, beyond: int) -> RestProof:
    if plan.kind == "measured":
        return look_at_measured(plan.proof_plan(quantity), 1, Tally(measured, beyond))
    rest = quantity - measured
    sample = sample_to_draw(plan, rest)
    return look_at_sample(plan.proof_plan(rest), rest, Tally(sample.size, beyond))


def _of_tables(plan: RestPlan, rest: int) -> dict[str, Any]:
    sample = sample_to_draw(plan, rest)
    text = (
        f"Of {rest} pieces left {sample.size} are drawn; at most {sample.acceptance_number} "
        f"beyond accept them (AQL {plan.aql}, level {plan.level}, {plan.severity}, "
        f"{plan.edition}). This bounds no single lot; it is a rule for a series."
    )
    words = RestWords(text, "", (), "")
    return {
        "plan": "aql", "outcome": None, "rest": rest, "at_most": None, "share": None,
        "words": asdict(words),
    }  # fmt: skip


def rest_lines(found: dict[str, Any]) -> Iterator[str]:
    """Yield the same as lines for people."""
    words = found["words"]
    yield "the pieces nobody measured"
    yield from _paragraph(words["customer"])
    if words["statistician"]:
        yield "for the statistician"
        yield from _paragraph(words["statistician"])
    if words["assumptions"]:
        yield "assuming"
    for said in words["assumptions"]:
        yield from _paragraph(said, "- ")
    if words["what_next"]:
        yield "next"
        yield from _paragraph(words["what_next"])


def _paragraph(text: str, mark: str = "") -> Iterator[str]:
    indent = "  " + " " * len(mark)
    yield from wrap(text, _WIDTH, initial_indent=f"  {mark}", subsequent_indent=indent)
