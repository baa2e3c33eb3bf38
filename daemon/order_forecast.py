"""The forecast of an order, from what the pieces of the lot count as now."""

from datetime import datetime, timedelta

from daemon.clock import rfc3339
from daemon.messages import OrderForecast
from daemon.store.standing import Standing
from rules.forecast import PRIOR_TEXT, clampings_until_filled, forecast
from rules.lot import LotView
from rules.ruleset import RuleSet


def order_forecast(
    lot: LotView, standing: Standing, rules: RuleSet, was_short: bool
) -> OrderForecast | None:
    """Return what is to be expected of the best ordered grade that is not filled.

    None without an order, without a counted lot, or before the first verdict: then there is
    nothing to go by.
    """
    counts = standing.counts()
    wanted = next(
        (g for g, n in lot.ordered.items() if _found(lot, g) < n),
        None,
    )
    measured = sum(
        sum(by_grade.values())
        for status, by_grade in counts.items()
        if status not in ("in-work", "abandoned", "replaced")
    )
    if wanted is None or lot.unmeasured is None or measured == 0:
        return None
    good = _found(lot, wanted)
    found = forecast(measured, good, max(0, lot.unmeasured), lot.ordered[wanted] - good)
    low, median, high = found.pieces_range
    per_good, per_other = standing.mean_clampings(wanted)
    needed = next((g.clampings for g in rules.grades if g.id == wanted), rules.clampings)
    clampings = clampings_until_filled(found, per_good or needed, per_other or 1.0)
    fewest, middle, most = (
        None if count is None else round(count) for count in clampings.range
    )
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
        clampings=round(clampings.expected, 1),
        clampings_5=fewest,
        clampings_50=middle,
        clampings_95=most,
    )


def with_times(found: OrderForecast, cycle_s: float | None, now: datetime) -> OrderForecast:
    """Return a forecast with the time of day at which the order is filled.

    Args:
        found: The forecast of pieces.
        cycle_s: Median time from a piece's first clamping to its put-away; None: not known.
        now: The time of day.
    """
    if cycle_s is None:
        return found

    def at(pieces: int | None) -> str | None:
        return None if pieces is None else rfc3339(now + timedelta(seconds=cycle_s * pieces))

    times = {
        "filled_5": at(found.pieces_5), "filled_50": at(found.pieces_50),
        "filled_95": at(found.pieces_95),
    }  # fmt: skip
    return found.model_copy(update=times)


def _found(lot: LotView, grade: str) -> int:
    return lot.put_away.get(grade, 0) + lot.pending.get(grade, 0)


def warning_text(found: OrderForecast) -> str:
    """Return the early warning in words for the lead."""
    chance = f"{100 * found.runs_out:.0f} %" if found.runs_out < 0.995 else "over 99 %"
    return (
        f"the lot will run out ({chance}): {found.missing} of {found.grade} missing, "
        f"about {found.expected_found:.0f} expected among the {found.unmeasured} left"
    )
