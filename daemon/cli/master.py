"""``reclamp master …``: master checks, begun and told of; ``reclamp hold list``."""

import json
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import typer

from daemon.check_series import check_sheet
from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.asking import (
    DEFAULT_FILE,
    AsJson,
    BenchFile,
    BenchName,
    Reason,
    Role,
    ask_service,
)  # fmt: skip
from daemon.cli.holder import one_bench
from daemon.config import load
from daemon.picture.check_page import drawn_checks
from daemon.picture.file import SUFFIXES, write_picture
from daemon.store.held import held_pieces
from daemon.store.read_only import reading_only

__all__ = ["hold_app", "master_app"]

master_app = typer.Typer(help="Master checks: is the bench fit to judge?", no_args_is_help=True)
hold_app = typer.Typer(help="Pieces on hold.", no_args_is_help=True)

What = Annotated[str, typer.Argument(help="pin, holder or indicator.")]


@master_app.command("check")
def master_check(
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Begin a master check: the next clampings are of the master the prompt names."""
    ask_service(config, bench, "master-check", as_json, role=role)


@master_app.command("stop")
def master_stop(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Break a master check off: it is on record and changes nothing."""
    ask_service(config, bench, "master-check-stop", as_json, reason=reason, role=role)


@master_app.command("changed")
def master_changed(
    what: What,
    role: Role,
    reason: Annotated[str, typer.Option("--reason", help="More, for the record.")] = "",
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Tell that another pin, holder or indicator is in use: a check is due.

    What was measured since the last good check is on hold: no check can prove it any more.
    """
    ask_service(
        config, bench, "master-changed", as_json, changed=what, role=role, reason=reason
    )


@master_app.command("leaving")
def master_leaving(
    what: What,
    role: Role,
    reason: Annotated[str, typer.Option("--reason", help="More, for the record.")] = "",
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Tell that a pin, holder or indicator is to leave: its closing check is due first."""
    ask_service(
        config, bench, "master-leaving", as_json, changed=what, role=role, reason=reason
    )


@master_app.command("status")
def master_status(
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            help="Draw checks, zero drift and the holder's share over time, from the record "
            "itself: FILE.svg or FILE.png.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show whether the bench is fit to judge, and its last checks with the zero's drift.

    With --plot the service need not run.
    """
    if plot is not None:
        _draw(config, bench, plot)
        return
    data = ask_service(config, bench, "master-status", as_json)
    if as_json or data is None:
        return
    for check in data["checks"]:
        typer.echo(_check_line(check))


def _draw(config: Path, bench: str | None, plot: Path) -> None:
    if plot.suffix.lower() not in SUFFIXES:
        refuse(f"--plot {plot}: accepted are files that end in {' or '.join(SUFFIXES)}")
    with reported():
        loaded = load(config)
        one = one_bench(loaded.benches, bench)
        with reading_only(loaded.store_path) as db:
            sheet = check_sheet(db, one, ZoneInfo(loaded.file.site.timezone))
        write_picture(drawn_checks(sheet), plot)
    typer.echo(f"drawn: {plot}")


def _check_line(check: dict[str, Any]) -> str:
    reading, drift = check["reading_um"], check["drift_um"]
    parts = [
        f"  {check['at_utc']}  {check['kind']:<11}  {check['result']:<7}",
        f"{check['master']}, {check['position'] or 'no position'}:",
        "no reading" if reading is None else f"{reading:.2f} µm",
    ]
    if check["low_um"] is not None:
        parts.append(f"(good: {check['low_um']:.2f} to {check['high_um']:.2f} µm)")
    if drift is not None:
        parts.append(f"zero {drift:+.2f} µm")
    return " ".join(parts)


@hold_app.command("list")
def hold_list(
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    lot: Annotated[str | None, typer.Option("--lot", help="Lot; else the open ones.")] = None,
    as_json: AsJson = False,
) -> None:
    """List the pieces on hold with box, tray cell, time and reason, from the record.

    Exit 0 with none, 1 with some.
    """
    with reported():
        loaded = load(config)
        with reading_only(loaded.store_path) as db:
            found = held_pieces(db, bench, lot)
    if as_json:
        typer.echo(json.dumps({"held": found}, ensure_ascii=False))
    for piece in found if not as_json else ():
        where = f"box {piece['box']}" if piece["box"] else f"bin {piece['bin']}"
        if piece["cell"]:
            where = f"cell {piece['cell']}, {where}"
        typer.echo(
            f"lot {piece['lot']}, piece {piece['piece']}, {where},"
            f" graded {piece['graded']}: {piece['why']}"
        )
    if found:
        raise typer.Exit(ANSWER_IS_NO)
    if not as_json:
        typer.echo("no piece is on hold")
