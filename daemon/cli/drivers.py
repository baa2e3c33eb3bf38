"""``reclamp driver``: what there is, a new one, and whether one keeps the contract."""

import dataclasses
import json
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.line_options import parse_options
from daemon.config import plain_options
from daemon.driver_catalogue import CatalogueEntry, catalogue
from daemon.driver_skeleton import NewDriverError, NewName, write_package, write_single
from daemon.driver_trial import TriedSpecimen, driver_to_try, try_driver
from drivers.conformance import CaseResult, Failure

__all__ = ["driver_app"]

driver_app = typer.Typer(
    help="Drivers: what there is, a new one, does one keep the contract.",
    no_args_is_help=True,
)
AsJson = Annotated[bool, typer.Option("--json", help="JSON, for programs.")]
_SHOWN_BYTES, _SHOWN_LETTERS = 48, 300
_SHOWN_FAILURES, _SHOWN_NOTES = 2, 6


@driver_app.command("list")
def list_drivers(as_json: AsJson = False) -> None:
    """Name every driver, built-in and foreign, and where each comes from."""
    entries = list(catalogue())
    if as_json:
        typer.echo(json.dumps([dataclasses.asdict(entry) for entry in entries]))
        return
    width = max((len(entry.name) for entry in entries), default=0)
    for entry in entries:
        _print_entry(entry, width)
    typer.echo("or one file: FILE.py:NAME")


def _print_entry(entry: CatalogueEntry, width: int) -> None:
    kind = "built-in" if entry.is_built_in else "foreign "
    typer.echo(f"{entry.name:<{width}}  {kind}  {entry.origin}  {entry.target}")
    for text in (entry.about, entry.trouble):
        if text:
            typer.echo(f"{'':<{width}}  {text}")


@driver_app.command("new")
def new_driver(
    name: Annotated[str, typer.Argument(help='Its name: lower-case words with "-" between.')],
    single: Annotated[
        bool, typer.Option("--single", help="One file instead of a package.")
    ] = False,
    into: Annotated[
        Path, typer.Option(help="Folder to write it into.", file_okay=False)
    ] = Path(),
) -> None:
    """Write a driver with its simulated indicator, frames and test, to be changed.

    What it writes works at once: change frames, codec and driver step by step, and let the
    kit say after each step what no longer holds.
    """
    try:
        new = NewName(name)
        files = write_single(new, into) if single else write_package(new, into)
    except NewDriverError as error:
        refuse(str(error))
    for path in files:
        typer.echo(str(path))
    typer.echo(f"next: reclamp driver verify {files[0]}")


@driver_app.command("verify")
def verify_driver(
    name: Annotated[
        str, typer.Argument(metavar="NAME|FILE.py[:NAME]", help="Driver, or its file.")
    ],
    option: Annotated[
        list[str] | None,
        typer.Option(help="KEY=VALUE, put over the options its frames were written for."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Try the conformance kit on a driver: what was tried, what failed, and the bytes.

    Exit 0 if it keeps the contract, 1 if it does not or brings no frames to try.
    """
    with reported():
        found = driver_to_try(name, Path.cwd())
    tried = list(try_driver(found, plain_options(parse_options(option or ()))))
    failed = sum(each.failed for each in tried)
    if as_json:
        report = {"driver": found.name, "origin": found.origin, "version": found.version}
        specimens = [_fields(each) for each in tried]
        typer.echo(json.dumps({**report, "failed": failed, "specimens": specimens}))
    else:
        typer.echo(f"{found.name}  from {found.origin}, version {found.version}")
        _print_tried(tried)
    if failed or not tried:
        raise typer.Exit(ANSWER_IS_NO)


def _fields(tried: TriedSpecimen) -> dict[str, Any]:
    return {
        "name": tried.specimen.name,
        "tried": tried.tried,
        "failed": tried.failed,
        "cases": [
            {
                "name": result.name,
                "tried": result.tried,
                "failed": result.failed,
                "failures": [
                    {"what": failure.what, "hex": failure.stream.hex(" ")}
                    for failure in result.failures
                ],
                "notes": list(result.notes),
                "lacking": result.lacking or None,
            }
            for result in tried.results
        ],
    }


def _print_tried(tried: list[TriedSpecimen]) -> None:
    if not tried:
        typer.echo(
            "nothing was tried: it brings no SPECIMENS (frames written by hand, see "
            "drivers.conformance), beside its factory or in a module …_specimens"
        )
    for each in tried:
        typer.echo(f"\n{each.specimen.name}")
        for result in each.results:
            _print_result(result)
        cases = len(each.results)
        typer.echo(f"  {cases} cases, {each.tried} trials, {each.failed} cases failed")


def _print_result(result: CaseResult) -> None:
    if result.lacking:
        typer.echo(f"  –            {result.name}: {result.lacking}")
        return
    mark = "FAIL" if result.failures else "ok  "
    typer.echo(f"  {mark} {result.tried:>7} {result.name}")
    for note in result.notes[:_SHOWN_NOTES]:
        typer.echo(f"               {note}")
    if len(result.notes) > _SHOWN_NOTES:
        left_out = len(result.notes) - _SHOWN_NOTES
        typer.echo(f"               {left_out} more notes: --json shows all")
    shown = result.failures[:_SHOWN_FAILURES]
    for failure in shown:
        _print_failure(failure)
    if result.failed > len(shown):
        typer.echo(f"         {result.failed - len(shown)} more failed")


def _print_failure(failure: Failure) -> None:
    what = failure.what
    typer.echo(f"         {what[:_SHOWN_LETTERS]}{'…' if len(what) > _SHOWN_LETTERS else ''}")
    shown = failure.stream[-_SHOWN_BYTES:]
    if shown:
        left_out = len(failure.stream) - len(shown)
        before = f"({left_out} bytes before) " if left_out else ""
        typer.echo(f"         fed {before}{shown!r}")
        typer.echo(f"         hex {before}{shown.hex(' ').upper()}")
