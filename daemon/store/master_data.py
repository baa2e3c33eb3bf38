"""Master checks, their causes and what follows from them as event data."""

from daemon.clock import rfc3339
from daemon.messages import MasterAbout, MasterCheckData, MasterPosition
from daemon.store.event_data import points, um
from rules.assurance_model import SpanHeld, SpanReleased
from rules.check_due import CAUSE_TEXT
from rules.check_facts import CheckFact, DisturbanceFact, PositionCheck
from rules.length import nm_to_um
from rules.moment import Moment


def check_data(lot: str, fact: CheckFact) -> MasterCheckData:
    """Return the data of a check that was made or broken off."""
    master = fact.master
    return MasterCheckData(
        lot=lot,
        what="checked",
        kind=fact.kind,
        result=fact.result,
        reason=fact.reason,
        what_to_do=fact.what_to_do,
        master=MasterAbout(
            id=master.id, subject=master.subject, tir_um=nm_to_um(master.tir_nm),
            uncertainty_um=nm_to_um(master.expanded_uncertainty_nm),
            height_um=nm_to_um(master.height_nm) if master.height_nm else None,
        ),
        positions=[_position(one) for one in fact.positions],
        seats=[[points(p, seat.started_ns) for p in seat.positions] for seat in fact.seats],
        begun_by=fact.begun_by,
        role=fact.role,
    )  # fmt: skip


def _position(one: PositionCheck) -> MasterPosition:
    check = one.check
    return MasterPosition(
        position=one.position,
        indicator=one.indicator,
        result=check.result,
        reading_um=um(check.reading_nm),
        low_um=nm_to_um(check.limits.low_nm),
        high_um=nm_to_um(check.limits.high_nm),
        vector_um=um(check.vector_nm),
        zero_um=um(one.zero_nm),
        drift_um=um(one.drift_nm),
    )


def cause_data(lot: str, fact: DisturbanceFact) -> MasterCheckData:
    """Return the data of what makes a check due."""
    reason = CAUSE_TEXT[fact.cause] + (f" ({fact.text})" if fact.text else "")
    return MasterCheckData(
        lot=lot, what="cause", cause=fact.cause, reason=reason, role=fact.role
    )


def span_data(lot: str, outcome: SpanReleased | SpanHeld) -> MasterCheckData:
    """Return the data of a span that a check released or put on hold: the lead's list."""
    pieces = [number for _, number in outcome.pieces]
    if isinstance(outcome, SpanReleased):
        return MasterCheckData(lot=lot, what="span-released", pieces=pieces, role="service")
    return MasterCheckData(
        lot=lot,
        what="span-held",
        reason=outcome.why,
        pieces=pieces,
        boxes=list(outcome.boxes),
        cells=list(outcome.cells),
        first=_utc(outcome.first),
        last=_utc(outcome.last),
        role="service",
    )


def _utc(moment: Moment | None) -> str | None:
    return None if moment is None else rfc3339(moment.utc)
