"""Checks, disturbances and decisions → rows and events; and what follows from them."""

import json
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

from daemon.messages import LotData
from daemon.store import event_data, lot_event_data, master_data, sweep_blob
from daemon.store.assurance import Assurance, Taken
from daemon.store.assurance_facts import asked_words, moment_of
from rules.assurance_model import (
    AssuranceFact,
    Cause,
    Checked,
    Disposed,
    Disturbed,
    OrderReopened,
    SpanHeld,
    SpanReleased,
)
from rules.check_facts import CheckFact, DisposedFact, DisturbanceFact, PositionCheck
from rules.facts import AlarmFact, CorrectionFact, Fact, LotFact
from rules.moment import Moment, clock_doubt
from rules.run_out import EVALUATION_VERSION

if TYPE_CHECKING:
    from daemon.store.record import Record

_CAUSE_OF_ALARM: dict[str, Cause] = {"holder-share": "holder-share"}
"""Alarms after which the bench has to be checked again."""

_CAUSE_OF_LOT: dict[str, Cause] = {"opened": "lot-change", "order-filled": "order-filled"}


@dataclass(slots=True)
class AssuranceRecord:
    """Writes what concerns the bench's fitness, for one ``Record``.

    Attributes:
        record: The open transaction.
        news: Facts of this transaction that the fold has still to take, in order.
    """

    record: "Record"
    news: list[AssuranceFact] = field(default_factory=list)
    _trusted: bool | None = None

    @property
    def moment(self) -> Moment:
        """Return when this transaction is made, and whether its time of day can be true."""
        at = self.record.at
        return moment_of(at.utc, self.is_trusted, at.boot, at.mono_ns)

    @property
    def is_trusted(self) -> bool:
        """Return whether nothing speaks against the time of day: asked before it is used."""
        if self._trusted is None:
            at = self.record.at
            last = self.record.one(
                "SELECT at_utc FROM events WHERE bench = ? ORDER BY seq DESC LIMIT 1",
                self.record.by.bench,
            )
            last_utc = datetime.fromisoformat(last[0]) if last is not None else None
            utc = datetime.fromisoformat(at.utc)
            self._trusted = not clock_doubt(utc, at.synced, last_utc)
        return self._trusted

    def write(self, fact: CheckFact | DisturbanceFact | DisposedFact) -> None:
        """Write one fact's rows and its event."""
        match fact:
            case CheckFact():
                self._check(fact)
            case DisturbanceFact():
                self._disturbance(fact)
            case DisposedFact():
                self._disposed(fact)

    def _check(self, fact: CheckFact) -> None:
        record, is_trusted = self.record, self.is_trusted
        seq = record.event("master-check", master_data.check_data(record.code, fact))
        row = record.insert(
            "checks", bench=record.by.bench, lot=record.lot_id, kind=fact.kind,
            result=fact.result, figures=json.dumps([_figures(p) for p in fact.positions]),
            role=fact.role, at_utc=record.at.utc, clock_synced=record.at.synced, seq=seq,
            master=fact.master.id, reason=fact.reason, what_to_do=fact.what_to_do,
            begun_by=fact.begun_by, asked=asked_words(record.by.assurance.asked),
            trusted=int(is_trusted), rules_sha256=record.by.rules.sha256,
            bench_sha256=record.by.bench_sha256, evaluation=EVALUATION_VERSION,
        )  # fmt: skip
        for number, seat in enumerate(fact.seats, start=1):
            record.insert(
                "check_seats", of_check=row, number=number, started_ns=seat.started_ns,
                ended_ns=seat.ended_ns, loosening=seat.loosening.evidence,
                sweep=sweep_blob.encode(seat.positions),
            )  # fmt: skip
        self.news.append(Checked(seq, fact.kind, fact.result, self.moment, fact.reason))

    def _disturbance(self, fact: DisturbanceFact) -> None:
        record = self.record
        if not record.by.assurance.asked:
            return  # where no check is asked for, nothing makes one due
        is_trusted = self.is_trusted
        ends_span = fact.cause in record.by.assurance.changes
        seq = record.event("master-check", master_data.cause_data(record.code, fact))
        record.insert(
            "disturbances", bench=record.by.bench, lot=record.lot_id, cause=fact.cause,
            text=fact.text, role=fact.role, at_utc=record.at.utc,
            clock_synced=record.at.synced, trusted=int(is_trusted), seq=seq,
            ends_span="unproved" if ends_span else None,
        )  # fmt: skip
        self.news.append(Disturbed(seq, fact.cause, self.moment, ends_span))

    def _disposed(self, fact: DisposedFact) -> None:
        record = self.record
        seq = record.event("correction", event_data.disposed_data(record.code, fact))
        record.insert(
            "dispositions", bench=record.by.bench, lot=record.lot_id, action=fact.action,
            piece=None if fact.piece is None else record.piece(fact.piece), box=fact.box,
            grade=fact.grade, bin=fact.bin, role=fact.role, reason=fact.reason,
            at_utc=record.at.utc, clock_synced=record.at.synced, seq=seq,
        )  # fmt: skip
        piece = None if fact.piece is None else (record.code, fact.piece)
        self.news.append(
            Disposed(
                seq, fact.action, piece, fact.box, fact.grade, fact.role, fact.reason,
                self.moment,
            )
        )  # fmt: skip

    def caused_by(self, fact: Fact) -> None:
        """Write the disturbance that another fact is, if it is one."""
        if isinstance(fact, CorrectionFact) and fact.what == "holder-moved":
            self._disturbance(DisturbanceFact("holder-change", fact.reason, fact.role))
        if isinstance(fact, LotFact) and fact.what in _CAUSE_OF_LOT:
            self._disturbance(DisturbanceFact(_CAUSE_OF_LOT[fact.what], self.record.code))
        if isinstance(fact, AlarmFact) and fact.is_raised and fact.code in _CAUSE_OF_ALARM:
            self._disturbance(DisturbanceFact(_CAUSE_OF_ALARM[fact.code], fact.text))

    def settle(self, assured: Assurance) -> set[int]:
        """Let the fold take the news; write what follows. Return the pieces it touched."""
        lot, touched = self.record.lot, set()
        ordered = lot.ordered if lot is not None else {}
        for fact in self.news:
            taken = assured.take(fact, self.record.by.assurance.asked, ordered)
            touched |= {mark.piece for mark in taken.marks}
            self._write(taken)
        return touched

    def _write(self, taken: Taken) -> None:
        record = self.record
        for mark in taken.marks:
            record.insert(
                "piece_marks", piece=record.piece(mark.piece), seq=mark.seq,
                status=mark.status, grade=mark.grade, is_put_away=int(mark.is_put_away),
                why=mark.why,
            )  # fmt: skip
        if taken.ended is not None and isinstance(taken.fact, Checked):
            span, is_opened = taken.ended
            record.db.execute(
                "UPDATE checks SET ends_span = ?, opens_span = ? WHERE bench = ? AND seq = ?",
                (span.state, int(is_opened), record.by.bench, taken.fact.seq),
            )
        for outcome in taken.outcomes:
            match outcome:
                case SpanReleased() | SpanHeld():
                    record.event("master-check", master_data.span_data(record.code, outcome))
                case OrderReopened() if record.lot is not None:
                    record.event("lot", _reopened_data(record, outcome))
                case OrderReopened():
                    pass  # no lot is open: nothing is on order


def _reopened_data(record: "Record", outcome: OrderReopened) -> LotData:
    assert record.lot is not None  # the caller asked
    reason = f"{outcome.counted} of {outcome.ordered} {outcome.grade} are left"
    fact = LotFact("order-reopened", reason, "service")
    return lot_event_data.lot_data(record.lot, fact, record.by.rules)


def _figures(one: PositionCheck) -> dict[str, object]:
    """Return the figures of one indicator as stored, in nanometres."""
    check = one.check
    holder = None if check.holder is None else [check.holder.real, check.holder.imag]
    return {
        "position": one.position, "indicator": one.indicator, "result": check.result,
        "reading_nm": check.reading_nm, "low_nm": check.limits.low_nm,
        "high_nm": check.limits.high_nm, "allowed_nm": check.limits.allowed_nm,
        "vector_nm": check.vector_nm, "holder_nm": holder, "zero_nm": one.zero_nm,
        "drift_nm": one.drift_nm, "certificate_nm": check.limits.master.value_nm,
        "uncertainty_nm": check.limits.master.expanded_uncertainty_nm,
    }  # fmt: skip
