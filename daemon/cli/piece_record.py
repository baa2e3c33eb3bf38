"""A piece as the record has it: shown and drawn, without the service, closed lots too."""

import json
import sqlite3
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.clamping_figures import clamping_figures, distances, figure_lines
from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.stored import one_lot, store_path
from daemon.messages import ClampingFigures
from daemon.picture.file import SUFFIXES, write_picture
from daemon.picture.page import drawn
from daemon.picture.sheet import PieceSheet, read_sheet
from daemon.picture.words import cycle_name, outcome, standing
from daemon.store.read_only import reading_only
from daemon.store.stored import StoredClamping, StoredCycle
from daemon.store.texts import StoredTexts, TextFaultError
from rules.length import um_text
from rules.torque import tightened_text

Figures = Mapping[int, ClampingFigures]

PlotFile = Annotated[
    Path | None,
    typer.Option("--plot", help="Draw its sweeps, unrolled and polar: FILE.svg or FILE.png."),
]


def show_from_record(
    number: int,
    config: Path,
    store: Path | None,
    lot: str | None,
    bench: str | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Show a piece from the record itself, and draw it if a file is named."""
    if plot is not None and plot.suffix.lower() not in SUFFIXES:
        refuse(f"--plot {plot}: accepted are files that end in {' or '.join(SUFFIXES)}")
    with reported():
        with reading_only(store_path(config, store)) as db:
            found = one_lot(db, lot, bench)
            sheet = read_sheet(db, found, number)
            figures = read_figures(db, sheet)
        if sheet is None:
            typer.echo(
                f"no piece {number} in lot {found.code} of bench {found.bench}", err=True
            )
            raise typer.Exit(ANSWER_IS_NO)
        if plot is not None:
            write_picture(drawn(sheet), plot)
    if as_json:
        typer.echo(json.dumps(_as_json(sheet, figures, plot), ensure_ascii=False))
    else:
        _print(sheet, figures, plot)


def read_figures(db: sqlite3.Connection, sheet: PieceSheet | None) -> Figures:
    """Return what the sweeps of a piece show, by the row of the clamping."""
    texts = StoredTexts(db)
    found: dict[int, ClampingFigures] = {}
    for cycle in sheet.cycles if sheet is not None else ():
        for clamping in cycle.clampings:
            try:
                section = texts.bench(clamping.bench_sha256, cycle.bench)
                distance_nm = distances(section)
            except TextFaultError:
                distance_nm = {}
            for one in clamping_figures(db, cycle.id, distance_nm):
                if one.clamping == clamping.number:
                    found[clamping.id] = one
    return found


def _print(sheet: PieceSheet, figures: Figures, plot: Path | None) -> None:
    typer.echo(f"piece {sheet.piece} of lot {sheet.lot.code}, bench {sheet.lot.bench}")
    typer.echo(f"  {tightened_text(sheet.lot.torque_tool, sheet.lot.torque_nmm)}")
    for cycle in sheet.cycles:
        typer.echo(f"  {cycle_name(cycle)}: {standing(cycle)}")
        for clamping in cycle.clampings:
            tir = "–" if clamping.tir_nm is None else f"{um_text(clamping.tir_nm)} µm"
            typer.echo(f"  {tir:>9}  {outcome(clamping)}")
            for line in figure_lines(figures[clamping.id]):
                typer.echo(f"             {line}")
    if sheet.fault:
        typer.echo(f"  {sheet.fault}", err=True)
    if plot is not None:
        typer.echo(f"  drawn: {plot}")


def _as_json(sheet: PieceSheet, figures: Figures, plot: Path | None) -> dict[str, Any]:
    return {
        "bench": sheet.lot.bench,
        "lot": sheet.lot.code,
        "piece": sheet.piece,
        "torque_tool": sheet.lot.torque_tool,
        "torque_nmm": sheet.lot.torque_nmm,
        "cycles": [_cycle(cycle, figures) for cycle in sheet.cycles],
        "fault": sheet.fault,
        "plot": None if plot is None else str(plot),
    }


def _cycle(cycle: StoredCycle, figures: Figures) -> dict[str, Any]:
    verdict = cycle.verdict
    return {
        "cycle": cycle.number,
        "cycle_kind": cycle.kind,
        "how": cycle.how,
        "grade": verdict.grade if verdict is not None else None,
        "bin": verdict.bin if verdict is not None else None,
        "reason": verdict.reason if verdict is not None else "",
        "clampings": [
            _clamping(clamping, figures[clamping.id]) for clamping in cycle.clampings
        ],
    }


def _clamping(clamping: StoredClamping, figures: ClampingFigures) -> dict[str, Any]:
    shown = figures.model_dump(mode="json")
    return {
        "clamping": clamping.number,
        "tir_um": None if clamping.tir_nm is None else clamping.tir_nm / 1000,
        "result": clamping.result,
        "meets": clamping.meets.split(),
        "reason": clamping.invalid or "",
        "loosening": shown["loosening"],
        "positions": shown["positions"],
        "pin": shown["pin"],
    }
