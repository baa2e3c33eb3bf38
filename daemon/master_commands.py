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
        case "master-leaving":
            return _leaving(command, runner, store)
        case _:
            return _changed(command, runner, store)


def _need(command: Command, **values: object) -> None:
    missing = [name for name, value in values.items() if not value]
    if missing:
        raise CommandRefusedError(f"{command.command} needs {', '.join(missing)}")


def _handled(runner: BenchRunner, event: BenchEvent, inbound: str) -> None:
    if not runner.handle(event, inbound=inbound):
        raise CommandRefusedError(f"no record can be kept: {runner.fault}")


def _check_can_tell(command: Command, runner: BenchRunner) -> None:
    _need(command, changed=command.changed, role=command.role)
    if not runner.fitness.is_on:
        raise CommandRefusedError("the bench file asks for no master checks: nothing is due")
    if runner.fault is not None:
        raise CommandRefusedError(f"no record can be kept: {runner.fault}")


def _leaving(command: Command, runner: BenchRunner, store: Store) -> Answer:
    """Ask for the closing check while the instrument is still there to be checked."""
    _check_can_tell(command, runner)
    if "instrument-leaving" not in runner.fitness.rules.causes:
        raise CommandRefusedError(
            "[bench.check] causes leaves out 'instrument-leaving'; accepted is "
            "'reclamp master check' between two pieces"
        )
    what, tell = command.changed, f"tell it then: reclamp master changed {command.changed}"
    if runner.shown.state.check is not None:
        return f"a master check is being made; the {what} may leave after it: {tell}", None
    waiting = store.assurance(runner.by.bench).unreleased
    if not waiting and runner.piece_begun is None:
        return f"no piece waits for a check: the {what} may leave; {tell}", None
    text = f"{what}: {command.reason}" if command.reason else f"{what}"
    fact = DisturbanceFact("instrument-leaving", text, command.role)
    runner.keep_disturbance(fact, command.id)
    return f"a master check is due; after a good one the {what} may leave: {tell}", None


def _changed(command: Command, runner: BenchRunner, store: Store) -> Answer:
    """Keep that it is another one, be it asked for or not: what is so is not refused."""
    _check_can_tell(command, runner)
    cause = _CAUSES[command.changed or ""]
    left = left_unproved(runner, store, cause)
    runner.keep_disturbance(DisturbanceFact(cause, command.reason, command.role), command.id)
    return f"another {command.changed} is in use: a master check is due{left}", None


def left_unproved(runner: BenchRunner, store: Store, cause: Cause) -> str:
    """Return what a change will do to the pieces that wait for a check; "" without such."""
    waiting = store.assurance(runner.by.bench).unreleased
    if not runner.fitness.is_on or cause not in runner.by.assurance.changes or not waiting:
        return ""
    return (
        f"; {waiting} pieces were measured since the last good check and are on hold: no check "
        "can prove them any more (reclamp hold list)"
    )


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
