"""``reclamp recompute``: every stored clamping and verdict anew."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from typing import Annotated

import typer

from daemon.cli.answers import ANSWER_IS_NO, reported
from daemon.cli.asking import DEFAULT_FILE, AsJson, BenchFile
from daemon.cli.stored import LotCode, StoreFile, lots_of, store_path
from daemon.recompute.cycles import recompute as recompute_lots
from daemon.recompute.findings import Findings
from daemon.store.read_only import reading_only
from daemon.store.stored import count_cycles

__all__ = ["recompute"]

_CYCLES_A_STEP = 100
"""The bar moves in steps: drawing it must not cost what computing does."""


def recompute(
    config: BenchFile = DEFAULT_FILE,
    store: StoreFile = None,
    lot: LotCode = None,
    diagnoses: Annotated[
        bool,
        typer.Option(
            "--diagnoses",
            help="Also what sweeps show beside their TIR; takes two and a half times as long.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Compute every stored clamping and verdict anew, from readings and the texts in force.

    Works beside the running service and changes nothing. Exit 0 when all came out as
    stored, 1 with the differences.
    """
    with reported():
        path = store_path(config, store)
        with reading_only(path) as db:
            asked = lots_of(db, lot)[::-1]
            with _progress(count_cycles(db, [one.id for one in asked])) as on_cycle:
                found = recompute_lots(db, asked, on_cycle, diagnoses)
    if as_json:
        answer = {"store": str(path), "fine": found.is_fine, **found.as_json()}
        typer.echo(json.dumps(answer, ensure_ascii=False))
    else:
        _print(found)
    if not found.is_fine:
        raise typer.Exit(ANSWER_IS_NO)


@contextmanager
def _progress(cycles: int) -> Iterator[Callable[[], None]]:
    """Show a bar on a terminal, and nothing into a pipe or a file."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda: None
        return
    columns = ("cycles", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("cycles", total=cycles)
        done = count(1)

        def on_cycle() -> None:
            number = next(done)
            if number % _CYCLES_A_STEP == 0:
                bar.update(task, completed=number)

        yield on_cycle


def _print(found: Findings) -> None:
    for difference in found.differences:
        typer.echo(str(difference))
    for sha256, why in found.texts.items():
        typer.echo(f"text {sha256}: {why}")
    if found.on_faulty_texts:
        typer.echo(f"{_many(found.on_faulty_texts, 'clamping')} can't be computed without it")
    for version, clampings in sorted(found.other_versions.items()):
        typer.echo(
            f"{_many(clampings, 'clamping')} of evaluation {version!r}, which this release"
            " does not have: not judged"
        )
    if found.undecided:
        typer.echo(f"{_many(found.undecided, 'verdict')} not judged: they rest on those")
    differences = len(found.differences)
    if found.diagnoses:
        typer.echo(f"{_many(found.diagnoses, 'diagnosis', 'diagnoses')} computed anew")
    typer.echo(
        f"{_many(found.pieces, 'piece')}: {_many(found.clampings, 'clamping')} and"
        f" {_many(found.verdicts, 'verdict')} computed anew,"
        f" {_many(differences, 'difference') if differences else 'no difference'}"
    )


def _many(number: int, noun: str, plural: str = "") -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {plural or noun + 's'}"
