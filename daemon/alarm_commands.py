"""Commands about alarms: list them, acknowledge, put on the shelf."""

from typing import Any

from daemon import snapshot
from daemon.alarm_journal import journal
from daemon.bench import BenchRunner
from daemon.messages import Command
from daemon.store import Store
from rules import bench
from rules.alarm_list import ALARMS
from rules.bench import CommandRefusedError
from rules.facts import AlarmCode, Shelf


def carry_out_alarm(
    command: Command, runner: BenchRunner, store: Store
) -> tuple[str, dict[str, Any] | None]:
    """Carry it out; return what to say, and data for a program.

    Raises:
        CommandRefusedError: If it makes no sense now; says what does.
        StoreError: If the store can't be read.
    """
    if command.command == "alarm-list":
        return _list(command, runner, store)
    code = _code(command)
    if not command.role.strip():
        raise CommandRefusedError(f"{command.command} needs the role of who asks for it")
    if command.command == "alarm-ack":
        return _handled(
            runner, bench.AlarmAcked(code, command.role), command, f"{code}: acknowledged"
        )
    if command.for_min is None:
        raise CommandRefusedError("alarm-shelve needs for_min: minutes, 0 to take it back")
    if command.for_min == 0:
        back = bench.AlarmUnshelved(code, command.role)
        return _handled(runner, back, command, f"{code}: off the shelf")
    until_ns, until_utc = runner.until(command.for_min)
    shelf = Shelf(code, command.role, command.reason, until_ns, until_utc)
    said = f"{code}: shelved until {until_utc}"
    return _handled(runner, bench.AlarmShelved(shelf), command, said)


def _code(command: Command) -> AlarmCode:
    found = next((code for code in ALARMS if code == command.code), None)
    if found is None:
        raise CommandRefusedError(
            f"code: got {command.code!r}, accepted are {', '.join(sorted(ALARMS))}"
        )
    return found


def _handled(
    runner: BenchRunner, event: bench.BenchEvent, command: Command, text: str
) -> tuple[str, None]:
    if not runner.handle(event, inbound=command.id):
        raise CommandRefusedError(f"no record can be kept: {runner.fault}")
    return text, None


def _list(command: Command, runner: BenchRunner, store: Store) -> tuple[str, dict[str, Any]]:
    alarms = [alarm.model_dump(mode="json") for alarm in snapshot.alarms(runner).values()]
    data: dict[str, Any] = {"alarms": alarms}
    if command.all:
        data["journal"] = journal(store, runner.by.bench)
    count = sum(alarm["stands"] for alarm in alarms)
    said = {0: "no alarm stands", 1: "1 alarm stands"}
    return said.get(count, f"{count} alarms stand"), data
