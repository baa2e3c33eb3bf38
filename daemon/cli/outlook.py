"""What ``reclamp explain`` adds with ``--plan`` and ``--risk``: a lot before it is measured."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from daemon.cli.answers import refuse
from rules.length import nm_to_um
from rules.ruleset import RuleSet

_GUARD_SHARES = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
"""Guard bands to compare, as shares of the limit; the rule file's own is added."""


@dataclass(frozen=True, slots=True)
class LotSpread:
    """How a lot spreads, as given on the command line: µm of eccentricity, per axis."""

    own_um: float
    scatter_um: float
    holder_um: float
    step_deg: float


_EXPANDED_UM = 0.8
"""U where neither command line nor rule file says one: the demo's guard band."""


def at_position(rules: RuleSet, position: str | None) -> RuleSet:
    """Return the rules with the limits of one position as their only ones."""
    if position is None and not rules.positions:
        return rules
    if position not in rules.positions:
        accepted = ", ".join(rules.positions) or "none: this rule file limits no positions"
        refuse(f"--position: got {position!r}; accepted are {accepted}")
    grades = []
    for grade in rules.grades:
        limit = grade.limit_at(position or "")
        there = replace(grade, tolerance_limit_nm=limit.tolerance_limit_nm, positions=())
        grades.append(replace(there, guard_band_nm=limit.guard_band_nm))
    return replace(rules, grades=tuple(grades))


def plan(rules: RuleSet, given: LotSpread, ordered: int) -> dict[str, Any]:
    """Return what share passes, what guard bands cost and what stopping early saves."""
    from rules.planning import GradePlan, early_stop, guard_costs, passing
    from rules.scatter_model import Spread, SpreadError

    try:
        spread = Spread(given.own_um, given.scatter_um, given.holder_um, given.step_deg)
        top = rules.grades[0]
        limit_um = nm_to_um(top.tolerance_limit_nm)
        acceptance_um = nm_to_um(top.acceptance_limit_nm)
        own = round(limit_um - acceptance_um, 3)
        guards = sorted({own, *(round(limit_um * share, 3) for share in _GUARD_SHARES)})
        grades = [
            GradePlan(g.id, nm_to_um(g.acceptance_limit_nm), g.clampings) for g in rules.grades
        ]
        stop = early_stop(spread, grades)
        return {
            "grade": top.id,
            "acceptance_um": acceptance_um,
            "passing": list(passing(spread, acceptance_um, top.clampings)),
            "ordered": ordered,
            "guards": [
                asdict(cost)
                for cost in guard_costs(spread, limit_um, guards, top.clampings, ordered)
            ],
            "guard_of_the_file_um": own,
            "clampings": {**asdict(stop), "saved": stop.saved},
            "spread": asdict(spread),
        }
    except SpreadError as error:
        refuse(f"--plan: {error}")


def plan_text(found: dict[str, Any]) -> list[str]:
    """Return the plan as lines for people."""
    passing = ", ".join(
        f"{100 * share:.0f} % pass {n}" for n, share in enumerate(found["passing"], start=1)
    )
    lines = [f"plan for {found['grade']} at {found['acceptance_um']:g} µm: {passing}"]
    lines.append(
        f"  guard µm   share   pieces for {found['ordered']}   next clamping above the limit"
    )
    for cost in found["guards"]:
        mark = " *" if cost["guard_um"] == found["guard_of_the_file_um"] else ""
        share, beyond = 100 * cost["share"], 100 * cost["one_more_beyond"]
        lines.append(
            f"  {cost['guard_um']:>8.2f}  {share:>5.1f} %  {cost['pieces']:>10.0f}"
            f"        {beyond:>6.2f} %{mark}"
        )
    stop = found["clampings"]
    lines.append(
        "  * the rule file's own; chips and dirt are not in this spread and come on top"
    )
    lines.append(
        f"  clampings a piece: {stop['expected']:.2f} instead of {stop['always']} "
        f"({100 * stop['saved']:.0f} % saved), {stop['per_top_piece']:.1f} for each of "
        f"{found['grade']}"
    )
    return lines


def risk(
    rules: RuleSet, given: LotSpread, said_um: float | None, readings_um: Sequence[float]
) -> dict[str, Any]:
    """Return what the decision rules risk, by grade, for an expanded uncertainty (k = 2).

    None takes the uncertainty of the rule file.
    """
    from rules.lot_prior import own_run_out_prior
    from rules.risk import Interval, from_expanded, global_risks, specific_consumers_risk
    from rules.scatter_model import Spread, SpreadError

    of_file = rules.expanded_uncertainty_nm
    expanded_um = said_um or (nm_to_um(of_file) if of_file is not None else _EXPANDED_UM)
    try:
        error = from_expanded(expanded_um)
        spread = Spread(given.own_um, given.scatter_um, given.holder_um, given.step_deg)
    except (ValueError, SpreadError) as fault:
        refuse(f"--risk: {fault}")
    prior = own_run_out_prior(spread)
    grades: list[dict[str, Any]] = []
    for grade in rules.grades:
        permissible = Interval(nm_to_um(grade.tolerance_limit_nm))
        acceptance = Interval(nm_to_um(grade.acceptance_limit_nm))
        whole = global_risks(prior, error, permissible, acceptance, grade.clampings)
        found: dict[str, Any] = {"grade": grade.id, **asdict(whole)}
        if readings_um:
            found["specific"] = specific_consumers_risk(readings_um, error, permissible)
        grades.append(found)
    return {"expanded_um": expanded_um, "coverage_factor": 2.0, "grades": grades}


def risk_text(found: dict[str, Any]) -> list[str]:
    """Return the risks as lines for people."""
    lines = [
        f"risk at U = {found['expanded_um']:g} µm (k = 2, half its variance shared by the "
        "clampings of a piece):"
    ]
    for grade in found["grades"]:
        outside, refused = 100 * grade["outside_in_bin"], 100 * grade["refused_of_good"]
        lines.append(
            f"  {grade['grade']}: {outside:.2f} % of its bin truly outside, "
            f"{refused:.1f} % of the good refused"
        )
        if "specific" in grade:
            alone = 100 * grade["specific"]
            lines.append(f"    this piece, from its readings alone: {alone:.2f} % outside")
    return lines
