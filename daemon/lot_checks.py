"""What a lot of the bench file can't be opened as: its rest's plan, its torque don't fit."""

from collections.abc import Mapping

from daemon.config_sections import BenchSection
from daemon.toml_file import Faults
from rules.finite_lot import PlanError
from rules.rest_plan import plan_at_opening
from rules.ruleset import RuleBook, UnknownArticleError
from rules.torque import torque_fault

BY_CELL = (
    'put_away.identity = "tray" knows a piece by its tray cell; accepted are numbered cells, '
    "quantity of them or more"
)


def check_lots(benches: Mapping[int, tuple[BenchSection, RuleBook]], faults: Faults) -> None:
    """Note every lot that would be refused at its opening.

    Args:
        benches: By number: the bench's table and what its rule file says.
        faults: Where they are noted.
    """
    for number, (bench, book) in benches.items():
        lot = bench.lot
        if lot is None:
            continue
        if bench.put_away.identity == "tray" and lot.cells is None:
            faults.add(f"bench.{number}.lot.cells", BY_CELL)
            continue
        try:
            rules = book.of(lot.article)
        except UnknownArticleError:
            continue  # told with the article's own key
        fault = torque_fault(rules.torque_nmm, lot.torque_nmm)
        if fault:
            faults.add(f"bench.{number}.lot.torque_nmm", fault)
        if rules.rest is None:
            continue
        is_numbered = lot.cells is not None
        try:
            plan_at_opening(rules.rest, rules.grades[-1], lot.quantity, is_numbered, "normal")
        except PlanError as error:
            key = "cells" if lot.quantity is not None else "quantity"
            faults.add(f"bench.{number}.lot.{key}", str(error))
