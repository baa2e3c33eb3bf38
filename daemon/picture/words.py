"""What is written on the picture of a piece."""

import json
from collections.abc import Sequence

from daemon.picture.sheet import PieceSheet, Trace
from daemon.store.stored import StoredClamping, StoredCycle
from rules.length import um_text
from rules.pin_axis import PinAxis
from rules.ruleset import Limit
from rules.sweep import WHAT_TO_DO

_BEGINS = {
    "index": "the index",
    "angle": "where it began, by the encoder",
    "speed": "where it began, by the known time of a turn",
    "period": "where it began, by the signal's own period",
}


def title(sheet: PieceSheet) -> str:
    """Return the name of the piece."""
    return f"Piece {sheet.piece} of lot {sheet.lot.code}"


def standing(cycle: StoredCycle) -> str:
    """Return what a cycle came to."""
    verdict = cycle.verdict
    if verdict is None:
        return f"no verdict: {cycle.how}" if cycle.how else "no verdict yet"
    return f"{verdict.grade or 'no grade'}, bin {verdict.bin}: {verdict.reason}"


def cycle_name(cycle: StoredCycle) -> str:
    """Return which cycle it is."""
    return f"cycle {cycle.number} ({cycle.kind})"


def provenance(sheet: PieceSheet) -> str:
    """Return where the figures come from."""
    clampings = [c for cycle in sheet.cycles for c in cycle.clampings]
    parts = [sheet.lot.article, f"bench {sheet.lot.bench}"]
    if sheet.lot.holder:
        parts.append(f"holder {sheet.lot.holder}")
    if clampings:
        at = clampings[-1].at_utc[:16].replace("T", " ")
        versions = dict.fromkeys(c.evaluation for c in clampings)
        parts += [f"{at} UTC", f"evaluation {', '.join(versions)}"]
    if sheet.rules is not None:
        parts.append(f"rules {sheet.rules.revision} ({sheet.rules.sha256[:8]})")
    return " · ".join(parts)


def limits(sheet: PieceSheet) -> str:
    """Return what the bands are."""
    if sheet.rules is None:
        return ""
    best = sheet.rules.grades[0]
    accepted = ", ".join(_limit(one, one.acceptance_limit_nm) for one in best.limits)
    text = f"Band: as wide as {best.id} accepts, {accepted}"
    guarded = [one for one in best.limits if one.guard_band_nm]
    if guarded:
        said = ", ".join(_limit(one, one.tolerance_limit_nm) for one in guarded)
        text += f"; dashed: its limit, {said}"
    return f"{text}. A turn inside meets it. Hollow: not counted."


def _limit(limit: Limit, value_nm: int) -> str:
    return f"{limit.position} {um_text(value_nm)} µm".strip()


def heading(trace: Trace) -> str:
    """Return the first words above a sweep."""
    place, clamping = trace.place, trace.clamping
    tir = "no result" if place.tir_nm is None else f"TIR {um_text(place.tir_nm)} µm"
    where = f", {place.position}" if len(clamping.positions) > 1 else ""
    return f"Clamping {clamping.number}{where}: {tir}"


def outcome(clamping: StoredClamping) -> str:
    """Return what a clamping came to."""
    if clamping.result == "within":
        return "within " + ", ".join(clamping.meets.split())
    return (
        "beyond every grade" if clamping.result == "beyond" else f"invalid: {clamping.invalid}"
    )


def beside_heading(trace: Trace) -> str:
    """Return what the clamping came to, as it concerns this sweep."""
    if trace.clamping.invalid is not None and trace.invalid is None:
        return f"the clamping is invalid by another position: {trace.clamping.invalid}"
    return outcome(trace.clamping)


def details(trace: Trace) -> str:
    """Return the small print above a sweep."""
    place, parts = trace.place, []
    parts.append(f"{place.indicator} {place.position}")
    if trace.projection_mm is not None:
        parts[0] += f", {trace.projection_mm:g} mm from the face"
    turns = [um_text(turn) for turn in json.loads(place.turns_nm)]
    if turns:
        parts.append(f"turns {' and '.join(turns)} µm")
        parts.append(f"{place.samples} readings a turn")
    if place.closure_nm is not None:
        parts.append(f"start and end differ by {place.closure_nm / 1000:.2f} µm")
    parts.append(loosening(trace.clamping))
    return " · ".join(parts)


def loosening(clamping: StoredClamping) -> str:
    """Return how the loosening before a clamping was seen, with its size and time."""
    text = f"loosening: {clamping.loosening}"
    if clamping.loosening_nm is not None:
        text += f" of {um_text(clamping.loosening_nm)} µm"
    if clamping.loosening_ns is not None:
        text += f" for {clamping.loosening_ns / 1e9:.1f} s"
    return text


def beside(trace: Trace) -> str:
    """Return what a sweep shows beside its TIR; "" where it has no whole turns."""
    found = trace.diagnosis
    if found is None:
        return ""
    hidden = "/".join("all" if nm is None else f"{nm / 1000:.2f}" for nm in found.loss_nm)
    return (
        f"form {found.form_nm / 1000:.1f} µm · noise {found.noise_nm / 1000:.2f} µm"
        f" · drift {abs(found.drift_nm) / 1000:.2f} µm a turn · largest gap"
        f" {found.gap_udeg / 1e6:.1f}°: may hide {hidden} µm of 1/2/3 waves"
    )


def pin_line(axis: PinAxis) -> str:
    """Return how the pin's axis lies; its vectors turn against the spindle's angle."""
    return (
        f"The pin leans {axis.tilt_urad:.0f} µrad towards {-axis.direction_deg % 360:.0f}°;"
        f" at the face it is {abs(axis.at_face) / 1000:.1f} µm off"
    )


def trouble(trace: Trace) -> str:
    """Return why a sweep has no result and what to do; "" when it has one."""
    if trace.invalid is None:
        return ""
    advice = next((text for why, text in WHAT_TO_DO.items() if why == trace.invalid), "")
    seen_nm = trace.place.seen_nm
    seen = f" {at_least(seen_nm)} were there whatever went wrong." if seen_nm else ""
    return f"{trace.invalid}: {advice}.{seen}"


def at_least(seen_nm: int) -> str:
    """Return a lower bound, rounded down to a tenth of a micrometre."""
    return f"≥ {um_text(seen_nm // 100 * 100)} µm"


def axis(trace: Trace) -> str:
    """Return what the axis under a sweep counts."""
    if trace.angle is None or trace.rules is None:
        return "seconds; the angle is not known"
    return f"degrees from {_BEGINS[trace.rules.proof]}"


def vector_lines(trace: Trace) -> Sequence[str]:
    """Return what the first harmonic says; nothing where it has no direction."""
    if trace.vector is None:
        return ()
    found = trace.vector.whole
    zero = "index" if trace.rules is not None and trace.rules.proof == "index" else "zero"
    return (
        f"eccentricity {found.amplitude_nm / 1000:.2f} µm",
        f"high spot {found.direction_deg:.0f}° from the {zero}",
    )
