"""Commands of the register of instruments. It is the store's: every bench sees the same."""

from decimal import Decimal
from typing import Any

from daemon.bench import BenchRunner
from daemon.messages import Command, InstrumentEntry
from daemon.store import Store
from daemon.store.instruments import with_uses
from rules.bench import CommandRefusedError
from rules.instruments import (
    MASTERS,
    Calibrated,
    Entered,
    Instrument,
    InstrumentError,
    InstrumentFact,
    Register,
    Withdrawn,
)  # fmt: skip
from rules.length import decimal_to_nm, nm_to_um, um_to_nm

Answer = tuple[str, dict[str, Any] | None]


def carry_out_instrument(command: Command, runner: BenchRunner, store: Store) -> Answer:
    """Return text and data of the reply to a command of the register.

    Raises:
        CommandRefusedError: If it does not fit the register; the message says what does.
        StoreError: If it can't be kept.
    """
    match command.command:
        case "instrument-list":
            with store.reading() as db:
                register = with_uses(db)
            return f"{len(register)} instruments", {"instruments": listed(register)}
        case "instrument-clock-right":
            _need(command, reason=command.reason, role=command.role)
            runner.accept_clock(command.reason, command.role, command.id)
            return "the clock is taken as it stands", None
        case "instrument-withdraw":
            fact = _withdrawn(command)
        case _:
            fact = _entry(command, store.register())
    try:
        runner.keep_instrument(fact, command.id)
    except InstrumentError as error:
        raise CommandRefusedError(str(error)) from error
    name = command.instrument.id if command.instrument is not None else ""
    what = "is withdrawn" if isinstance(fact, Withdrawn) else "is in the register"
    return f"{name} {what}", None


def listed(register: Register) -> list[dict[str, Any]]:
    """Return the register as objects, by kind and name: µm, mm and local dates."""
    order = sorted(register.values(), key=lambda one: (one.kind, one.id))
    return [_listed(one) for one in order]


def _listed(one: Instrument) -> dict[str, Any]:
    values = {
        "id": one.id, "kind": one.kind, "certificate": one.certificate or None,
        "due": one.due.isoformat() if one.due is not None else None,
        "withdrawn": one.is_withdrawn, "clampings": 0 if one.kind in MASTERS else one.uses,
        "checks": one.uses if one.kind in MASTERS else None,
        "form_um": _um(one.form_nm), "tir_um": _um(one.tir_nm),
        "uncertainty_um": _um(one.expanded_uncertainty_nm),
        "height_um": _um(one.height_nm),
        "diameter_mm": _mm(one.diameter_nm),
        "gripping_length_mm": _mm(one.gripping_length_nm),
        "measuring_force_mn": one.measuring_force_mn,
    }  # fmt: skip
    always = ("id", "kind", "certificate", "due", "withdrawn", "clampings")
    return {k: v for k, v in values.items() if v is not None or k in always}


def _need(command: Command, **values: object) -> None:
    missing = [name for name, value in values.items() if not value]
    if missing:
        raise CommandRefusedError(f"{command.command} needs {', '.join(missing)}")


def _withdrawn(command: Command) -> InstrumentFact:
    _need(command, instrument=command.instrument, reason=command.reason, role=command.role)
    assert command.instrument is not None  # just asked for
    return Withdrawn(command.instrument.id, command.reason, command.role)


def _entry(command: Command, register: Register) -> InstrumentFact:
    _need(command, instrument=command.instrument, role=command.role)
    entry = command.instrument
    assert entry is not None  # just asked for
    known = register.get(entry.id)
    if known is None:
        if entry.kind is None:
            raise CommandRefusedError(f"{entry.id} is new: instrument-add needs its kind")
        made = Instrument(
            entry.id, entry.kind, entry.certificate, entry.due, **_lengths(entry),
            measuring_force_mn=entry.measuring_force_mn,
        )  # fmt: skip
        return Entered(made, command.role)
    if entry.kind not in (None, known.kind):
        raise CommandRefusedError(
            f"{entry.id} is of kind {known.kind}; accepted is that kind, or another identity"
        )
    return Calibrated(
        entry.id, entry.certificate, entry.due, command.role, **_lengths(entry),
        measuring_force_mn=entry.measuring_force_mn,
    )  # fmt: skip


def _lengths(entry: InstrumentEntry) -> dict[str, Any]:
    return {
        "form_nm": _nm(entry.form_um),
        "tir_nm": _nm(entry.tir_um),
        "expanded_uncertainty_nm": _nm(entry.uncertainty_um),
        "height_nm": _nm(entry.height_um),
        "diameter_nm": _mm_to_nm(entry.diameter_mm),
        "gripping_length_nm": _mm_to_nm(entry.gripping_length_mm),
    }


def _nm(um: Decimal | None) -> int | None:
    return um_to_nm(um) if um is not None else None


def _mm_to_nm(mm: Decimal | None) -> int | None:
    return decimal_to_nm(mm, "mm") if mm is not None else None


def _um(nm: int | None) -> float | None:
    return nm_to_um(nm) if nm is not None else None


def _mm(nm: int | None) -> float | None:
    return nm / 1_000_000 if nm is not None else None
