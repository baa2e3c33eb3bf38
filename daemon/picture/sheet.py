"""What stands on the picture of a piece: read from the record, before anything is drawn."""

import sqlite3
import zlib
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from operator import itemgetter

from daemon.config_sections import BenchSection
from daemon.store import sweep_blob
from daemon.store.stored import (
    StoredClamping,
    StoredCycle,
    StoredLot,
    StoredPosition,
    stored_cycles,
)  # fmt: skip
from daemon.store.texts import StoredTexts, TextFaultError
from rules.capture_model import CaptureRules
from rules.diagnosis import diagnose
from rules.pin_axis import PinAxis, PinAxisError, pin_axis
from rules.ruleset import RuleSet
from rules.sweep import Diagnosis, Sweep, SweepRules
from rules.sweep_angle import SweepAngle, sweep_angle
from rules.turns import whole_turns
from rules.vectors import SweepVector, VectorError, sweep_vector

__all__ = ["PieceSheet", "SweepTurn", "Trace", "read_sheet"]

NM_PER_MM = 1_000_000


@dataclass(frozen=True, slots=True)
class SweepTurn:
    """One whole turn of a trace; where it lies, in turns gone or seconds as the trace has."""

    start: float
    end: float
    high_nm: int
    low_nm: int

    @property
    def tir_nm(self) -> int:
        """Return its largest minus its smallest reading."""
        return self.high_nm - self.low_nm


@dataclass(frozen=True, slots=True)
class Trace:
    """The sweep of one clamping at one position, ready to be drawn.

    Attributes:
        cycle: The cycle it belongs to.
        clamping: The clamping as recorded.
        place: Its run-out there as recorded.
        projection_mm: Distance from the collet's face, where the bench file says it.
        sweep: The readings.
        rules: What it was held to; None if its texts are not to be had.
        angle: Angle at each reading; None where nothing tells it.
        turns: The whole turns that count.
        vector: The first harmonic, where it has a direction.
        diagnosis: What else it shows.
    """

    cycle: StoredCycle
    clamping: StoredClamping
    place: StoredPosition
    projection_mm: float | None
    sweep: Sweep
    rules: SweepRules | None = None
    angle: SweepAngle | None = None
    turns: tuple[SweepTurn, ...] = ()
    vector: SweepVector | None = None
    diagnosis: Diagnosis | None = None

    @property
    def invalid(self) -> str | None:
        """Return why this sweep gives no result; another position's fault is not its own."""
        known = {place.invalid for place in self.clamping.positions}
        if self.place.invalid is None and self.clamping.invalid in known:
            return None
        return self.place.invalid or self.clamping.invalid

    @property
    def along(self) -> tuple[float, ...]:
        """Return where each reading lies: in turns gone, or in seconds without an angle."""
        if self.angle is not None:
            return self.angle.gone
        return _seconds(self.sweep)

    @property
    def counting(self) -> SweepTurn | None:
        """Return the turn with which the clamping counts: the largest."""
        return max(self.turns, key=lambda turn: turn.tir_nm, default=None)

    @property
    def middle_nm(self) -> int:
        """Return what is drawn as 0: mid-way between the extremes of the turn that counts."""
        turn, values = self.counting, self.sweep.value_nm
        if turn is not None:
            return (turn.high_nm + turn.low_nm) // 2
        return (max(values) + min(values)) // 2 if values else 0


@dataclass(slots=True)
class PieceSheet:
    """Everything of one piece.

    Attributes:
        lot: Its lot.
        piece: Its number.
        cycles: All its cycles.
        traces: Its sweeps, in the order they were made; none for finished values.
        axes: The pin's axis in each clamping that shows one, by the row of the clamping.
        rules: Rule file of the last clamping; None if its text is not to be had.
        fault: What could not be read, for people; "" when all was.
    """

    lot: StoredLot
    piece: int
    cycles: list[StoredCycle]
    traces: list[Trace] = field(default_factory=list)
    axes: dict[int, PinAxis] = field(default_factory=dict)
    rules: RuleSet | None = None
    fault: str = ""


def read_sheet(db: sqlite3.Connection, lot: StoredLot, piece: int) -> PieceSheet | None:
    """Return what the record has of a piece; None if the lot has no such piece."""
    cycles = list(stored_cycles(db, lot.id, piece))
    if not cycles:
        return None
    sheet, texts = PieceSheet(lot, piece, cycles), StoredTexts(db)
    for cycle in cycles:
        for clamping in cycle.clampings:
            _add(sheet, cycle, clamping, texts)
            _add_axis(sheet, clamping)
    return sheet


def _add_axis(sheet: PieceSheet, clamping: StoredClamping) -> None:
    seen = [
        (round(trace.projection_mm * NM_PER_MM), trace.vector.whole.vector)
        for trace in sheet.traces
        if trace.clamping is clamping
        and trace.vector is not None
        and trace.projection_mm is not None
    ]
    with suppress(PinAxisError):
        sheet.axes[clamping.id] = pin_axis(seen)


def _add(
    sheet: PieceSheet, cycle: StoredCycle, clamping: StoredClamping, texts: StoredTexts
) -> None:
    section: BenchSection | None = None
    capture: CaptureRules | None = None
    try:
        sheet.rules = texts.rules(clamping.rules_sha256, cycle.article)
        section = texts.bench(clamping.bench_sha256, cycle.bench)
        capture = texts.capture(
            clamping.bench_sha256, clamping.rules_sha256, cycle.bench, cycle.article
        )
    except TextFaultError as error:
        sheet.fault = str(error)
    if clamping.mode != "sweep":
        return
    try:
        sweeps = sweep_blob.decode(clamping.sweep)
    except (ValueError, KeyError, TypeError, zlib.error):
        sheet.fault = f"the readings of clamping {clamping.number} can't be read"
        return
    places = {place.position: place for place in clamping.positions}
    for indicator, position, sweep in sorted(sweeps, key=itemgetter(1)):
        if position in places:
            rules = _rules_of(capture, indicator)
            distance = _projection(section, indicator)
            sheet.traces.append(
                _trace(cycle, clamping, places[position], distance, sweep, rules)
            )


def _rules_of(capture: CaptureRules | None, indicator: str) -> SweepRules | None:
    known = capture.indicators if capture is not None else ()
    return next((one.sweep for one in known if one.id == indicator), None)


def _projection(section: BenchSection | None, indicator: str) -> float | None:
    known = section.indicator if section is not None else []
    found = next((one.projection_mm for one in known if one.id == indicator), None)
    return float(found) if found is not None else None


def _trace(
    cycle: StoredCycle,
    clamping: StoredClamping,
    place: StoredPosition,
    projection_mm: float | None,
    sweep: Sweep,
    rules: SweepRules | None,
) -> Trace:
    if rules is None:
        return Trace(cycle, clamping, place, projection_mm, sweep)
    angle = sweep_angle(sweep, rules)
    along = angle.gone if angle is not None else _seconds(sweep)
    turns = tuple(_turns(sweep, along, rules))
    vector = None
    if place.invalid is None:
        try:
            vector = sweep_vector(sweep, rules)
        except VectorError:
            vector = None
    shown = diagnose(sweep, rules)
    return Trace(
        cycle, clamping, place, projection_mm, sweep, rules, angle, turns, vector, shown
    )  # fmt: skip


def _seconds(sweep: Sweep) -> tuple[float, ...]:
    return tuple((at - sweep.at_ns[0]) / 1e9 for at in sweep.at_ns)


def _turns(sweep: Sweep, along: Sequence[float], rules: SweepRules) -> Iterator[SweepTurn]:
    for turn in whole_turns(sweep, rules):
        start, end = (_at(sweep, along, at) for at in (turn.start_ns, turn.end_ns))
        yield SweepTurn(start, end, turn.high_nm, turn.low_nm)


def _at(sweep: Sweep, along: Sequence[float], at_ns: int) -> float:
    """Return where on the drawing a time lies, even between its neighbours and beyond."""
    if len(along) < 2:
        return along[0] if along else 0.0
    later = min(max(1, bisect_left(sweep.at_ns, at_ns)), len(along) - 1)
    from_ns, to_ns = sweep.at_ns[later - 1], sweep.at_ns[later]
    share = (at_ns - from_ns) / (to_ns - from_ns)
    return along[later - 1] + (along[later] - along[later - 1]) * share
