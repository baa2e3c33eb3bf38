"""What a lot of the bench file can't be opened as: a plan for its rest that doesn't fit it."""

from collections.abc import Mapping

from daemon.config_sections import LotSection
from daemon.toml_file import Faults
from rules.finite_lot import PlanError
from rules.rest_plan import plan_at_opening
from rules.ruleset import RuleBook, UnknownArticleError


def check_lots(lots: Mapping[int, tuple[LotSection, RuleBook]], faults: Faults) -> None:
    """Note every lot that would be refused at its opening.

    Args:
        lots: By number of the bench: its lot and what its rule file says.
        faults: Where they are noted.
    """
    for number, (lot, book) in lots.items():
        try:
            rules = book.of(lot.article)
        except UnknownArticleError:
            continue  # told with the article's own key
        if rules.rest is None:
            continue
        is_numbered = lot.cells is not None
        try:
            plan_at_opening(rules.rest, rules.grades[-1], lot.quantity, is_numbered, "normal")
        except PlanError as error:
            key = "cells" if lot.quantity is not None else "quantity"
            faults.add(f"bench.{number}.lot.{key}", str(error))
