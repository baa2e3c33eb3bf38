"""``reclamp holder …``: the master holder in the spindle, and its share of the run-out."""

import json
from collections.abc import Sequence

import typer

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
from daemon.config import BenchConfig, load
from daemon.messages import HolderSeries
from daemon.run_out_watch import run_out_watch
from daemon.store.read_only import reading_only
from rules.holder_series import LEAST_SHOWN, WHAT_TO_DO
from rules.vectors import DIRECTED

__all__ = ["holder_app", "one_bench"]

holder_app = typer.Typer(
    help="The holder in the spindle and its share of the run-out.", no_args_is_help=True
)


@holder_app.command("moved")
def holder_moved(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Record that the holder left the spindle unkeyed: its share is counted anew."""
    ask_service(config, bench, "holder-moved", as_json, reason=reason, role=role)


@holder_app.command("show")
def holder_show(
    config: BenchFile = DEFAULT_FILE, bench: BenchName = None, as_json: AsJson = False
) -> None:
    """Show the holder's share over the first clampings of all lots, from the record.

    Since the holder was put in. Needs an index or an encoder. Exit 0 with figures, 1 without.
    """
    with reported():
        loaded = load(config)
        one = one_bench(loaded.benches, bench)
        with reading_only(loaded.store_path) as db:
            watch = run_out_watch(one)
            watch.load(db, None)
        found = watch.series()
    if as_json:
        answer = {"bench": one.id, "holder": [series.model_dump() for series in found]}
        typer.echo(json.dumps(answer, ensure_ascii=False))
    for series in found if not as_json else ():
        _print(one.id, series)
    if not any(series.points for series in found):
        if not as_json:
            typer.echo(_why_none(one, found), err=True)
        raise typer.Exit(ANSWER_IS_NO)


def one_bench(benches: Sequence[BenchConfig], name: str | None) -> BenchConfig:
    """Return the bench of this name, or the only one there is."""
    found = [one for one in benches if name in (None, one.id)]
    if len(found) == 1:
        return found[0]
    accepted = ", ".join(one.id for one in benches)
    refuse(f"--bench: got {name!r}, accepted are {accepted}")


def _print(bench: str, series: HolderSeries) -> None:
    limit = "no limit" if series.limit_um is None else f"limit {series.limit_um:g} µm"
    state = "ABOVE it beyond doubt: " + WHAT_TO_DO if series.above else "not above it"
    typer.echo(
        f"bench {bench}, position {series.position}: {series.first_clampings} first clampings"
        f" since the holder was put in; {limit}"
        + ("" if series.limit_um is None else f", {state}")
    )
    for point in series.points:
        typer.echo(
            f"  {point.number:>6}  {point.at}  {point.share_um:6.2f}"
            f" ± {point.uncertainty_um:.2f} µm TIR"
        )


def _why_none(one: BenchConfig, found: Sequence[HolderSeries]) -> str:
    if one.section.capture.proof not in DIRECTED:
        return f"bench {one.id}: no direction without an index or an encoder"
    if not found:
        return f"bench {one.id}: no first clamping since the holder was put in"
    return f"bench {one.id}: too few first clampings to tell, at least {LEAST_SHOWN}"
