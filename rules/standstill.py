"""Where the pin came to rest within a sweep, and what it showed up to there."""

from collections.abc import Sequence

from rules.sweep import Sweep, SweepRules

__all__ = ["range_until_standstill_nm", "standstill"]


def range_until_standstill_nm(sweep: Sweep, rules: SweepRules) -> int | None:
    """Return largest minus smallest reading up to where the pin came to rest.

    No hand opens a nut on a turning spindle: what moves after a standstill may be the nut.
    """
    if not sweep.value_nm:
        return None
    values = sweep.value_nm[: standstill(sweep, rules)]
    return max(values) - min(values)


def standstill(sweep: Sweep, rules: SweepRules) -> int | None:
    """Return how many readings there are up to the end of the first standstill, if any."""
    band_nm = max(3 * rules.step_nm, rules.top_limit_nm // 20)
    count = len(sweep.value_nm)
    start = 0
    for end in range(count):
        start = _band_start(sweep.value_nm, start, end, band_nm)
        if sweep.at_ns[end] - sweep.at_ns[start] >= rules.standstill_ns:
            return _band_end(sweep.value_nm, start, end, band_nm)
    return None


def _band_start(values: Sequence[int], start: int, end: int, band_nm: int) -> int:
    """Return the first index from which all values up to ``end`` lie in one band."""
    high = low = values[end]
    first = end
    while first > start:
        value = values[first - 1]
        high, low = max(high, value), min(low, value)
        if high - low > band_nm:
            break
        first -= 1
    return first


def _band_end(values: Sequence[int], start: int, end: int, band_nm: int) -> int:
    """Return the index after the last value that stays in the band of what rests."""
    resting = values[start : end + 1]
    high, low = max(resting), min(resting)
    for index in range(end + 1, len(values)):
        high, low = max(high, values[index]), min(low, values[index])
        if high - low > band_nm:
            return index
    return len(values)
