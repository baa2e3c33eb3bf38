"""``reclamp lot …`` and ``reclamp box …``: the life of a lot, from opening to closing."""

from typing import Annotated, Any

import typer

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
    counts_by_name,
)  # fmt: skip

__all__ = ["box_app", "lot_app"]

lot_app = typer.Typer(help="The lot of a bench: open, order, close.", no_args_is_help=True)
box_app = typer.Typer(help="The boxes that stand in the bins.", no_args_is_help=True)


@lot_app.command("open")
def lot_open(
    code: Annotated[str, typer.Argument(help="Name of the lot; used once a bench.")],
    article: Annotated[str, typer.Option(help="What is in it.")],
    role: Role,
    quantity: Annotated[int | None, typer.Option(min=1, help="Pieces delivered.")] = None,
    order: Annotated[
        list[str] | None, typer.Option(help="GRADE=NUMBER, for each ordered grade.")
    ] = None,
    cells: Annotated[
        int | None, typer.Option(min=1, help="Numbered cells of the tray, from 1.")
    ] = None,
    seed: Annotated[
        str, typer.Option(help="Seed of the draws; left out, the service makes one.")
    ] = "",
    holder: Annotated[str, typer.Option(help="Master holder in use.")] = "",
    pin: Annotated[list[str] | None, typer.Option(help="Master pin in use.")] = None,
    pin_moves: Annotated[
        str | None, typer.Option(help="with-collet, with-holder or free, when it is rotated.")
    ] = None,
    torque_tool: Annotated[str, typer.Option(help="What the nut is tightened with.")] = "",
    torque_nmm: Annotated[
        int | None,
        typer.Option(min=1, help="Newton millimetres it is set to: 40000 are 40 N·m."),
    ] = None,
    bins_empty: Annotated[
        bool,
        typer.Option("--bins-empty", help="I looked: bins empty or boxes changed."),
    ] = False,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Open a lot; one at a time on a bench."""
    ask_service(
        config, bench, "lot-open", as_json, lot=code, article=article, role=role,
        quantity=quantity, order=counts_by_name(order or [], "--order"), holder=holder,
        pins=pin or [], pin_moves=pin_moves, bins_empty=bins_empty, cells=cells, seed=seed,
        torque_tool=torque_tool, torque_nmm=torque_nmm,
    )  # fmt: skip


@lot_app.command("order")
def lot_order(
    grade: Annotated[str, typer.Argument(help="Grade of the rule file.")],
    quantity: Annotated[int, typer.Argument(min=0, help="Pieces ordered from now on.")],
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Raise or lower the order of a grade."""
    ask_service(
        config, bench, "lot-order", as_json, grade=grade, quantity=quantity, reason=reason,
        role=role,
    )  # fmt: skip


@lot_app.command("visual")
def lot_visual(
    finding: Annotated[str, typer.Argument(help="blemish, surface, burr or other.")],
    role: Role,
    pieces: Annotated[int, typer.Option(min=1, help="How many.")] = 1,
    cell: Annotated[
        int | None, typer.Option(min=1, help="Where it lay, if the cells are numbered.")
    ] = None,
    reason: Annotated[str, typer.Option(help="More about it, for the record.")] = "",
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Set pieces aside at visual inspection, before they reach the bench."""
    ask_service(
        config, bench, "lot-visual", as_json, finding=finding, pieces=pieces, reason=reason,
        role=role, cell=cell,
    )  # fmt: skip


@lot_app.command("cell")
def lot_cell(
    cell: Annotated[int, typer.Argument(min=1, help="The numbered cell.")],
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Record that a cell of the tray was found empty, so that the next one is asked for."""
    ask_service(config, bench, "lot-cell", as_json, cell=cell, reason=reason, role=role)


@lot_app.command("resume-sampling")
def lot_resume_sampling(
    article: Annotated[str, typer.Argument(help="Whose AQL sampling was discontinued.")],
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Record the corrective action after which an article is sampled again, tightened."""
    ask_service(
        config, bench, "lot-resume-sampling", as_json, article=article, reason=reason,
        role=role,
    )  # fmt: skip


@lot_app.command("rules")
def lot_rules(
    revision: Annotated[str, typer.Argument(help="Revision of the rule file as it is now.")],
    reason: Reason,
    role: Role,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Let the open lot go by the rule file as it is now, from the next piece on."""
    ask_service(
        config, bench, "lot-rules", as_json, revision=revision, reason=reason, role=role
    )


@lot_app.command("show")
def lot_show(
    config: BenchFile = DEFAULT_FILE, bench: BenchName = None, as_json: AsJson = False
) -> None:
    """Show the counts of the open lot."""
    data = ask_service(config, bench, "lot-show", as_json)
    if data is None or as_json:
        return
    if data["lot"] is not None:
        _print_lot(data)
    _print_rules(data["rules"])


@lot_app.command("close")
def lot_close(
    reason: Reason,
    role: Role,
    counted: Annotated[
        int | None, typer.Option(min=0, help="Unmeasured pieces counted in the tray.")
    ] = None,
    mismatch: Annotated[str, typer.Option(help="Why the lot does not add up.")] = "",
    unproved: Annotated[
        str, typer.Option(help="What becomes of a rest that is not proved.")
    ] = "",
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Close the open lot; what came in has to be accounted for, or a reason given."""
    data = ask_service(
        config, bench, "lot-close", as_json, reason=reason, role=role, counted=counted,
        mismatch=mismatch, unproved=unproved,
    )  # fmt: skip
    if data is not None and not as_json:
        for where, pieces in data["account"].items():
            if pieces:
                typer.echo(f"  {where:<14} {pieces}")


@box_app.command("change")
def box_change(
    bin_id: Annotated[str, typer.Argument(metavar="BIN", help="Which bin.")],
    label: Annotated[str, typer.Argument(help="Label of the box that stands there now.")],
    role: Role,
    capacity: Annotated[int | None, typer.Option(min=1, help="Pieces it holds.")] = None,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Put another box into a bin; pieces are known by their box until they are marked."""
    ask_service(
        config, bench, "box-change", as_json, bin=bin_id, box=label, capacity=capacity,
        role=role,
    )  # fmt: skip


@box_app.command("dispose")
def box_dispose(
    label: Annotated[str, typer.Argument(help="Label of the box, as 'hold list' has it.")],
    action: Action,
    reason: Reason,
    role: Role,
    grade: RegradedTo = None,
    config: BenchFile = DEFAULT_FILE,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Decide on a whole box: its pieces can't be told apart; their verdicts are kept."""
    ask_service(
        config, bench, "box-dispose", as_json, box=label, action=action, reason=reason,
        role=role, grade=grade,
    )  # fmt: skip


def _print_lot(data: dict[str, Any]) -> None:
    typer.echo(f"  {data['article']}, order {data['order_state']}")
    for grade in data["grades"]:
        ordered = f" of {grade['ordered']}" if grade["ordered"] is not None else ""
        typer.echo(f"  {grade['grade']:<14} {grade['put_away']}{ordered}   bin {grade['bin']}")
    for key in (
        "nonconforming", "hold", "pending", "open_pieces", "abandoned", "released",
        "scrapped", "concession", "set_aside",
        "unmeasured",
    ):  # fmt: skip
        if data[key] is not None:
            typer.echo(f"  {key.replace('_', ' '):<14} {data[key]}")
    if data["tray"] is not None and data["tray"]["next_cell"] is not None:
        tray = data["tray"]
        typer.echo(f"  {'tray':<14} {tray['cells']} cells, next {tray['next_cell']}")
    for box in data["boxes"]:
        holds = f" of {box['capacity']}" if box["capacity"] is not None else ""
        typer.echo(f"  {'box, bin ' + box['bin']:<14} {box['box']}: {box['pieces']}{holds}")
    if data["rest"] is not None and data["rest"]["text"]:
        typer.echo(f"  {data['rest']['text']}")
    if data["rest"] is not None and data["rest"]["what_next"]:
        typer.echo(f"  {data['rest']['what_next']}")
    for said in data["rest"]["assumptions"] if data["rest"] is not None else ():
        typer.echo(f"  assuming: {said}")


def _print_rules(rules: dict[str, Any]) -> None:
    typer.echo(f"  rules          {_named(rules['in_force'])}")
    if rules["next"] is not None:
        typer.echo(f"  next piece     {_named(rules['next'])}")
    if rules["file_fault"]:
        typer.echo(f"  rule file      not taken: {rules['file_fault']}")
    elif rules["file"] != (rules["next"] or rules["in_force"]):
        typer.echo(f"  rule file      {_named(rules['file'])}: for a new lot, or 'lot rules'")


def _named(state: dict[str, str]) -> str:
    return f"revision {state['revision']}, {state['sha256'][:12]}"
