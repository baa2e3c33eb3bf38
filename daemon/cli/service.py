"""``reclamp run``: the service of a bench file."""

import logging
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.answers import reported
from daemon.clock import SystemClock
from daemon.config import load
from daemon.service import serve

__all__ = ["run"]


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
