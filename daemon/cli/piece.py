"""``reclamp piece …``: a piece of the open lot."""

from typing import Annotated

import typer

from daemon.clamping_figures import figure_lines
from daemon.cli.asking import (
    DEFAULT_FILE,
    Action,
    AsJson,
    BenchFile,
    BenchName,
    Reason,
    RegradedTo,
    Role,
    ask_service,
)  # fmt: skip
from daemon.cli.piece_record import PlotFile, show_from_record
from daemon.cli.stored import LotCode, StoreFile
from daemon.messages import ClampingFigures
from rules.torque import tightened_text

__all__ = ["piece_app"]

piece_app = typer.Typer(help="The pieces of the open lot.", no_args_is_help=True)


@piece_app.command("show")
def piece_show(
    number: Annotated[
        int,
        typer.Argument(min=0, max=1_000_000_000, help="Number of the piece in its lot."),
    ],
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    lot: LotCode = None,
    store: StoreFile = None,
    plot: PlotFile = None,
    as_json: AsJson = False,
) -> None:
    """Show a piece of the open lot; with --lot, --store or --plot, from the record itself."""
    if lot is not None or store is not None or plot is not None:
        show_from_record(number, config, store, lot, bench, plot, as_json)
        return
    data = ask_service(config, bench, "piece-show", as_json, piece=number)
    if data is None or as_json:
        return
    typer.echo(f"  cycle {data['cycle']} ({data['cycle_kind']})  grade {data['grade']}")
    typer.echo(f"  {tightened_text(data['torque_tool'], data['torque_nmm'])}")
    for clamping in data["clampings"]:
        tir = "–" if clamping["tir_um"] is None else f"{clamping['tir_um']:g} µm"
        typer.echo(f"  {tir:>9}  {clamping['result']}  {clamping['reason']}")
        for line in figure_lines(ClampingFigures.model_validate(clamping)):
            typer.echo(f"             {line}")


@piece_app.command("retry")
def piece_retry(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Take the whole set of the piece in hand again, once; its first verdict is kept."""
    ask_service(config, bench, "piece-retry", as_json, reason=reason, role=role)


@piece_app.command("dispose")
def piece_dispose(
    number: Annotated[
        int,
        typer.Argument(min=0, max=1_000_000_000, help="Number of the piece in its lot."),
    ],
    action: Action,
    reason: Reason,
    role: Role,
    grade: RegradedTo = None,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Decide on a piece on hold that can be told from others; its verdict is kept."""
    ask_service(
        config, bench, "piece-dispose", as_json, piece=number, action=action, reason=reason,
        role=role, grade=grade,
    )  # fmt: skip


@piece_app.command("abandon")
def piece_abandon(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Give the piece in work up; it counts as not measured."""
    ask_service(config, bench, "piece-abandon", as_json, reason=reason, role=role)
