"""Whose run-out it is, kept up with the record of one bench, clamping by clamping.

The holder's share from the first clampings of all lots, and whether the collets of the open
lot are rotated the way the bench file says. A start reads the newest pieces from the store;
after a commit only its facts are added, so that a step costs the same however long the series
is. Nothing here touches a verdict.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from daemon.config import BenchConfig
from daemon.messages import HOLDER_POINTS_MAX, HolderPoint, HolderSeries
from daemon.store.vectors import (
    FIRST_KINDS,
    HOLDER_MOVED,
    MeasuredVector,
    count_first_clampings,
    holder_seat,
    measured_vectors,
)
from rules import holder_series
from rules.bench import Judged
from rules.facts import ClampingFact, CorrectionFact, Fact
from rules.length import nm_to_um, um_text
from rules.rotation import WINDOW_PIECES, Rotation, Terms, is_backwards
from rules.separation import SeparationError, separate
from rules.vectors import DIRECTED, vector_of

_PIECES_READ = 2_000
"""A start reads so many pieces back: far more than a share rests on."""


@dataclass(slots=True)
class _Place:
    """What is known at one position of the bench.

    Attributes:
        series: The holder's share.
        points: The same over time, for the board.
        counted: Lot and piece whose first clamping was counted last.
        cycle: Lot, piece and cycle that ``vectors`` belong to.
        vectors: Angle of the collet and vector, of each valid clamping of that cycle.
        terms: Of the last pieces of the lot with three clampings or more.
        is_backwards: Their collets were rotated the other way.
    """

    series: holder_series.HolderSeries = field(default_factory=holder_series.HolderSeries)
    points: list[HolderPoint] = field(default_factory=list)
    counted: tuple[str, int] = ("", 0)
    cycle: tuple[str, int, int] = ("", 0, 0)
    vectors: list[tuple[float, complex]] = field(default_factory=list)
    terms: list[Terms] = field(default_factory=list)
    is_backwards: bool = False


class RunOutWatch:
    """The holder's share and the sense of rotation of one bench, at each of its positions."""

    def __init__(
        self, bench: str, limit_nm: int | None, rotation: Rotation, *, has_zero: bool
    ) -> None:
        """Know nothing yet.

        Args:
            bench: Whose.
            limit_nm: What the holder's share may be, as TIR; None: there is no limit.
            rotation: How the bench file says that the collet is rotated.
            has_zero: Index or encoder mark a zero on the spindle; without it there is no
                direction, and nothing is said.
        """
        self._bench = bench
        self._limit_nm = limit_nm
        self._rotation = rotation
        self._has_zero = has_zero
        self._places: dict[str, _Place] = {}

    def load(self, db: sqlite3.Connection, lot: str | None) -> None:
        """Take from the record what it says; ``lot`` is the open one."""
        self._places.clear()
        if self._has_zero:
            seat = holder_seat(db, self._bench)
            measured = list(measured_vectors(db, self._bench, seat, _PIECES_READ))
            self._start_counting(measured, count_first_clampings(db, self._bench, seat))
            for one in measured:
                self._take(one)
        self.lot_is(lot)

    def _start_counting(self, measured: list[MeasuredVector], counts: dict[str, int]) -> None:
        """Let the series count the first clampings that were not read as well."""
        for position, count in counts.items():
            pieces = {
                (one.lot, one.piece)
                for one in measured
                if one.position == position and one.kind in FIRST_KINDS
            }
            before = holder_series.HolderSeries(number=count - len(pieces))
            self._places[position] = _Place(series=before)

    def limit_is(self, limit_nm: int | None) -> None:
        """Take note of another limit, from the next first clamping on."""
        self._limit_nm = limit_nm

    def lot_is(self, lot: str | None) -> None:
        """Take note which lot is open: the sense of rotation is judged over one lot."""
        for place in self._places.values():
            if place.cycle[0] != lot:
                place.terms.clear()
                place.is_backwards = False

    def after(self, facts: Iterable[Fact], lot: str | None, at_utc: str) -> None:
        """Take the facts of a commit of the open lot, as of its time."""
        for fact in facts:
            match fact:
                case ClampingFact() if lot is not None and self._has_zero:
                    for one in _vectors_of(fact, lot, at_utc):
                        self._take(one)
                case CorrectionFact() if fact.what == HOLDER_MOVED:
                    self._places.clear()

    def _take(self, one: MeasuredVector) -> None:
        place = self._places.setdefault(one.position, _Place())
        if one.kind in FIRST_KINDS and _is_later(place.counted, one):
            place.counted = (one.lot, one.piece)
            self._count_first(place, one)
        self._count_rotated(place, one)

    def _count_first(self, place: _Place, one: MeasuredVector) -> None:
        place.series = holder_series.add(place.series, one.vector, self._limit_nm)
        share = place.series.share
        if share is None:
            return
        del place.points[:-_PIECES_READ]
        place.points.append(
            HolderPoint(
                at=one.at_utc,
                number=place.series.number,
                share_um=nm_to_um(round(share.run_out_nm)),
                uncertainty_um=nm_to_um(round(share.uncertainty_nm)),
            )
        )

    def _count_rotated(self, place: _Place, one: MeasuredVector) -> None:
        cycle = (one.lot, one.piece, one.cycle)
        if cycle[0] != place.cycle[0]:
            place.terms.clear()
            place.is_backwards = False
        if cycle != place.cycle:
            place.cycle = cycle
            place.vectors.clear()
        place.vectors.append((self._rotation.angle_deg(one.clamping), one.vector))
        if len(place.vectors) != self._rotation.steps:
            return  # further ones repeat an angle and say nothing new
        angles = [angle for angle, _ in place.vectors]
        try:
            found = separate([vector for _, vector in place.vectors], angles)
        except SeparationError:
            return
        del place.terms[: 1 - WINDOW_PIECES]
        place.terms.append(Terms.of(found))
        place.is_backwards = is_backwards(place.terms, place.is_backwards)

    # --- what is said ---

    def judged(self) -> Iterator[Judged]:
        """Return what stands to be raised, and what to be returned."""
        above = [
            self._above(position, place)
            for position, place in sorted(self._places.items())
            if place.series.is_above
        ]
        yield Judged("holder-share", bool(above), "; ".join(above))
        backwards = any(place.is_backwards for place in self._places.values())
        yield Judged("rotated-backwards", backwards, self._rotation.wrong_way)

    def _above(self, position: str, place: _Place) -> str:
        share = place.series.share
        assert share is not None  # it is above its limit
        assert self._limit_nm is not None  # for the same reason
        return (
            f"the holder's share is {um_text(round(share.run_out_nm))} ±"
            f" {um_text(round(share.uncertainty_nm))} µm, limit {um_text(self._limit_nm)} µm:"
            f" position {position}, {share.clampings} first clampings"
        )

    def series(self) -> list[HolderSeries]:
        """Return the holder's share over time, by position, thinned."""
        return [
            HolderSeries(
                position=position,
                limit_um=None if self._limit_nm is None else nm_to_um(self._limit_nm),
                above=place.series.is_above,
                first_clampings=place.series.number,
                points=thinned(place.points),
            )
            for position, place in sorted(self._places.items())
        ]


def thinned(points: list[HolderPoint]) -> list[HolderPoint]:
    """Return at most ``HOLDER_POINTS_MAX`` of the points, the newest among them.

    Every second, fourth, eighth … by number, so that those shown stay where they are.
    """
    if not points:
        return []
    every = 1
    while len(points) > every * (HOLDER_POINTS_MAX - 2):
        every *= 2
    return [*(p for p in points[:-1] if p.number % every == 0), points[-1]]


def _is_later(counted: tuple[str, int], one: MeasuredVector) -> bool:
    """Return whether a piece was not counted yet: numbers rise within a lot."""
    return one.lot != counted[0] or one.piece > counted[1]


def _vectors_of(fact: ClampingFact, lot: str, at_utc: str) -> Iterator[MeasuredVector]:
    if fact.assessed.result == "invalid":
        return
    for place in fact.clamping.positions:
        found = place.run_out.diagnosis
        if found is not None:
            yield MeasuredVector(
                lot, fact.piece, fact.cycle, fact.cycle_kind, fact.number, place.position,
                vector_of(found.amplitude_nm, found.direction_udeg), at_utc,
            )  # fmt: skip


def run_out_watch(one: BenchConfig) -> RunOutWatch:
    """Return the watch of a bench that knows nothing yet."""
    has_zero = one.section.capture.proof in DIRECTED
    return RunOutWatch(one.id, one.holder_limit_nm, one.rules.rotation, has_zero=has_zero)
