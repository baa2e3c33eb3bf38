"""What ``reclamp explain --plan`` adds: what a lot will ask of its rule file."""

from dataclasses import asdict, replace
from typing import Any

from daemon.cli.answers import refuse
from daemon.cli.lot_spread import LotSpread, scaled_to_pass
from rules.length import nm_to_um
from rules.ruleset import RuleSet

_GUARD_SHARES = (0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3)
"""Guard bands to compare, as shares of the limit; the rule file's own is added."""


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


def plan(
    rules: RuleSet, lot: LotSpread, ordered: int, pass_one_percent: float | None
) -> dict[str, Any]:
    """Return what share passes, what guard bands cost and what stopping early saves.

    Args:
        rules: The grades, one limit each.
        lot: How it spreads.
        ordered: Pieces of the best grade wanted.
        pass_one_percent: Share that passes one clamping of the best grade, where that is
            known and not the spread: of the spread its division alone is kept then.
    """
    from rules.planning import GradePlan, early_stop, guard_costs, passing
    from rules.scatter_model import SpreadError

    try:
        top = rules.grades[0]
        limit_um = nm_to_um(top.tolerance_limit_nm)
        acceptance_um = nm_to_um(top.acceptance_limit_nm)
        if pass_one_percent is not None:
            lot = scaled_to_pass(lot, pass_one_percent, acceptance_um)
        spread = lot.spread()
        shares = passing(spread, acceptance_um, top.clampings)
        own = round(limit_um - acceptance_um, 3)
        guards = sorted({own, *(round(limit_um * share, 3) for share in _GUARD_SHARES)})
        grades = [
            GradePlan(g.id, nm_to_um(g.acceptance_limit_nm), g.clampings) for g in rules.grades
        ]
        stop = early_stop(spread, grades)
        return {
            "grade": top.id,
            "acceptance_um": acceptance_um,
            "passing": list(shares),
            "passing_all_between": [shares[0] ** top.clampings, shares[0]],
            "ordered": ordered,
            "guards": [
                asdict(cost)
                for cost in guard_costs(spread, limit_um, guards, top.clampings, ordered)
            ],
            "guard_of_the_file_um": own,
            "clampings": {**asdict(stop), "saved": stop.saved},
            "spread": asdict(lot),
        }
    except SpreadError as error:
        refuse(f"--plan: {error}")


def plan_text(found: dict[str, Any]) -> list[str]:
    """Return the plan as lines for people."""
    passing = ", ".join(
        f"{100 * share:.0f} % pass {n}" for n, share in enumerate(found["passing"], start=1)
    )
    lines = [f"plan for {found['grade']} at {found['acceptance_um']:g} µm: {passing}"]
    lines.append(f"  {_source(found['spread'])}")
    low, high = (100 * share for share in found["passing_all_between"])
    if len(found["passing"]) > 1:
        lines.append(
            f"  {low:.0f} % would pass all if run-out were all of the clamping, "
            f"{high:.0f} % if all of the collet"
        )
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


def _source(spread: dict[str, Any]) -> str:
    return LotSpread(**spread).text
