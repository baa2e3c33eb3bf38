"""The holder's share of the run-out over time: from first clampings, over all lots.

Collets lie in the holder at random angles when they are first clamped, so that the mean of
their first vectors is what stays: holder, spindle and nut. A holder outlives lots; its vector
has another direction once it left the spindle and came back anyhow, and then the series
starts anew. The share is a running mean over the last first clampings, with its standard
error from their own scatter.
"""

from dataclasses import dataclass, replace

from rules.ruleset import RuleSet
from rules.separation import HolderShare, holder_share

WINDOW = 50
"""The share rests on so many first clampings, or on all since the holder was put in."""

LEAST_SHOWN = 5
"""Fewer tell nothing of a holder."""

WHAT_TO_DO = (
    "the holder is dirty or worn: clean taper, nut and spindle nose, and check it with the"
    " master; if it stays, change the holder"
)


@dataclass(frozen=True, slots=True)
class HolderSeries:
    """What is known of the holder at one position.

    Attributes:
        vectors: The last first clampings' vectors, nm, in order.
        number: First clampings since the holder was put in.
        is_above: The share was above its limit beyond doubt, and has not come back since.
    """

    vectors: tuple[complex, ...] = ()
    number: int = 0
    is_above: bool = False

    @property
    def share(self) -> HolderShare | None:
        """Return the share as known now; None from too few first clampings."""
        return holder_share(self.vectors) if len(self.vectors) >= LEAST_SHOWN else None


def add(series: HolderSeries, vector: complex, limit_nm: int | None) -> HolderSeries:
    """Return the series after a further first clamping.

    The alarm comes when the share is above the limit beyond doubt, and goes when the share
    itself is at or below it: on the edge it does not flicker.

    Args:
        series: Up to now.
        vector: Of the first clamping, nm of eccentricity in the spindle's frame.
        limit_nm: What the share may be, as TIR; None: there is no limit.
    """
    vectors = (*series.vectors[1 - WINDOW :], vector)
    after = replace(series, vectors=vectors, number=series.number + 1)
    share = after.share
    if share is None or limit_nm is None:
        return replace(after, is_above=False)
    if series.is_above:
        return replace(after, is_above=share.run_out_nm > limit_nm)
    return replace(after, is_above=share.exceeds(limit_nm))


def holder_limit_nm(rules: RuleSet) -> int | None:
    """Return what the holder may add to a grade given from one clamping alone, as TIR.

    Three clampings show the holder's whole vector, one may hide it: such a grade bears a
    tenth of its limit, or its guard band if that is more. None if no grade is given so.
    """
    of_one = [grade for grade in rules.grades if grade.clampings == 1]
    limits = [limit for grade in of_one for limit in grade.limits]
    return min((max(x.tolerance_limit_nm // 10, x.guard_band_nm) for x in limits), default=None)
