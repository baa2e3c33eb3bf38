"""Facts → rows and events, inside one transaction that the store has opened."""

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from daemon.clock import Synced
from daemon.messages import Event, EventData, PositionData, VerdictClamping
from daemon.store import alarm_event_data, event_data, lot_event_data, rest_rows, sweep_blob
from daemon.store.assurance_facts import HELD_BY_VERDICT, asked_words
from daemon.store.event_data import um
from daemon.store.record_assurance import AssuranceRecord
from rules.assurance_model import AssuranceRules, Graded, PutAway, Voided
from rules.check_facts import CheckFact, DisposedFact, DisturbanceFact
from rules.clamping import Clamping
from rules.cycle import CycleKind
from rules.facts import (
    AlarmAckFact,
    AlarmFact,
    AlarmShelfFact,
    BoxFact,
    CellFact,
    ClampingFact,
    CorrectionFact,
    CycleEndedFact,
    CycleOpenedFact,
    DrawFact,
    Fact,
    LookFact,
    LotFact,
    OrderFact,
    PutAwayFact,
    RefusedFact,
    RulesFact,
    VisualFact,
)  # fmt: skip
from rules.lot import LotView, box_name
from rules.ruleset import RuleSet
from rules.run_out import EVALUATION_VERSION
from rules.sweep import Diagnosis
from rules.vectors import DIRECTED

OfLot = LotFact | OrderFact | VisualFact | BoxFact | RulesFact | DrawFact | LookFact | CellFact

_OPENED_BY_REQUEST: tuple[CycleKind, ...] = ("retry", "re-measured")
"""Cycles whose rows were written before their first clamping."""

NO_CHECKS = AssuranceRules(frozenset(), "box")
"""What a bench file without masters asks for."""


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where a bench's facts come from: named on every record.

    Attributes:
        bench: Bench id.
        source: CloudEvents source, ``/reclamp/SITE/BENCH``.
        bench_sha256: Hash of the bench file's text.
        rules: Rule file in force.
        proof: How turns are proved, "none" for single values.
        drivers: Name and version of the driver of each indicator.
        assurance: Which master checks are asked for, and how a binned piece is known.
        distance_nm: How far from the collet's face each indicator sits, where it is known.
    """

    bench: str
    source: str
    bench_sha256: str
    rules: RuleSet
    proof: str
    drivers: Mapping[str, tuple[str, str]]
    assurance: AssuranceRules = NO_CHECKS
    distance_nm: Mapping[str, int] = field(default_factory=dict)

    @property
    def has_zero(self) -> bool:
        """Return whether index or encoder mark a zero on the spindle: a direction needs it."""
        return self.proof in DIRECTED


@dataclass(frozen=True, slots=True)
class Stamp:
    """When a transaction was made.

    Attributes:
        utc: RFC 3339 UTC.
        synced: Whether the time of day is known to be right: yes, no, unknown.
        boot: Id of this boot; monotonic times compare only within one.
        mono_ns: Monotonic nanoseconds.
    """

    utc: str
    synced: Synced
    boot: str
    mono_ns: int


@dataclass(slots=True)
class Record:
    """Writes the facts of one step.

    Attributes:
        db: Connection with an open transaction.
        by: Whose facts they are.
        at: When.
        lot_id: The open lot's row, None when no lot is open.
        lot: The open lot as it was before this step; its order and what was set aside as they
            are after the facts written so far.
        fitness: Writes what concerns the bench's fitness.
    """

    db: sqlite3.Connection
    by: Provenance
    at: Stamp
    lot_id: int | None
    lot: LotView | None
    fitness: AssuranceRecord = field(init=False)

    def __post_init__(self) -> None:
        self.fitness = AssuranceRecord(self)

    @property
    def code(self) -> str:
        """Return the open lot's name; "" when none is open."""
        return self.lot.code if self.lot is not None else ""

    def write(self, fact: Fact) -> None:
        """Write one fact's rows and its event."""
        match fact:
            case ClampingFact():
                self._clamping(fact)
            case CycleEndedFact():
                self._cycle_ended(fact)
            case CycleOpenedFact():
                self._cycle_opened(fact)
            case PutAwayFact():
                self._put_away(fact)
            case CorrectionFact():
                self._correction(fact)
            case RefusedFact():
                self.event(
                    "clamping", event_data.refused_data(self.code, fact, self.by.has_zero)
                )
            case AlarmFact() | AlarmAckFact() | AlarmShelfFact():
                self.event("alarm", alarm_event_data.alarm_data(fact, self.at.utc))
            case CheckFact() | DisturbanceFact() | DisposedFact():
                self.fitness.write(fact)
            case _:
                assert self.lot is not None, f"a lot fact without a lot: {fact}"
                self._of_lot(fact, self.lot)
        self.fitness.caused_by(fact)

    def _of_lot(self, fact: OfLot, lot: LotView) -> None:
        """Write a fact that makes sense of an open lot only."""
        match fact:
            case LotFact():
                self.event("lot", lot_event_data.lot_data(lot, fact, self.by.rules))
            case OrderFact() | VisualFact() | BoxFact() | RulesFact():
                self._lot_change(fact, lot)
            case DrawFact() | LookFact() | CellFact():
                self._rest(fact, lot)

    # --- pieces, cycles, clampings ---

    def _clamping(self, fact: ClampingFact) -> None:
        if fact.is_new_piece:
            cell = self.lot.next_cell if self.lot is not None else None
            self.insert(
                "pieces", lot=self.lot_id, number=fact.piece, began_utc=self.at.utc,
                tray_cell=None if cell is None else str(cell),
            )  # fmt: skip
        if fact.number == 1 and fact.cycle_kind not in _OPENED_BY_REQUEST:
            self.insert(
                "cycles", piece=self.piece(fact.piece), number=fact.cycle,
                kind=fact.cycle_kind, reason="", role="", opened_utc=self.at.utc,
            )  # fmt: skip
        cycle = self._cycle(fact.piece, fact.cycle)
        seq = self.event(
            "clamping",
            event_data.clamping_data(self.code, fact, self.by.has_zero, self.by.distance_nm),
        )
        clamping, assessed = fact.clamping, fact.assessed
        row = self.insert(
            "clampings", cycle=cycle, number=fact.number, result=assessed.result,
            tir_nm=assessed.tir_nm, seen_nm=assessed.seen_nm, invalid=assessed.invalid,
            meets=" ".join(assessed.meets), mode=clamping.mode, proof=self.by.proof,
            loosening=clamping.loosening.evidence, loosening_nm=clamping.loosening.size_nm,
            loosening_ns=clamping.loosening.duration_ns,
            loosening_at_ns=clamping.loosening.at_ns, rules_sha256=self.by.rules.sha256,
            bench_sha256=self.by.bench_sha256, evaluation=EVALUATION_VERSION,
            started_ns=clamping.started_ns, ended_ns=clamping.ended_ns, boot=self.at.boot,
            at_utc=self.at.utc, clock_synced=self.at.synced, seq=seq,
            sweep=sweep_blob.encode(clamping.positions),
        )  # fmt: skip
        self._positions(row, clamping)

    def _positions(self, row: int, clamping: Clamping) -> None:
        for position in clamping.positions:
            driver, version = self.by.drivers[position.indicator]
            run_out = position.run_out
            self.insert(
                "clamping_positions", clamping=row, position=position.position,
                indicator=position.indicator, driver=driver, driver_version=version,
                tir_nm=run_out.tir_nm, seen_nm=run_out.seen_nm,
                turns_nm=json.dumps(run_out.turns_nm), samples=run_out.samples,
                closure_nm=run_out.closure_nm, invalid=run_out.invalid,
            )  # fmt: skip
            if run_out.diagnosis is not None:
                self._diagnosis(row, position.position, run_out.diagnosis)

    def _diagnosis(self, clamping: int, position: str, found: Diagnosis) -> None:
        first, second, third = found.loss_nm
        self.insert(
            "clamping_diagnoses", clamping=clamping, position=position,
            amplitude_nm=found.amplitude_nm,
            direction_udeg=found.direction_udeg if self.by.has_zero else None,
            form_nm=found.form_nm, noise_nm=found.noise_nm, drift_nm=found.drift_nm,
            gap_udeg=found.gap_udeg, loss_1_nm=first, loss_2_nm=second, loss_3_nm=third,
        )  # fmt: skip

    def _cycle_ended(self, fact: CycleEndedFact) -> None:
        cycle = self._cycle(fact.piece, fact.cycle)
        if fact.decision is None:
            if cycle is not None:
                self._end_cycle(cycle, fact)
            if fact.how != "abandoned":  # that one has a correction of its own
                self.event("correction", event_data.correction_data(self.code, fact))
            return
        assert cycle is not None  # a verdict follows from clampings
        self._end_cycle(cycle, fact)
        self._verdict(cycle, fact)

    def _end_cycle(self, cycle: int, fact: CycleEndedFact) -> None:
        if self.one("SELECT 1 FROM cycle_ends WHERE cycle = ?", cycle) is None:
            self.insert(
                "cycle_ends", cycle=cycle, how=fact.how, reason=fact.reason, at_utc=self.at.utc
            )

    def _verdict(self, cycle: int, fact: CycleEndedFact) -> None:
        assert fact.decision is not None  # the caller asked
        rules = self.by.rules
        clampings, is_observed = self._clampings_of(cycle)
        kind: CycleKind = self.one("SELECT kind FROM cycles WHERE id = ?", cycle)[0]
        asked = self.by.assurance.asked
        data = event_data.verdict_data(
            self.code, fact, kind, clampings, rules, is_observed, asked
        )
        seq = self.event("verdict", data)
        meets = met_grades(fact.decision.grade, clampings, rules)
        self.insert(
            "verdicts", cycle=cycle, grade=fact.decision.grade, bin=fact.decision.bin,
            why=fact.decision.why, reason=fact.decision.text,
            decision_rule=event_data.stated_rules(rules), rules_revision=rules.revision,
            rules_sha256=rules.sha256, loosening_observed=int(is_observed),
            at_utc=self.at.utc, clock_synced=self.at.synced, seq=seq,
            checks_asked=asked_words(asked), meets=" ".join(meets),
        )  # fmt: skip
        self._graded(cycle, fact, seq, meets)

    def _graded(
        self, cycle: int, fact: CycleEndedFact, seq: int, meets: tuple[str, ...]
    ) -> None:
        assert fact.decision is not None  # a verdict has one
        began, cell = self.one(
            "SELECT (SELECT min(seq) FROM clampings WHERE cycle = c.id), p.tray_cell"
            " FROM cycles c JOIN pieces p ON p.id = c.piece WHERE c.id = ?",
            cycle,
        )
        self.fitness.news.append(
            Graded(
                seq, (self.code, fact.piece), fact.decision.grade, self.fitness.moment, meets,
                fact.decision.why in HELD_BY_VERDICT, began, cell or "",
            )
        )  # fmt: skip

    def _clampings_of(self, cycle: int) -> tuple[list[VerdictClamping], bool]:
        rows = self.db.execute(
            "SELECT id, result, tir_nm, meets, invalid, loosening FROM clampings"
            " WHERE cycle = ? ORDER BY number",
            (cycle,),
        ).fetchall()
        clampings = [
            VerdictClamping(
                tir_um=um(tir_nm), positions=self._positions_of(row), result=result,
                meets=meets.split(), reason=invalid or "",
            )
            for row, result, tir_nm, meets, invalid, _ in rows
        ]  # fmt: skip
        return clampings, all(evidence != "not-observed" for *_, evidence in rows)

    def _positions_of(self, clamping: int) -> list[PositionData]:
        rows = self.db.execute(
            "SELECT position, indicator, tir_nm, turns_nm, samples, closure_nm"
            " FROM clamping_positions WHERE clamping = ? ORDER BY position",
            (clamping,),
        )
        return [
            PositionData(
                position=position, indicator=indicator, tir_um=um(tir_nm),
                turns_um=[turn / 1000 for turn in json.loads(turns)], samples=samples,
                closure_um=um(closure),
            )
            for position, indicator, tir_nm, turns, samples, closure in rows
        ]  # fmt: skip

    def _cycle_opened(self, fact: CycleOpenedFact) -> None:
        self.insert(
            "cycles", piece=self.piece(fact.piece), number=fact.cycle, kind=fact.cycle_kind,
            reason=fact.reason, role=fact.role, opened_utc=self.at.utc,
        )  # fmt: skip
        self._corrected(fact.piece, fact.cycle, fact.cycle_kind, fact.reason, fact.role)
        self.event("correction", event_data.correction_data(self.code, fact))

    # --- put-aways, corrections ---

    def _put_away(self, fact: PutAwayFact) -> None:
        box = None
        if self.lot_id is not None:
            box = self.one(
                "SELECT id, label FROM boxes WHERE lot = ? AND bin = ?"
                " ORDER BY id DESC LIMIT 1",
                self.lot_id,
                fact.bin,
            )
        cell = self._cell_of(fact.piece)
        data = event_data.put_away_data(self.code, fact, box[1] if box else None, cell)
        seq = self.event("put-away", data)
        cycle = None
        if fact.piece is not None and fact.cycle is not None:
            cycle = self._cycle(fact.piece, fact.cycle)
        self.insert(
            "put_aways", bench=self.by.bench, cycle=cycle, bin=fact.bin,
            expected=fact.expected, is_right=int(fact.is_right), by=fact.by,
            box=box[0] if box else None, ended_ns=self.at.mono_ns, boot=self.at.boot,
            at_utc=self.at.utc, clock_synced=self.at.synced, seq=seq,
        )  # fmt: skip
        if fact.is_right and fact.piece is not None:
            name = box_name(box[1] if box else None, fact.bin, self.code)
            self.fitness.news.append(PutAway(seq, (self.code, fact.piece), name))

    def _cell_of(self, piece: int | None) -> int | None:
        """Return the tray cell a piece was taken from, where they are numbered."""
        row = self.one(
            "SELECT tray_cell FROM pieces WHERE lot = ? AND number = ?", self.lot_id, piece
        )
        return int(row[0]) if row is not None and row[0] is not None else None

    def _correction(self, fact: CorrectionFact) -> None:
        self._corrected(fact.piece, fact.cycle, fact.what, fact.reason, fact.role)
        self.event("correction", event_data.correction_data(self.code, fact))

    def _corrected(
        self, piece: int | None, cycle: int | None, what: str, reason: str, role: str
    ) -> None:  # fmt: skip
        seq = self._last_seq() + 1  # its event follows
        piece_row = self.piece(piece) if piece is not None else None
        cycle_row = None
        if piece is not None and cycle is not None:
            cycle_row = self._cycle(piece, cycle)
        self.insert(
            "corrections", bench=self.by.bench, lot=self.lot_id, piece=piece_row,
            cycle=cycle_row, what=what, reason=reason, role=role, at_utc=self.at.utc,
            clock_synced=self.at.synced, seq=seq,
        )  # fmt: skip
        if piece is not None and what in ("retry", "abandoned"):
            self.fitness.news.append(Voided(seq, (self.code, piece)))

    def resume_sampling(self, article: str, reason: str, role: str) -> None:
        """Keep a corrective action: the series of an article is taken up again."""
        fact = CorrectionFact(None, None, "sampling-resumed", f"{article}: {reason}", role)
        seq = self.event("correction", event_data.correction_data(self.code, fact))
        (looks,) = self.db.execute("SELECT coalesce(max(id), 0) FROM looks").fetchone()
        self.insert(
            "sampling_resumed", bench=self.by.bench, article=article, after_look=looks,
            reason=reason, role=role, at_utc=self.at.utc, clock_synced=self.at.synced, seq=seq,
        )  # fmt: skip

    # --- the lot ---

    def _lot_change(
        self, fact: OrderFact | VisualFact | BoxFact | RulesFact, lot: LotView
    ) -> None:
        self.lot = lot = lot_event_data.changed(lot, fact)
        seq = self.event("lot", lot_event_data.lot_change_data(lot, fact))
        same = {"lot": self.lot_id, "role": fact.role, "at_utc": self.at.utc}
        match fact:
            case OrderFact():
                self.insert("orders", **same, grade=fact.grade, quantity=fact.quantity)
            case VisualFact():
                self.insert(
                    "visual_findings",
                    **same,
                    finding=fact.finding,
                    pieces=fact.pieces,
                    reason=fact.reason,
                    cell=fact.cell,
                    is_drawn=int(fact.is_drawn),
                    clock_synced=self.at.synced,
                    seq=seq,
                )
            case BoxFact():
                self.insert(
                    "boxes", **same, bin=fact.bin, label=fact.label, capacity=fact.capacity
                )
            case RulesFact():
                self.insert(
                    "lot_rules",
                    **same,
                    rules_sha256=fact.sha256,
                    revision=fact.revision,
                    before_sha256=fact.before_sha256,
                    before_revision=fact.before_revision,
                    piece=fact.piece,
                    reason=fact.reason,
                    clock_synced=self.at.synced,
                    seq=seq,
                )

    def _rest(self, fact: DrawFact | LookFact | CellFact, lot: LotView) -> None:
        """Keep what concerns the proof of the rest."""
        match fact:
            case DrawFact():
                data, table = lot_event_data.draw_data(lot, fact), "draws"
                values = rest_rows.draw_row(fact, lot)
            case LookFact():
                data, table = lot_event_data.look_data(lot, fact), "looks"
                values = rest_rows.look_row(fact)
            case CellFact():
                data, table = lot_event_data.cell_data(lot, fact), "empty_cells"
                values = {"cell": fact.cell, "reason": fact.reason, "role": fact.role}
        seq = self.event("lot", data)
        self.insert(
            table, **values, lot=self.lot_id, at_utc=self.at.utc,
            clock_synced=self.at.synced, seq=seq,
        )  # fmt: skip

    # --- rows ---

    def event(self, kind: str, data: EventData) -> int:
        """Write an event and put it into the outbox; return its sequence number."""
        seq = self._last_seq() + 1
        event = Event(
            id=f"{self.by.source}/{seq}", source=self.by.source, type=f"reclamp.{kind}.v1",
            time=self.at.utc, sequence=str(seq), seq=seq, clocksync=self.at.synced,
            boot=self.at.boot, data=data,
        )  # fmt: skip
        self.insert(
            "events", bench=self.by.bench, seq=seq, id=event.id, kind=kind,
            at_utc=self.at.utc, boot=self.at.boot, mono_ns=self.at.mono_ns,
            body=event.model_dump_json(),
        )  # fmt: skip
        self.insert("outbox", bench=self.by.bench, seq=seq)
        return seq

    def _last_seq(self) -> int:
        found = self.one("SELECT max(seq) FROM events WHERE bench = ?", self.by.bench)
        return int(found[0] or 0)

    def piece(self, number: int) -> int:
        """Return the row of a piece of the open lot."""
        row = self.one(
            "SELECT id FROM pieces WHERE lot = ? AND number = ?", self.lot_id, number
        )
        return int(row[0])

    def _cycle(self, piece: int, number: int) -> int | None:
        row = self.one(
            "SELECT c.id FROM cycles c JOIN pieces p ON p.id = c.piece"
            " WHERE p.lot = ? AND p.number = ? AND c.number = ?",
            self.lot_id, piece, number,
        )  # fmt: skip
        return int(row[0]) if row is not None else None

    def one(self, sql: str, *values: object) -> Any:
        """Return the first row of a query; None without one."""
        row = self.db.execute(sql, values).fetchone()
        return row

    def insert(self, table: str, **values: object) -> int:
        """Add a row; return its id."""
        names = ", ".join(values)
        marks = ", ".join("?" * len(values))
        cursor = self.db.execute(
            f"INSERT INTO {table} ({names}) VALUES ({marks})", tuple(values.values())
        )
        return cursor.lastrowid or 0


def met_grades(
    grade: str | None, clampings: Sequence[VerdictClamping], rules: RuleSet
) -> tuple[str, ...]:
    """Return the grades a verdict meets, the best first: all valid clampings, and enough."""
    valid = [clamping for clamping in clampings if clamping.tir_um is not None]
    if grade is None:
        return ()
    return tuple(
        one.id
        for one in rules.grades
        if one.clampings <= len(valid) and all(one.id in k.meets for k in valid)
    )


def with_lot(record: Record, lot_id: int, lot: LotView) -> Record:
    """Return the record for a lot that was opened in this very transaction."""
    return replace(record, lot_id=lot_id, lot=lot)
