"""Commands to a bench: the same objects from MQTT and from the local socket."""

import json
from typing import Any

from pydantic import ValidationError

from daemon import snapshot
from daemon.alarm_commands import carry_out_alarm
from daemon.bench import BenchRunner
from daemon.clamping_figures import clamping_figures, distances
from daemon.disposition_commands import carry_out_disposition
from daemon.errors import StoreError
from daemon.instrument_commands import carry_out_instrument
from daemon.lot_commands import carry_out_lot
from daemon.master_commands import carry_out_master, left_unproved
from daemon.messages import Command, Reply
from daemon.store import Store
from daemon.store.lot_query import open_lot_id
from rules import bench
from rules.bench import CommandRefusedError

_EVENTS_AT_ONCE = 500
_EVENT_BYTES_AT_ONCE = 200_000
"""Brokers refuse what is too large; a consumer asks again from the last it was given."""


def carry_out(command: Command, runner: BenchRunner, store: Store) -> Reply:
    """Return the reply of a command; a refusal says why and what is accepted.

    A command whose id was taken before is refused: it may have been delivered twice.
    """
    try:
        if store.knows_inbound(runner.by.bench, command.id):
            raise CommandRefusedError(f"a command of id {command.id!r} was taken before")
        text, data = _do(command, runner, store)
    except (CommandRefusedError, StoreError) as error:
        return Reply(id=command.id, ok=False, text=str(error))
    return Reply(id=command.id, ok=True, text=text, data=data)


def faults_text(error: ValidationError) -> str:
    """Return what is wrong with a command, key by key."""
    return "; ".join(
        f"{'.'.join(str(part) for part in fault['loc']) or 'command'}: {fault['msg']}"
        for fault in error.errors()
    )


def _do(
    command: Command, runner: BenchRunner, store: Store
) -> tuple[str, dict[str, Any] | None]:
    match command.command:
        case "lot-show":
            lot = snapshot.lot(runner, store)
            return lot.lot or "no lot is open", lot.model_dump(mode="json")
        case (
            "lot-open" | "lot-order" | "lot-visual" | "lot-rules" | "lot-close" | "lot-cell"
            | "lot-resume-sampling" | "box-change"
        ):  # fmt: skip
            return carry_out_lot(command, runner, store)
        case "piece-show":
            return _show_piece(command, runner, store)
        case "piece-retry" | "piece-abandon" | "holder-moved":
            return _by_lead(command, runner, store)
        case "piece-dispose" | "box-dispose":
            return carry_out_disposition(command, runner, store)
        case (
            "master-check"
            | "master-check-stop"
            | "master-leaving"
            | "master-changed"
            | "master-status"
        ):
            return carry_out_master(command, runner, store)
        case (
            "instrument-add"
            | "instrument-withdraw"
            | "instrument-list"
            | "instrument-clock-right"
        ):
            return carry_out_instrument(command, runner, store)
        case "alarm-list" | "alarm-ack" | "alarm-shelve":
            return carry_out_alarm(command, runner, store)
        case "events":
            return _replay(command, runner, store)


def _replay(command: Command, runner: BenchRunner, store: Store) -> tuple[str, dict[str, Any]]:
    """Return events from the record, as many as make one message, and how many there are."""
    name = runner.by.bench
    rows = store.events_after(name, command.after_seq or 0, _EVENTS_AT_ONCE)
    events: list[Any] = []
    room = _EVENT_BYTES_AT_ONCE
    for _, _, body in rows:
        room -= len(body)
        if events and room < 0:
            break
        events.append(json.loads(body))
    return f"{len(events)} events", {"events": events, "newest_seq": store.newest_seq(name)}


def _by_lead(command: Command, runner: BenchRunner, store: Store) -> tuple[str, None]:
    _need_reason_and_role(command)
    match command.command:
        case "piece-retry":
            asked = bench.RetryAsked(command.reason, command.role)
            return _handled(runner, asked, command.id, "the whole set is taken again")
        case "piece-abandon":
            given_up = bench.Abandoned(command.reason, command.role)
            return _handled(runner, given_up, command.id, "the piece is given up")
        case _:
            moved = bench.HolderMoved(command.reason, command.role)
            left = left_unproved(runner, store, "holder-change")
            text = f"the holder's share is counted anew{left}"
            return _handled(runner, moved, command.id, text)


def _need_reason_and_role(command: Command) -> None:
    if not command.reason.strip() or not command.role.strip():
        raise CommandRefusedError(
            f"{command.command} needs a reason and the role of who asks for it"
        )


def _handled(
    runner: BenchRunner, event: bench.BenchEvent, inbound: str, text: str
) -> tuple[str, None]:
    if not runner.handle(event, inbound=inbound):
        raise CommandRefusedError(f"no record can be kept: {runner.fault}")
    return text, None


def _show_piece(
    command: Command, runner: BenchRunner, store: Store
) -> tuple[str, dict[str, Any]]:
    if command.piece is None:
        raise CommandRefusedError("piece-show needs piece")
    with store.reading() as db:
        lot_id = open_lot_id(db, runner.by.bench)
        if lot_id is None:
            raise CommandRefusedError("no lot is open on this bench")
        row = db.execute(
            "SELECT number, cycle, cycle_number, cycle_kind, grade, bin, reason, status,"
            " retries FROM piece_status WHERE lot = ? AND number = ?",
            (lot_id, command.piece),
        ).fetchone()
        if row is None:
            raise CommandRefusedError(f"no piece {command.piece} in the open lot")
        number, cycle, cycle_number, kind, grade, bin_id, reason, status, retries = row
        data = {
            "piece": number, "cycle": cycle_number, "cycle_kind": kind, "grade": grade,
            "bin": bin_id, "reason": reason, "status": status, "retries": retries,
            "torque_tool": runner.open_lot_or_refuse().torque_tool,
            "torque_nmm": runner.open_lot_or_refuse().torque_nmm,
            "clampings": [
                one.model_dump(mode="json")
                for one in clamping_figures(db, cycle, distances(runner.config.section))
            ],
        }  # fmt: skip
    return f"piece {number}: {status}", data
