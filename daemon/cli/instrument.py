"""``reclamp instrument …``: the register of what measures here."""

import json
from typing import Annotated, Any, get_args

import typer

from daemon.cli.answers import reported
from daemon.cli.asking import (
    DEFAULT_FILE,
    AsJson,
    BenchFile,
    BenchName,
    Reason,
    Role,
    ask_service,
)  # fmt: skip
from daemon.cli.stored import StoreFile, store_path
from daemon.clock import SystemClock
from daemon.instrument_commands import listed
from daemon.messages import InstrumentKind
from daemon.store.instruments import with_uses
from daemon.store.read_only import reading_only

__all__ = ["instrument_app"]

instrument_app = typer.Typer(
    help="The register of indicators, pins, holders, masters, tools.", no_args_is_help=True
)

_KINDS: tuple[str, ...] = get_args(InstrumentKind)
_Name = Annotated[str, typer.Argument(metavar="ID", help="As engraved or labelled.")]


@instrument_app.command("add")
def instrument_add(
    name: _Name,
    role: Role,
    kind: Annotated[
        str | None, typer.Option(help=f"The first time: {', '.join(_KINDS)}.")
    ] = None,
    certificate: Annotated[str, typer.Option(help="Number of its certificate.")] = "",
    due: Annotated[
        str | None, typer.Option(help="Last day in date, 2027-11-30; left out: none is due.")
    ] = None,
    form_um: Annotated[
        str | None, typer.Option(help="Roundness of a pin, by its certificate.")
    ] = None,
    tir_um: Annotated[str | None, typer.Option(help="Run-out of a master.")] = None,
    uncertainty_um: Annotated[
        str | None, typer.Option(help="U (k = 2) of run-out or height.")
    ] = None,
    height_um: Annotated[str | None, typer.Option(help="Height of a gauge block.")] = None,
    diameter_mm: Annotated[str | None, typer.Option(help="Of a pin.")] = None,
    gripping_length_mm: Annotated[
        str | None, typer.Option(help="How much of a pin is there to be gripped.")
    ] = None,
    measuring_force_mn: Annotated[
        int | None, typer.Option(min=0, help="Of an indicator, in millinewtons.")
    ] = None,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Enter an instrument, or a new certificate of a known one; earlier entries stay."""
    given = {
        "id": name, "kind": kind, "certificate": certificate, "due": due, "form_um": form_um,
        "tir_um": tir_um, "uncertainty_um": uncertainty_um, "diameter_mm": diameter_mm,
        "gripping_length_mm": gripping_length_mm, "measuring_force_mn": measuring_force_mn,
        "height_um": height_um,
    }  # fmt: skip
    entry = {key: value for key, value in given.items() if value is not None}
    ask_service(config, bench, "instrument-add", as_json, role=role, instrument=entry)


@instrument_app.command("withdraw")
def instrument_withdraw(
    name: _Name,
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Take an instrument out of use; a new certificate brings it back."""
    ask_service(
        config, bench, "instrument-withdraw", as_json, reason=reason, role=role,
        instrument={"id": name},
    )  # fmt: skip


@instrument_app.command("clock-right")
def instrument_clock_right(
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Say that the bench's clock stands right, where the record says that it can't."""
    ask_service(config, bench, "instrument-clock-right", as_json, reason=reason, role=role)


@instrument_app.command("list")
def instrument_list(
    config: BenchFile = DEFAULT_FILE, store: StoreFile = None, as_json: AsJson = False
) -> None:
    """List the register with the clampings, of a master the checks, that the record has."""
    with reported(), reading_only(store_path(config, store)) as db:
        found = listed(with_uses(db))
    if as_json:
        typer.echo(json.dumps(found, ensure_ascii=False))
        return
    if not found:
        typer.echo("no instrument is registered: nobody is told when one is overdue")
    today = SystemClock().utc().date().isoformat()
    for one in found:
        typer.echo(_line(one, today))


def _line(one: dict[str, Any], today: str) -> str:
    due = one["due"] or "no date"
    mark = "overdue" if one["due"] is not None and one["due"] < today else ""
    mark = "withdrawn" if one["withdrawn"] else mark
    shown = (
        "form_um",
        "tir_um",
        "height_um",
        "uncertainty_um",
        "diameter_mm",
        "gripping_length_mm",
    )
    values = [
        f"{key.rpartition('_')[0].replace('_', ' ')} {one[key]:g} {key.rpartition('_')[2]}"
        for key in shown
        if key in one
    ]
    if "measuring_force_mn" in one:
        values.append(f"force {one['measuring_force_mn']} mN")
    what = "checks" if "checks" in one else "clampings"
    text = (
        f"{one['kind']:<16} {one['id']:<12} due {due:<10}  {one[what]:>6} {what:<9}  "
        f"{mark:<9}  {', '.join(values)}"
    )
    return text.replace(" um", " µm").rstrip()
