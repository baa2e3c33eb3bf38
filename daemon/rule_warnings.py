"""What a metrologist would say about a rule file without faults, on the bench that uses it."""

from collections.abc import Iterator
from itertools import pairwise

from daemon.config import BenchConfig
from rules.attribute_plans import single_plan
from rules.capture_model import IndicatorRules
from rules.finite_lot import PlanError, sample_plan
from rules.holder_series import holder_limit_nm
from rules.length import um_text, um_to_nm
from rules.rest_proof import fewest_measured
from rules.ruleset import Grade, Limit, Resolution, Rest, RuleSet


def rule_warnings(one: BenchConfig) -> list[str]:
    """Return a line for each thing in the rule file that is allowed and worth a look."""
    found: list[str] = []
    indicators = one.rules.capture.indicators
    for article, rules in one.book.articles.items():
        texts = [
            *_resolution(rules, indicators),
            *_guard_bands(rules, indicators),
            *_uncertainty(rules),
            *_one_clamping(rules),
            *_holder(one, rules),
            *_rest(one, rules),
        ]
        found += [f"article {article}: {text}" if article else text for text in texts]
    return found


def _resolution(rules: RuleSet, indicators: tuple[IndicatorRules, ...]) -> Iterator[str]:
    """The 10:1 rule of thumb (common practice): a step of at most a tenth of the limit."""
    percent = rules.resolution.warn_percent
    share = "a tenth" if percent == Resolution().warn_percent else f"{percent} %"
    for indicator in indicators:
        there = [grade.limit_at(indicator.position) for grade in rules.grades]
        tightest = min(limit.tolerance_limit_nm for limit in there)
        if indicator.sweep.step_nm * 100 > tightest * percent:
            yield (
                f"indicator {indicator.id}: its step is above {share} of the tightest limit "
                f"{um_text(tightest)} µm; a clamping near the limit is a matter of one step"
            )


def _guard_bands(rules: RuleSet, indicators: tuple[IndicatorRules, ...]) -> Iterator[str]:
    for grade, limit in _limits(rules):
        steps = [
            indicator.sweep.step_nm
            for indicator in indicators
            if limit.position in ("", indicator.position)
        ]
        name, guard = _name(grade, limit), limit.guard_band_nm
        if guard * 2 > limit.tolerance_limit_nm:
            yield f"{name}: its guard band is above half its limit"
        if 0 < guard < max(steps, default=0):
            yield f"{name}: its guard band is below one step of the indicator"


def _uncertainty(rules: RuleSet) -> Iterator[str]:
    """What U says of the limits: it must be able to tell them from nothing and each other."""
    expanded = rules.expanded_uncertainty_nm
    if expanded is None:
        return
    said = f"the expanded uncertainty U = {um_text(expanded)} µm"
    for grade, limit in _limits(rules):
        if limit.tolerance_limit_nm <= expanded:
            yield f"{_name(grade, limit)}: its limit is not above {said}: no reading proves it"
    for better, grade in pairwise(rules.grades):
        for position in rules.positions or ("",):
            above, own = better.limit_at(position), grade.limit_at(position)
            apart = own.tolerance_limit_nm - above.tolerance_limit_nm
            if 0 < apart < expanded:
                yield (
                    f"{_name(grade, own)}: its limit is {um_text(apart)} µm above that of "
                    f"{better.id}, closer than {said}: a reading can't tell the two grades"
                )


def _one_clamping(rules: RuleSet) -> Iterator[str]:
    for grade, limit in _limits(rules):
        if grade.clampings == 1 and limit.guard_band_nm == 0:
            tenth = um_text(limit.tolerance_limit_nm // 10)
            yield (
                f"{_name(grade, limit)}: graded by one clamping, which can hide the holder's "
                f"whole run-out; the master's TIR has to be at most {tenth} µm, or give it a "
                "guard band of that TIR"
            )


def _holder(one: BenchConfig, rules: RuleSet) -> Iterator[str]:
    """Say that the bench file lets the holder add more than one clamping can bear."""
    said, bears_nm = one.section.holder.share_limit_um, holder_limit_nm(rules)
    if said is None or bears_nm is None or um_to_nm(said) <= bears_nm:
        return
    adds, bears = um_text(um_to_nm(said)), um_text(bears_nm)
    yield (
        f"holder.share_limit_um: the holder may add {adds} µm before anybody is told, and a "
        f"grade given from one clamping bears {bears} µm: a tenth of its limit, or its guard "
        "band"
    )


def _rest(one: BenchConfig, rules: RuleSet) -> Iterator[str]:
    """Say that the plan can't prove anything of the lot in the bench file, if it can't."""
    rest, lot = rules.rest, one.section.lot
    if rest is None or lot is None or lot.quantity is None:
        return
    if rules.article not in ("", lot.article):
        return
    text = f"rest: plan {rest.plan} can never be satisfied by a lot of {lot.quantity}"
    quality, risk = rest.limiting_quality, rest.consumers_risk
    if rest.plan == "measured":
        at_a_look = risk / (2 if rest.further else 1)
        if fewest_measured(lot.quantity, quality, at_a_look) is None:
            yield f"{text}: only measuring every piece proves {quality:g} at a risk of {risk:g}"
        return
    left = lot.quantity - sum(lot.order.values())
    try:
        size = _sample_size(rest, left)
    except PlanError as error:
        yield f"{text}: {error}"
        return
    if 0 < left <= size:
        proves = f"prove {quality:g} of at a risk of {risk:g}"
        yield (
            f"{text}: of at most {left} unmeasured pieces the sample is {size}, all of them; "
            f"nothing is left to {'judge' if rest.plan == 'aql' else proves}"
        )


def _sample_size(rest: Rest, left: int) -> int:
    if left < 1:
        return 0
    if rest.plan == "aql":  # the tables begin at 2 pieces; one is taken itself
        return single_plan(left, rest.aql, "normal", rest.level).size if left > 1 else 1
    quality, risk = rest.limiting_quality, rest.consumers_risk
    return sample_plan(left, quality, risk, rest.acceptance_number).size


def _limits(rules: RuleSet) -> Iterator[tuple[Grade, Limit]]:
    for grade in rules.grades:
        for limit in grade.limits:
            yield grade, limit


def _name(grade: Grade, limit: Limit) -> str:
    return f"{grade.id} at {limit.position}" if limit.position else grade.id
