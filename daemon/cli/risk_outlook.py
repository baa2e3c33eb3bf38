"""What ``reclamp explain --risk`` adds: how often the decision rules are wrong."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any

from daemon.cli.answers import refuse
from daemon.cli.lot_spread import LotSpread
from rules.length import nm_to_um
from rules.ruleset import Grade, RuleSet

_EXPANDED_UM = 0.8
"""U where neither command line nor rule file says one: the demo's guard band."""


def risk(
    rules: RuleSet,
    lot: LotSpread,
    said_um: float | None,
    shared_percent: float,
    readings_um: Sequence[float],
) -> dict[str, Any]:
    """Return what the decision rules risk, by grade, for an expanded uncertainty (k = 2).

    Args:
        rules: The grades, one limit each.
        lot: How the lot spreads.
        said_um: U of one TIR; None takes the rule file's.
        shared_percent: Part of its variance that the clampings of a piece have in common.
        readings_um: TIR of each clamping of one piece; none for the lot alone.
    """
    from rules.risk import Interval, from_expanded, specific_consumers_risk
    from rules.scatter_model import SpreadError

    of_file = rules.expanded_uncertainty_nm
    expanded_um = said_um or (nm_to_um(of_file) if of_file is not None else _EXPANDED_UM)
    try:
        error = from_expanded(expanded_um, shared_share=shared_percent / 100)
        lot.spread()
    except (ValueError, SpreadError) as fault:
        refuse(f"--risk: {fault}")
    grades: list[dict[str, Any]] = []
    for grade in rules.grades:
        rows = [
            _row(grade, lot, expanded_um, shared_percent, clampings)
            for clampings in sorted({1, grade.clampings})
        ]
        found: dict[str, Any] = {"grade": grade.id, **rows[-1], "by_clampings": rows}
        if readings_um:
            permissible = Interval(nm_to_um(grade.tolerance_limit_nm))
            found["specific"] = specific_consumers_risk(readings_um, error, permissible)
        grades.append(found)
    return {
        "expanded_um": expanded_um, "coverage_factor": 2.0, "shared_percent": shared_percent,
        "spread": asdict(lot), "grades": grades,
    }  # fmt: skip


def _row(
    grade: Grade, lot: LotSpread, expanded_um: float, shared_percent: float, clampings: int
) -> dict[str, Any]:
    """Return a grade's risks at so many clampings.

    ``one_more_beyond`` is the next reading of the same run-out, off by its error alone;
    ``next_clamping_beyond`` the next tightening, which moves the collet by its scatter.
    """
    from rules.lot_prior import own_run_out_prior
    from rules.risk import Interval, from_expanded, global_risks
    from rules.scatter_model import one_more_beyond

    tolerance_um, acceptance_um = (
        nm_to_um(grade.tolerance_limit_nm), nm_to_um(grade.acceptance_limit_nm),
    )  # fmt: skip
    spread = lot.spread()
    whole = global_risks(
        own_run_out_prior(spread),
        from_expanded(expanded_um, shared_share=shared_percent / 100),
        Interval(tolerance_um),
        Interval(acceptance_um),
        clampings,
    )
    beyond = one_more_beyond(spread, acceptance_um, tolerance_um, clampings)
    return {**asdict(whole), "next_clamping_beyond": beyond}


def risk_lines(found: dict[str, Any]) -> Iterator[str]:
    """Yield the risks as lines for people."""
    yield (
        f"risk at U = {found['expanded_um']:g} µm (k = 2, {found['shared_percent']:g} % of its "
        "variance shared by the clampings of a piece):"
    )
    yield "  by clampings   bin truly outside   good refused   next clamping above the limit"
    for grade in found["grades"]:
        for row in grade["by_clampings"]:
            mark = " *" if row["clampings"] == grade["clampings"] else ""
            name = f"{grade['grade']}, {row['clampings']}"
            yield (
                f"  {name:<13}  {_chance(row['outside_in_bin']):>17}   "
                f"{_chance(row['refused_of_good']):>12}   "
                f"{_chance(row['next_clamping_beyond']):>17}{mark}"
            )
        if "specific" in grade:
            alone = _chance(grade["specific"])
            yield f"    this piece, from its readings alone: {alone} outside"
    yield "  * what the rule file asks for"


def _chance(share: float) -> str:
    """Return a chance with digits that say something: 0.00 % would claim never."""
    if share < 1e-6:
        return "below 1 ppm"
    if share < 1e-4:
        return f"{share * 1e6:.2g} ppm"
    return f"{share * 100:.2f} %" if share < 0.1 else f"{share * 100:.1f} %"
