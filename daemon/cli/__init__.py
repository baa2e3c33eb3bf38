"""The command line. Exit codes: 0 fine, 1 the answer is no, 2 wrong use, 3 could not do it."""

import typer

from daemon.cli import (
    alarm,
    bench_files,
    board,
    delay,
    demo,
    drivers,
    explain,
    holder,
    instrument,
    lot,
    master,
    piece,
    ports,
    questions,
    recognise,
    recompute,
    report,
    schema,
    separation,
    service,
    simulate,
    store,
    watch,
)

app = typer.Typer(
    name="reclamp",
    help="Inspection-bench service for spring collets: readings in, graded pieces out.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

app.command("demo")(demo.demo)
app.command("run")(service.run)
app.command("check")(bench_files.check)
app.command("explain")(explain.explain)
app.command("ports")(ports.ports)
app.command("listen")(ports.listen)
app.command("recognise")(recognise.recognise)
app.command("simulate")(simulate.simulate)
app.command("board")(board.board)
app.command("watch")(watch.watch)
app.command("recompute")(recompute.recompute)
app.command("schema")(schema.schema)
app.add_typer(drivers.driver_app, name="driver")
lot.lot_app.command("separation")(separation.lot_separation)
lot.lot_app.command("report")(report.lot_report)
app.add_typer(lot.lot_app, name="lot")
app.add_typer(lot.box_app, name="box")
app.add_typer(piece.piece_app, name="piece")
instrument.instrument_app.command("delay")(delay.instrument_delay)
app.add_typer(instrument.instrument_app, name="instrument")
app.add_typer(alarm.alarm_app, name="alarm")
store.store_app.command("ask")(questions.store_ask)
store.store_app.command("then")(questions.store_then)
app.add_typer(store.store_app, name="store")
app.add_typer(holder.holder_app, name="holder")
app.add_typer(master.master_app, name="master")
app.add_typer(master.hold_app, name="hold")


def main() -> None:
    """Run the command line."""
    app()
