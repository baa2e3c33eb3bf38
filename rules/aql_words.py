"""A sample judged by an AQL plan, in words that promise no more than the plan does."""

from rules.rest_plan import RestPlan
from rules.rest_view import Judged, SampleDrawn
from rules.rest_words import Circumstances, RestWords, attribute, drawn, holder


def aql_words(
    plan: RestPlan, sample: SampleDrawn | None, found: Judged, about: Circumstances
) -> RestWords:
    """Return the words for a sample taken because a contract names an AQL."""
    name = f"AQL {plan.aql}, level {plan.level}, {plan.severity}, {plan.edition}"
    if sample is None or found.outcome == "nothing-left":
        text = f"Lot {about.lot}: every piece was measured; there is no rest to judge."
        return RestWords(text, name, (attribute(about),), "")
    count = found.tally
    head = (
        f"Lot {about.lot}, {about.grade}: {count.pieces} of the {sample.rest} pieces left were "
        f"{'drawn at random' if sample.is_by_record else 'taken by hand'}; {count.beyond} "
        f"showed more than {about.limit_text} at the first clamping or "
        f"had no result that stands ({count.doubtful})."
    )
    accepts = f"at most {sample.acceptance_number} accept it ({name})"
    verdict = {
        "accepted": f"The plan named by contract accepts the rest: {accepts}. This bounds no "
        "single lot; it is a rule for a series.",
        "hold": f"The plan refuses the rest: {accepts}. Nothing is stated of the {found.rest} "
        "pieces not measured: held.",
        "under-way": f"The sample is of {sample.size}: {sample.size - count.pieces} to go.",
    }.get(found.outcome, "The sample was broken off: nothing is stated of the rest.")
    statistician = (
        f"Single sampling, {name}: n = {sample.size}, Ac = {sample.acceptance_number}, "
        f"N = {sample.rest}; x = {count.beyond} of {count.pieces}."
    )
    said = (
        drawn(True, about), attribute(about), holder(about),
        "Severity follows from the lots of this article judged before, by the switching "
        "rules; no reduced inspection.",
    )  # fmt: skip
    return RestWords(f"{head} {verdict}", statistician, said, _next(found))


def _next(found: Judged) -> str:
    return {
        "under-way": "Measure the next piece of the sample.",
        "hold": "Hold the rest. The lead decides: measure all of it, rework, concession or "
        "scrap. Nothing regrades itself.",
    }.get(found.outcome, "No more measuring is needed for the plan.")
