"""The forecast of an order, from what the pieces of the lot count as now."""

from collections.abc import Mapping

from daemon.messages import OrderForecast
from rules.forecast import PRIOR_TEXT, forecast
from rules.lot import LotView

Counts = Mapping[str, Mapping[str, int]]
"""Pieces by status and grade, as the store has them."""


def order_forecast(lot: LotView, counts: Counts, was_short: bool) -> OrderForecast | None:
    """Return what is to be expected of the best ordered grade that is not filled.

    None without an order, without a counted lot, or before the first verdict: then there is
    nothing to go by.
    """
    wanted = next(
        (g for g, n in lot.ordered.items() if _found(lot, g) < n),
        None,
    )
    measured = sum(
        sum(by_grade.values())
        for status, by_grade in counts.items()
        if status not in ("in-work", "abandoned")
    )
    if wanted is None or lot.unmeasured is None or measured == 0:
        return None
    good = _found(lot, wanted)
    found = forecast(measured, good, max(0, lot.unmeasured), lot.ordered[wanted] - good)
    low, median, high = found.pieces_range
    return OrderForecast(
        grade=wanted,
        missing=found.missing,
        unmeasured=found.unmeasured,
        measured=measured,
        expected_pieces=round(found.expected_pieces, 1),
        pieces_5=low,
        pieces_50=median,
        pieces_95=high,
        expected_found=round(found.expected_found, 1),
        runs_out=round(found.runs_out, 4),
        short=found.is_short(was_short),
        model=PRIOR_TEXT,
    )


def _found(lot: LotView, grade: str) -> int:
    return lot.put_away.get(grade, 0) + lot.pending.get(grade, 0)


def warning_text(found: OrderForecast) -> str:
    """Return the early warning in words for the lead."""
    chance = f"{100 * found.runs_out:.0f} %" if found.runs_out < 0.995 else "over 99 %"
    return (
        f"the lot will run out before the order is filled ({chance}): "
        f"{found.missing} of {found.grade} missing, about {found.expected_found:.0f} expected "
        f"among the {found.unmeasured} left"
    )
