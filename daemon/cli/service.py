"""``reclamp run``, and the commands that speak to the running service."""

import json
import logging
import uuid
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.cli.answers import ANSWER_IS_NO, reported
from daemon.clock import SystemClock
from daemon.config import load
from daemon.control import ask, socket_path
from daemon.messages import Command
from daemon.service import serve

__all__ = ["lot_app", "piece_app", "run"]

lot_app = typer.Typer(help="The open lot of a bench.", no_args_is_help=True)
piece_app = typer.Typer(help="The pieces of the open lot.", no_args_is_help=True)

BenchFile = Annotated[
    Path, typer.Option("--config", help="Bench file of the running service.", exists=False)
]
BenchName = Annotated[
    str | None, typer.Option("--bench", help="Bench id, where the file has several.")
]
Reason = Annotated[str, typer.Option("--reason", help="Why, for the record.")]
Role = Annotated[str, typer.Option("--role", help="Who asks, by role, e.g. lead.")]
AsJson = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]
DEFAULT_FILE = Path("bench.toml")


def run(
    bench_file: Annotated[Path, typer.Argument(help="Bench file, e.g. bench.toml.")],
    record: Annotated[
        Path | None, typer.Option(help="Write everything that comes in to this new file.")
    ] = None,
    speed: Annotated[
        float,
        typer.Option(min=0.1, max=1000, help="Rate of the clock; for simulated benches only."),
    ] = 1.0,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Say more.")] = False,
) -> None:
    """Run the service of a bench file until SIGTERM."""
    level = logging.INFO if verbose else logging.WARNING
    logging.basicConfig(level=level, format="%(levelname)s %(name)s: %(message)s")
    with reported():
        serve(load(bench_file), SystemClock(speed), record)


@lot_app.command("show")
def lot_show(
    config: BenchFile = DEFAULT_FILE, bench: BenchName = None, as_json: AsJson = False
) -> None:
    """Show the counts of the open lot."""
    data = _ask(config, bench, "lot-show", as_json)
    if data is None or as_json:
        return
    typer.echo(f"lot {data['lot']}  {data['article']}  order {data['order_state']}")
    for grade in data["grades"]:
        ordered = f" of {grade['ordered']}" if grade["ordered"] is not None else ""
        typer.echo(f"  {grade['grade']:<14} {grade['put_away']}{ordered}   bin {grade['bin']}")
    for key in ("nonconforming", "hold", "pending", "open_pieces", "abandoned", "unmeasured"):
        if data[key] is not None:
            typer.echo(f"  {key.replace('_', ' '):<14} {data[key]}")


@lot_app.command("close")
def lot_close(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Close the open lot; its counts are kept with the reason."""
    _ask(config, bench, "lot-close", as_json, reason=reason, role=role)


@piece_app.command("show")
def piece_show(
    number: Annotated[int, typer.Argument(help="Number of the piece in its lot.")],
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Show a piece of the open lot."""
    data = _ask(config, bench, "piece-show", as_json, piece=number)
    if data is None or as_json:
        return
    typer.echo(f"  cycle {data['cycle']} ({data['cycle_kind']})  grade {data['grade']}")
    for clamping in data["clampings"]:
        tir = "–" if clamping["tir_um"] is None else f"{clamping['tir_um']:g} µm"
        typer.echo(f"  {tir:>9}  {clamping['result']}  {clamping['reason']}")


@piece_app.command("retry")
def piece_retry(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Take the whole set of the piece in hand again, once; its first verdict is kept."""
    _ask(config, bench, "piece-retry", as_json, reason=reason, role=role)


@piece_app.command("abandon")
def piece_abandon(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Give the piece in work up; it counts as not measured."""
    _ask(config, bench, "piece-abandon", as_json, reason=reason, role=role)


def _ask(
    config: Path, bench: str | None, command: str, as_json: bool, **values: Any
) -> dict[str, Any] | None:
    with reported():
        loaded = load(config)
        asked = Command.model_validate({"id": str(uuid.uuid4()), "command": command, **values})
        reply = ask(socket_path(loaded.store_path), bench, asked)
    if as_json:
        typer.echo(json.dumps(reply.model_dump(mode="json"), ensure_ascii=False))
    else:
        typer.echo(reply.text, err=not reply.ok)
    if not reply.ok:
        raise typer.Exit(ANSWER_IS_NO)
    return reply.data
