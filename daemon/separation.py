"""Whose run-out is it, over a whole lot: from stored sweeps to holder, collet and scatter.

The holder's share comes from the first clamping of every piece, passed or not. A collet's own
share and the scatter need two and three clampings of one cycle: pieces that went on to those
are the better ones, and the figures are theirs.
"""

import sqlite3
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from daemon.config import share_limit_nm
from daemon.store import sweep_blob
from daemon.store.stored import StoredClamping, StoredCycle, StoredLot, stored_cycles
from daemon.store.texts import StoredTexts, TextFaultError
from daemon.store.vectors import holder_moves, recorded_pin_moves
from rules.diagnosis import diagnose
from rules.holder_series import LEAST_SHOWN, WINDOW, holder_limit_nm
from rules.rotation import Rotation, is_rotated_backwards
from rules.separation import (
    HolderShare,
    PinMoves,
    Scatter,
    Separated,
    SeparationError,
    holder_share,
    pooled_scatter,
    separate,
)
from rules.sweep import Sweep, SweepRules
from rules.turns import whole_turns
from rules.vectors import DIRECTED, VectorError, sweep_vector

STEPS = 3
"""The prompt asks for a third of a turn between two clampings."""


@dataclass(frozen=True, slots=True)
class SeparatedPiece:
    """Holder and collet of one cycle of a piece."""

    piece: int
    cycle: int
    separated: Separated


@dataclass(frozen=True, slots=True)
class HolderPoint:
    """The holder's share as it was known after a piece's first clamping."""

    piece: int
    share: HolderShare


@dataclass(frozen=True, slots=True)
class Reads:
    """How one sweep was read.

    Attributes:
        noise_nm: Standard deviation of a reading, its rounding included.
        step_nm: The indicator's step.
        samples: Readings a turn.
        turns: Whole turns that count.
        limit_nm: Tolerance limit of the best grade there.
    """

    noise_nm: int
    step_nm: int
    samples: int
    turns: int
    limit_nm: int


@dataclass(slots=True)
class LotSeparation:
    """What the sweeps of a lot say at one position.

    Attributes:
        position: Where the indicator sits.
        firsts: Piece and vector of each first clamping, nm, in order.
        pieces: Every cycle that could be separated, in order.
        series: The holder's share, piece by piece.
        without: Clampings that have no vector, by reason.
        pin_moves: How the pin moves, as the lot was opened or the bench files in force say.
        limit_nm: What the holder's share may be; None if neither file sets such a limit.
        rotation: How the bench file in force says that collets are rotated.
        reads: How each sweep with a vector was read.
    """

    position: str
    firsts: list[tuple[int, complex]] = field(default_factory=list)
    pieces: list[SeparatedPiece] = field(default_factory=list)
    series: list[HolderPoint] = field(default_factory=list)
    without: Counter[str] = field(default_factory=Counter)
    pin_moves: set[PinMoves] = field(default_factory=set)
    limit_nm: int | None = None
    rotation: Rotation = field(default_factory=Rotation)
    reads: list[Reads] = field(default_factory=list)

    @property
    def holder(self) -> HolderShare | None:
        """Return the holder's share as last known."""
        return self.series[-1].share if self.series else None

    @property
    def is_holder_beyond(self) -> bool:
        """Return whether the holder is above its limit beyond doubt: dirty or worn."""
        if self.holder is None or self.limit_nm is None:
            return False
        return self.holder.exceeds(self.limit_nm)

    @property
    def is_backwards(self) -> bool:
        """Return whether the collets were rotated against the stated sense."""
        return is_rotated_backwards([piece.separated for piece in self.pieces])

    def usual_reads(self) -> Reads | None:
        """Return how the sweep of middling noise was read; None without sweeps."""
        by_noise = sorted(self.reads, key=lambda one: one.noise_nm)
        return by_noise[len(by_noise) // 2] if by_noise else None

    def scatter(self) -> Scatter | None:
        """Return the pooled scatter of clamping; None without pieces of three clampings."""
        try:
            return pooled_scatter([piece.separated for piece in self.pieces])
        except SeparationError:
            return None


def separate_lot(
    db: sqlite3.Connection, lot: StoredLot, restarts: Sequence[int] = ()
) -> list[LotSeparation]:
    """Return what the sweeps of a lot say, one entry a position.

    Args:
        db: The store, opened for reading.
        lot: Which lot, open or closed.
        restarts: Pieces before which the holder left the spindle and came back anyhow, beside
            those on record: its vector has another direction from there on.
    """
    texts, found = StoredTexts(db), dict[str, LotSeparation]()
    begun: set[tuple[str, int]] = set()
    for cycle in stored_cycles(db, lot.id):
        vectors: dict[str, list[tuple[float, complex]]] = {}
        for clamping in cycle.clampings:
            for position, vector in _vectors(cycle, clamping, texts, found):
                one = found[position]
                _note_texts(one, lot, cycle, clamping, texts)
                if (position, cycle.piece) not in begun:
                    begun.add((position, cycle.piece))
                    one.firsts.append((cycle.piece, vector))
                angle = one.rotation.angle_deg(clamping.number)
                vectors.setdefault(position, []).append((angle, vector))
        for position, known in vectors.items():
            _separate_cycle(found[position], cycle, known)
    moved = (*restarts, *holder_moves(db, lot.id))
    recorded = recorded_pin_moves(db, lot.id)
    for one in found.values():
        if recorded is not None:
            one.pin_moves = {recorded}
        one.series = holder_series(one.firsts, moved)
    return list(found.values())


def holder_series(
    firsts: Sequence[tuple[int, complex]], restarts: Sequence[int] = ()
) -> list[HolderPoint]:
    """Return the holder's share after each piece, from the last first clampings up to it.

    Args:
        firsts: Piece and vector of each first clamping, in order.
        restarts: Pieces before which the holder left the spindle.
    """
    series: list[HolderPoint] = []
    since: list[complex] = []
    waiting = sorted(restarts)
    for piece, vector in firsts:
        if waiting and piece >= waiting[0]:
            since = []
            waiting = [restart for restart in waiting if restart > piece]
        since = [*since[1 - WINDOW :], vector]
        if len(since) >= LEAST_SHOWN:
            series.append(HolderPoint(piece, holder_share(since)))
    return series


def _vectors(
    cycle: StoredCycle,
    clamping: StoredClamping,
    texts: StoredTexts,
    found: dict[str, LotSeparation],
) -> Iterator[tuple[str, complex]]:
    """Return position and vector of a clamping; why there is none is counted."""
    for place in clamping.positions:
        found.setdefault(place.position, LotSeparation(place.position))
    reason = _why_none(clamping)
    if not reason:
        try:
            capture = texts.capture(
                clamping.bench_sha256, clamping.rules_sha256, cycle.bench, cycle.article
            )
            rules = {indicator.id: indicator.sweep for indicator in capture.indicators}
            sweeps = sweep_blob.decode(clamping.sweep)
            yield from [
                (name, sweep_vector(sweep, rules[indicator]).whole.vector)
                for indicator, name, sweep in sweeps
            ]
            for indicator, name, sweep in sweeps:
                found[name].reads += _reads(sweep, rules[indicator])
        except VectorError as error:
            reason = str(error)
        except TextFaultError as error:
            reason = error.why
        except (ValueError, KeyError, TypeError, zlib.error):
            reason = "its readings can't be read"
    if reason:
        for place in clamping.positions:
            found[place.position].without[reason] += 1


def _reads(sweep: Sweep, rules: SweepRules) -> list[Reads]:
    seen = diagnose(sweep, rules)
    if seen is None:
        return []
    samples = min(turn.samples for turn in whole_turns(sweep, rules))
    return [Reads(seen.noise_nm, rules.step_nm, samples, rules.turns, rules.top_limit_nm)]


def _why_none(clamping: StoredClamping) -> str:
    if clamping.mode != "sweep":
        return "finished values have no direction"
    if clamping.proof not in DIRECTED:
        return "no direction without an index or an encoder"
    return "no result" if clamping.result == "invalid" else ""


def _note_texts(
    one: LotSeparation,
    lot: StoredLot,
    cycle: StoredCycle,
    clamping: StoredClamping,
    texts: StoredTexts,
) -> None:
    """Note what rule and bench file in force at this clamping say beside its readings."""
    grading = texts.rules(clamping.rules_sha256, cycle.article)
    one.limit_nm = holder_limit_nm(grading)
    try:
        bench = texts.bench(clamping.bench_sha256, cycle.bench)
    except TextFaultError:
        return
    one.limit_nm = share_limit_nm(bench, grading)
    one.rotation = Rotation(bench.rotation.spindle, bench.rotation.collet)
    said = bench.lot  # for lots opened before the record kept it
    if said is not None and said.code == lot.code and said.pin_moves is not None:
        one.pin_moves.add(said.pin_moves)


def _separate_cycle(
    one: LotSeparation, cycle: StoredCycle, known: Sequence[tuple[float, complex]]
) -> None:
    try:
        separated = separate([vector for _, vector in known], [angle for angle, _ in known])
    except SeparationError:
        return  # one clamping settled it, or the same angle was taken twice
    one.pieces.append(SeparatedPiece(cycle.piece, cycle.number, separated))
