"""What a lot is opened with: boxes of the bench file, plan for its rest, draw of its order."""

from collections.abc import Callable
from dataclasses import replace

from daemon.config_sections import BenchSection, LotSection
from daemon.lot_checks import BY_CELL
from daemon.store import LotOpening
from rules.bench import CommandRefusedError
from rules.finite_lot import PlanError
from rules.rest_life import opening_draw
from rules.rest_plan import plan_at_opening
from rules.ruleset import Grade, Rest
from rules.switching import Switching

Series = Callable[[str, str, str, str], Switching]
"""Article, edition, AQL and level: where their series of lots stands."""


def boxes_of_file(section: BenchSection) -> dict[str, str]:
    """Return the label of the box that stands in each bin by the bench file."""
    return {one.id: one.box for one in section.bin if one.box is not None}


def capacities_of_file(section: BenchSection) -> dict[str, int]:
    """Return how many pieces those boxes hold, as far as the bench file says so."""
    return {one.id: one.capacity for one in section.bin if one.capacity is not None}


def lot_of_file(section: BenchSection, wanted: LotSection) -> LotOpening:
    """Return the lot that the bench file opens, before its rest is planned."""
    return LotOpening(
        wanted.code, wanted.article, wanted.quantity, dict(wanted.order),
        boxes_of_file(section), wanted.holder, tuple(wanted.pins), wanted.role, wanted.cells,
        wanted.seed or "", capacities=capacities_of_file(section),
        pin_moves=wanted.pin_moves, torque_tool=wanted.torque_tool,
        torque_nmm=wanted.torque_nmm,
    )  # fmt: skip


def with_rest(
    opening: LotOpening,
    rest: Rest | None,
    ordinary: Grade,
    series: Series,
    make_seed: Callable[[], str],
    *,
    by_cell: bool = False,
) -> LotOpening:
    """Return an opening with the plan for its rest and the draw of its order.

    Args:
        opening: What was asked for.
        rest: What the rule file says of the rest.
        ordinary: The last grade of the rule file.
        series: Where series of lots stand.
        make_seed: Makes the seeds of draws.
        by_cell: Whether a binned piece is known by its tray cell.

    Raises:
        CommandRefusedError: If the rest of this lot can't be judged so.
    """
    if opening.cells is not None and opening.cells < (opening.quantity or opening.cells + 1):
        raise CommandRefusedError(
            f"{opening.cells} cells; accepted is the quantity or more, with a quantity"
        )
    if by_cell and opening.cells is None:
        raise CommandRefusedError(BY_CELL)
    if rest is None:
        return opening
    state = Switching()
    if rest.plan == "aql":
        state = series(opening.article, rest.edition, rest.aql, rest.level)
    if state.is_discontinued:
        raise CommandRefusedError(
            f"sampling of {opening.article} is discontinued: five lots were not accepted "
            "under tightened inspection; accepted after a corrective action "
            "(lot resume-sampling)"
        )
    is_numbered = opening.cells is not None
    try:
        plan = plan_at_opening(rest, ordinary, opening.quantity, is_numbered, state.severity)
    except PlanError as error:
        raise CommandRefusedError(str(error)) from error
    if not plan.is_drawn or opening.cells is None:
        return replace(opening, rest=plan)
    draw = opening_draw(opening.cells, opening.seed, make_seed)
    return replace(opening, rest=plan, draw=draw)
