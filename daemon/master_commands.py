"""Commands of the master check: begin, break off, tell of a change, ask how it stands."""

from typing import Any

from daemon.bench import BenchRunner
from daemon.messages import CheckStatus, Command
from daemon.store import Store
from rules.assurance_model import Cause
from rules.bench import BenchEvent, CheckBegun, CheckStopped, CommandRefusedError
from rules.check_facts import DisturbanceFact

Answer = tuple[str, dict[str, Any] | None]

_LAST_CHECKS = 20

_CAUSES: dict[str, Cause] = {
    "pin": "pin-change", "holder": "holder-change", "indicator": "indicator-change",
}  # fmt: skip


def carry_out_master(command: Command, runner: BenchRunner, store: Store) -> Answer:
    """Return text and data of the reply to a command of the master check.

    Raises:
        CommandRefusedError: If it makes no sense now; the message says what is accepted.
        StoreError: If it can't be kept.
    """
    match command.command:
        case "master-status":
            return _status(runner, store)
        case "master-check":
            _need(command, role=command.role)
            _handled(runner, CheckBegun("command", command.role), command.id)
            return f"{runner.shown.signals.text}", None
        case "master-check-stop":
            _need(command, reason=command.reason, role=command.role)
            _handled(runner, CheckStopped(command.reason, command.role), command.id)
            return "the master check is broken off; it changes nothing", None
        case _:
            return _changed(command, runner)


def _need(command: Command, **values: object) -> None:
    missing = [name for name, value in values.items() if not value]
    if missing:
        raise CommandRefusedError(f"{command.command} needs {', '.join(missing)}")


def _handled(runner: BenchRunner, event: BenchEvent, inbound: str) -> None:
    if not runner.handle(event, inbound=inbound):
        raise CommandRefusedError(f"no record can be kept: {runner.fault}")


def _changed(command: Command, runner: BenchRunner) -> Answer:
    _need(command, changed=command.changed, role=command.role)
    if not runner.fitness.is_on:
        raise CommandRefusedError("the bench file asks for no master checks: nothing is due")
    if runner.fault is not None:
        raise CommandRefusedError(f"no record can be kept: {runner.fault}")
    cause = _CAUSES[command.changed or ""]
    runner.keep_disturbance(DisturbanceFact(cause, command.reason, command.role), command.id)
    return f"another {command.changed} is in use: a master check is due", None


def _status(runner: BenchRunner, store: Store) -> Answer:
    status = runner.check_status()
    with store.reading() as db:
        db_rows = db.execute(
            "SELECT at_utc, kind, position, result, master, reading_um, low_um, high_um,"
            " zero_um, drift_um, reason, what_to_do FROM checks_um WHERE bench = ?"
            " ORDER BY seq DESC LIMIT ?",
            (runner.by.bench, _LAST_CHECKS),
        )
        names = [column[0] for column in db_rows.description]
        checks = [dict(zip(names, row, strict=True)) for row in db_rows]
    data = {**status.model_dump(mode="json"), "checks": checks}
    return status_text(status), data


def status_text(status: CheckStatus) -> str:
    """Return in one line whether the bench is fit to judge."""
    if status.level == "off":
        return "the bench file asks for no master checks"
    if status.kind is not None:
        return f"a {status.kind} check is being made, seat {status.seat}"
    parts = [*status.reasons]
    if status.level != "due":
        left = [
            f"{status.pieces_left} pieces" if status.pieces_left is not None else "",
            f"{status.minutes_left} min" if status.minutes_left is not None else "",
        ]
        parts.append(" or ".join(part for part in left if part) + " until the next check")
    parts.append(f"{status.open_pieces} pieces wait for it, {status.held} are on hold")
    word = {"good": "fit to judge", "soon": "check due soon", "due": "check due"}[status.level]
    return f"{word}: {'; '.join(parts)}"
