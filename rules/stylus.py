"""What one reading says about stylus, pin and nut: judgements, no transitions."""

from rules.capture_model import CaptureRules, IndicatorRules, Track
from rules.clamping import Loosening
from rules.evolve import evolve
from rules.reading import Reading
from rules.sweep import Cut

DOUBTFUL: frozenset[Cut] = frozenset({"frozen", "wrong-mode"})
"""Faults of a reading whose value is not where the stylus is now: it is evidence of nothing."""


def value_on_pin(reading: Reading, indicator: IndicatorRules) -> int | None:
    """Return the value in nanometres if the stylus can be on the pin at it."""
    value = reading.value_nm
    if value is None or "over-range" in reading.flags:
        return None
    return value if indicator.window_low_nm <= value <= indicator.window_high_nm else None


def fault_of(reading: Reading, track: Track) -> Cut | None:
    """Return why a reading can't belong to the sweep of its track; None if it can."""
    if reading.flags:
        if "over-range" in reading.flags:
            return "over-range"
        if "frozen" in reading.flags:
            return "frozen"
    if reading.mode != "live":
        return "wrong-mode"
    if track.unit is not None and reading.unit != track.unit:
        return "unit-changed"
    if track.has_offset is not None and track.has_offset != ("offset-set" in reading.flags):
        return "offset-changed"
    return None


def shifted(track: Track, value_nm: int) -> Track:
    """Return the track after the indicator was zeroed: the pin is where it was before."""
    if track.low_nm is None or track.high_nm is None or not track.value_nm:
        return track
    by_nm = value_nm - track.value_nm[-1]
    low_nm, high_nm = track.low_nm + by_nm, track.high_nm + by_nm
    return evolve(track, low_nm=low_nm, high_nm=high_nm, jump_since_ns=None, jump_nm=0)


def watch_pin(
    track: Track, value_nm: int, at_ns: int, step_nm: int, rules: CaptureRules
) -> tuple[Track, Loosening | None]:
    """Watch the pin between two clampings: return the track and the jump once it is one.

    An opened nut lets the pin spring aside and lie there. A stylus that is lifted slowly
    passes through the same values and lies nowhere; an indicator that is zeroed jumps to
    nought.
    """
    if track.low_nm is None or track.high_nm is None:
        return track, None  # nothing to compare with: only a lift, foot or tool can show it
    away_nm = max(track.low_nm - value_nm, value_nm - track.high_nm)
    if away_nm <= rules.loosening_nm:
        if track.jump_since_ns is None:
            return track, None
        return evolve(track, jump_since_ns=None, jump_nm=0), None
    if track.jump_since_ns is None and abs(value_nm) <= step_nm:
        return shifted(track, value_nm), None
    low_nm, high_nm = min(track.band_low_nm, value_nm), max(track.band_high_nm, value_nm)
    if track.jump_since_ns is None or high_nm - low_nm > rules.loosening_nm:
        return _jumped(track, value_nm, at_ns, away_nm), None
    jump_nm = max(track.jump_nm, away_nm)
    track = evolve(track, jump_nm=jump_nm, band_low_nm=low_nm, band_high_nm=high_nm)
    lain_ns = at_ns - (track.jump_since_ns or at_ns)
    if lain_ns < rules.loosening_ns:
        return track, None
    return track, Loosening("pin-jump", at_ns - lain_ns, jump_nm, lain_ns)


def _jumped(track: Track, value_nm: int, at_ns: int, away_nm: int) -> Track:
    return evolve(
        track,
        jump_since_ns=at_ns,
        jump_nm=away_nm,
        band_low_nm=value_nm,
        band_high_nm=value_nm,
    )


def watch_pin_in_sweep(track: Track, value_nm: int, at_ns: int, rules: CaptureRules) -> Track:
    """Note a sudden change that stays: within a sweep only an opened nut does that.

    ``value_nm`` is the track's last reading. Sudden, because a turning pin may well move
    further than a loosening, but never from one reading to the next.
    """
    if track.jump_from_nm is not None:
        away_nm = abs(value_nm - track.jump_from_nm)
        if away_nm <= rules.loosening_nm:
            return evolve(track, jump_since_ns=None, jump_nm=0, jump_from_nm=None)
        return evolve(track, jump_nm=away_nm) if away_nm > track.jump_nm else track
    if len(track.value_nm) < 2 or abs(value_nm - track.value_nm[-2]) <= rules.loosening_nm:
        return track
    before_nm = track.value_nm[-2]
    jump_nm = abs(value_nm - before_nm)
    return evolve(track, jump_since_ns=at_ns, jump_nm=jump_nm, jump_from_nm=before_nm)


def rested(track: Track) -> Track:
    """Return the track after a clamping: its extremes are what a jump is measured from."""
    values = track.value_nm
    if track.jump_since_ns is not None:
        before = [
            v for at, v in zip(track.at_ns, values, strict=True) if at < track.jump_since_ns
        ]
        values = tuple(before)
    return Track(
        out_since_ns=track.out_since_ns,
        unit=track.unit,
        has_offset=track.has_offset,
        low_nm=min(values, default=None),
        high_nm=max(values, default=None),
    )
