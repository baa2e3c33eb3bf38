"""What the sweeps of a cycle's clampings show, read from the record: for people, not grades."""

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any

from daemon.config_sections import BenchSection
from daemon.messages import (
    ClampingFigures,
    DiagnosisData,
    LooseningData,
    MeasuredPosition,
    PinAxisData,
)
from daemon.store.event_data import diagnosis_data, loosening_data, um
from daemon.store.pin_data import pin_data
from rules.length import nm_to_um
from rules.sweep import Diagnosis
from rules.vectors import vector_of

__all__ = ["clamping_figures", "distances", "figure_lines"]

NM_PER_MM = 1_000_000

Row = Sequence[Any]
"""A clamping at one position, in the order of ``_FIGURES``."""

_FIGURES = (
    "SELECT k.number, k.tir_nm, k.result, k.invalid, k.loosening, k.loosening_nm,"
    " k.loosening_ns, {at_ns}, k.started_ns, x.position, x.indicator, x.tir_nm,"
    " x.turns_nm, x.samples, x.closure_nm, {shown} FROM clampings k"
    " JOIN clamping_positions x ON x.clamping = k.id {more}"
    " WHERE k.cycle = ? ORDER BY k.number, x.position"
)
_OF_CLAMPING = 9
"""How many columns of a row are the clamping's, alike at each position."""

_INDICATOR, _AMPLITUDE, _DIRECTION = (_OF_CLAMPING + place for place in (1, 11, 12))
_SHOWN = (
    "d.gap_udeg, d.loss_1_nm, d.loss_2_nm, d.loss_3_nm, d.drift_nm, d.amplitude_nm,"
    " d.direction_udeg, d.form_nm, d.noise_nm"
)
_NONE_SHOWN = ", ".join(["NULL"] * 9)
_DIAGNOSES = "LEFT JOIN clamping_diagnoses d ON d.clamping = k.id AND d.position = x.position"


def clamping_figures(
    db: sqlite3.Connection, cycle: int, distance_nm: Mapping[str, int]
) -> list[ClampingFigures]:
    """Return the clampings of a cycle in order.

    Args:
        db: The record; one of an earlier release has no diagnoses yet.
        cycle: Row of the cycle.
        distance_nm: How far from the collet's face each indicator sits, where it is known.
    """
    has_diagnoses = _has(db, "clamping_diagnoses", "gap_udeg")
    shown, more = (_SHOWN, _DIAGNOSES) if has_diagnoses else (_NONE_SHOWN, "")
    at_ns = "k.loosening_at_ns" if _has(db, "clampings", "loosening_at_ns") else "NULL"
    asked = _FIGURES.format(shown=shown, more=more, at_ns=at_ns)
    rows = db.execute(asked, (cycle,)).fetchall()
    return [_clamping(list(places), distance_nm) for _, places in groupby(rows, itemgetter(0))]


def _has(db: sqlite3.Connection, table: str, column: str) -> bool:
    """Return whether a record has this column; one of an earlier release may not."""
    columns = db.execute("SELECT name FROM pragma_table_info(?)", (table,)).fetchall()
    return (column,) in columns


def distances(section: BenchSection) -> dict[str, int]:
    """Return how far from the collet's face the indicators of a bench sit, nm."""
    return {
        one.id: round(one.projection_mm * NM_PER_MM)
        for one in section.indicator
        if one.projection_mm is not None
    }


def _clamping(rows: Sequence[Row], distance_nm: Mapping[str, int]) -> ClampingFigures:
    number, tir, result, invalid, *loosening = rows[0][:_OF_CLAMPING]
    return ClampingFigures(
        clamping=number,
        tir_um=um(tir),
        result=result,
        reason=invalid or "",
        loosening=loosening_data(*loosening),
        positions=[_position(row) for row in rows],
        pin=_pin(rows, distance_nm) if result != "invalid" else None,
    )


def _position(row: Row) -> MeasuredPosition:
    position, indicator, tir, turns, samples, closure = row[_OF_CLAMPING : _OF_CLAMPING + 6]
    return MeasuredPosition(
        position=position,
        indicator=indicator,
        tir_um=um(tir),
        turns_um=[nm_to_um(turn) for turn in json.loads(turns)],
        samples=samples,
        closure_um=um(closure),
        diagnosis=_diagnosis(row),
    )


def _diagnosis(row: Row) -> DiagnosisData | None:
    gap, first, second, third, drift, amplitude, direction, form, noise = row[
        _OF_CLAMPING + 6 :
    ]
    if gap is None:
        return None
    loss = (first, second, third)
    found = Diagnosis(gap, loss, drift, amplitude, direction or 0, form, noise)
    return diagnosis_data(found, has_zero=direction is not None)


def _pin(rows: Sequence[Row], distance_nm: Mapping[str, int]) -> PinAxisData | None:
    places = [(row[_INDICATOR], row[_AMPLITUDE], row[_DIRECTION]) for row in rows]
    return pin_data(
        (distance_nm[indicator], vector_of(amplitude, direction))
        for indicator, amplitude, direction in places
        if direction is not None and indicator in distance_nm
    )


# --- for people ----------------------------------------------------------------------------


def figure_lines(one: ClampingFigures) -> Iterator[str]:
    """Return what a clamping shows: the loosening, each position, the pin's axis."""
    yield f"{'loosening':<10}{_loosening(one.loosening)}"
    for place in one.positions:
        for number, text in enumerate(_place(place)):
            yield f"{'' if number else place.position:<10}{text}"
    if one.pin is not None:
        yield (
            f"{'pin':<10}leans {one.pin.tilt_urad:.0f} µrad towards"
            f" {one.pin.direction_deg:.0f}°, {one.pin.face_um:.1f} µm off at the face"
        )


def _loosening(seen: LooseningData) -> str:
    text: str = seen.evidence
    if seen.size_um is not None:
        text += f" of {seen.size_um:.0f} µm"
    if seen.duration_s is not None:
        text += f" for {seen.duration_s:.1f} s"
    return text if seen.before_s is None else f"{text}, {seen.before_s:.1f} s before the sweep"


def _place(place: MeasuredPosition) -> Iterator[str]:
    turns = " and ".join(f"{turn:g}" for turn in place.turns_um)
    said = [f"turns {turns} µm" if turns else "no whole turn"]
    if place.turns_um:
        said.append(f"{place.samples} readings a turn")
    if place.closure_um is not None:
        said.append(f"start and end differ by {place.closure_um:.2f} µm")
    yield ", ".join(said)
    found = place.diagnosis
    if found is None:
        return
    where = "" if found.direction_deg is None else f" at {found.direction_deg:.0f}°"
    yield (
        f"eccentricity {found.eccentricity_um:.2f} µm{where}, form {found.form_um:.1f},"
        f" noise {found.noise_um:.2f}, drift {abs(found.drift_um):.2f} a turn"
    )
    hidden = "/".join("all" if loss is None else f"{loss:.2f}" for loss in found.loss_um)
    yield f"largest gap {found.gap_deg:.1f}°: may hide {hidden} µm of 1/2/3 waves a turn"
