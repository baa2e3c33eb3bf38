"""``reclamp store …``: a copy of the record, and one lot of it for an archive."""

import json
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Annotated, Literal

import typer

from daemon.cli.answers import refuse, reported
from daemon.cli.asking import DEFAULT_FILE, AsJson, BenchFile, BenchName
from daemon.cli.stored import LotCode, StoreFile, one_lot, store_path
from daemon.clock import SystemClock, rfc3339
from daemon.export_files import write_csv, write_json_lines
from daemon.messages import CONTRACT
from daemon.store.backup import backup
from daemon.store.export import ExportRecord, lot_records
from daemon.store.read_only import reading_only
from daemon.store.update import update

__all__ = ["store_app"]

store_app = typer.Typer(
    help="The record: a copy of it, and lots for an archive.", no_args_is_help=True
)

_KEPT = ("lots", "pieces", "clampings", "verdicts", "events")


@store_app.command("backup")
def store_backup(
    copy: Annotated[Path, typer.Argument(metavar="FILE", help="New file to copy into.")],
    config: BenchFile = DEFAULT_FILE,
    store: StoreFile = None,
    as_json: AsJson = False,
) -> None:
    """Copy the record into a new file, beside the running service, and prove the copy."""
    _refuse_taken(copy)
    with reported():
        rows = backup(store_path(config, store), copy)
    if as_json:
        typer.echo(json.dumps({"copy": str(copy), "rows": dict(rows)}))
        return
    named = ", ".join(f"{rows[table]} {table}" for table in _KEPT)
    typer.echo(f"{copy}: {named}; integrity and counts checked")


@store_app.command("export")
def store_export(
    target: Annotated[
        Path, typer.Argument(metavar="TARGET", help="New file; with csv a new folder.")
    ],
    form: Annotated[
        Literal["jsonl", "csv"], typer.Option("--format", help="JSON Lines or CSV tables.")
    ] = "jsonl",
    readings: Annotated[
        bool, typer.Option("--readings", help="Every reading of every sweep too.")
    ] = False,
    config: BenchFile = DEFAULT_FILE,
    store: StoreFile = None,
    lot: LotCode = None,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Write one lot for an archive: µm, UTC, with the rule and bench files in force."""
    _refuse_taken(target)
    with reported(), reading_only(store_path(config, store)) as db:
        asked = one_lot(db, lot, bench)
        records = lot_records(db, asked.id, with_readings=readings)
        write = write_json_lines if form == "jsonl" else write_csv
        counts = write(target, _with_head(records))
    if as_json:
        typer.echo(json.dumps({"lot": asked.code, "target": str(target), "records": counts}))
        return
    pieces, clampings = counts.get("piece", 0), counts.get("clamping", 0)
    typer.echo(f"{target}: lot {asked.code}, {pieces} pieces, {clampings} clampings")


@store_app.command("update")
def store_update(
    config: BenchFile = DEFAULT_FILE, store: StoreFile = None, as_json: AsJson = False
) -> None:
    """Bring a record that an earlier release laid up to this one, as the service does at start.

    No service may have it open; nothing of what it holds is changed.
    """
    with reported():
        path = store_path(config, store)
        before, after = update(path)
    if as_json:
        typer.echo(json.dumps({"store": str(path), "before": before, "after": after}))
        return
    said = f"brought from {before} to {after}" if before != after else f"is at {after} already"
    typer.echo(f"{path}: {said}")


def _refuse_taken(path: Path) -> None:
    if path.exists() or path.is_symlink():
        refuse(f"{path}: there is something already; accepted is a free name")
    if not path.parent.is_dir():
        refuse(f"{path}: there is no folder {path.parent}")


def _with_head(
    records: Iterator[tuple[str, ExportRecord]],
) -> Iterator[tuple[str, ExportRecord]]:
    yield "export", {
        "software": f"reclamp {version('reclamp')}", "contract": CONTRACT,
        "exported_utc": rfc3339(SystemClock().utc()), "unit": "um", "time": "RFC 3339 UTC",
    }  # fmt: skip
    yield from records
