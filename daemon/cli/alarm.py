"""``reclamp alarm …``: what needs an answer at a bench, and the answer."""

from typing import Annotated, Any

import typer

from daemon.alarm_journal import SHELF_MAX_MIN
from daemon.cli.asking import (
    DEFAULT_FILE,
    AsJson,
    BenchFile,
    BenchName,
    Reason,
    Role,
    ask_service,
)  # fmt: skip

__all__ = ["alarm_app"]

alarm_app = typer.Typer(help="The alarms of a bench.", no_args_is_help=True)

Code = Annotated[str, typer.Argument(help="Code of the alarm, e.g. battery-low.")]


@alarm_app.command("list")
def alarm_list(
    every: Annotated[
        bool, typer.Option("--all", help="The journal as well: what came, was seen to, went.")
    ] = False,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """List the alarms that stand or are shelved, with who acts and what to do."""
    data = ask_service(config, bench, "alarm-list", as_json, all=every)
    if data is None or as_json:
        return
    for alarm in data["alarms"]:
        typer.echo(f"  {alarm['code']}  {_state(alarm)}  since {alarm['since']}")
        if alarm["stands"]:
            typer.echo(f"    {alarm['text']}")
            typer.echo(f"    {alarm['waits_for']}: {alarm['to_do']}")
    for line in data.get("journal", []):
        typer.echo(f"  {line['at']}  {line['code']}  {_state(line)}  {line['text']}".rstrip())


def _state(alarm: dict[str, Any]) -> str:
    by = f" by {alarm['role']}" if alarm["role"] else ""
    why = f": {alarm['reason']}" if alarm["reason"] else ""
    until = f", shelved until {alarm['until']}" if alarm["until"] else ""
    return f"{alarm['state']}{by}{until}{why}"


@alarm_app.command("ack")
def alarm_ack(
    code: Code,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Acknowledge an alarm: I have seen it and take it on. A call is answered by it."""
    ask_service(config, bench, "alarm-ack", as_json, code=code, role=role)


@alarm_app.command("shelve")
def alarm_shelve(
    code: Code,
    role: Role,
    for_min: Annotated[
        int,
        typer.Option(
            min=0,
            max=SHELF_MAX_MIN,
            help="Minutes until it comes back by itself; 0 takes it back.",
        ),
    ],
    reason: Reason = "",
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Put an alarm aside for a time: it is shown as shelved and comes back by itself."""
    values = {"code": code, "role": role, "for_min": for_min, "reason": reason}
    ask_service(config, bench, "alarm-shelve", as_json, **values)
