"""``reclamp check``: what the files say, before a piece is measured."""

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from daemon.bench_warnings import warnings_of
from daemon.cli.answers import reported
from daemon.config import Config, load
from daemon.errors import ConfigError
from daemon.register_faults import register_faults

__all__ = ["check"]

JsonOption = Annotated[bool, typer.Option("--json", help="Answer as JSON.")]


def check(
    bench_file: Annotated[Path, typer.Argument(help="Bench file, e.g. bench.toml.")],
    as_json: JsonOption = False,
) -> None:
    """Name every fault of a bench file and its rule files, and what a metrologist would say.

    Exit 0 without faults (warnings alone are fine), 2 with faults.
    """
    with reported():
        config = _loaded(bench_file, as_json)
    warnings = warnings_of(config)
    if as_json:
        revisions = {one.id: one.rules.grading.revision for one in config.benches}
        _print_json({"faults": [], "warnings": warnings, "rules": revisions})
        return
    for warning in warnings:
        typer.echo(f"warning: {warning}")
    benches = ", ".join(one.id for one in config.benches)
    typer.echo(f"{bench_file}: no faults, {len(warnings)} warnings; benches: {benches}")


def _loaded(bench_file: Path, as_json: bool) -> Config:
    """Return the configuration; faults are the answer of ``check``, so JSON holds them too."""
    try:
        config = load(bench_file)
        if faults := register_faults(config):
            raise ConfigError(faults)
        return config
    except ConfigError as error:
        if as_json:
            _print_json({"faults": list(error.faults), "warnings": [], "rules": {}})
        raise


def _print_json(answer: dict[str, Any]) -> None:
    typer.echo(json.dumps(answer, ensure_ascii=False))
