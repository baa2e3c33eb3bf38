"""``reclamp simulate``: an indicator that is not there, for an integrator's tests."""

import asyncio
import json
from pathlib import Path
from typing import Annotated

import typer

from daemon.broker import Broker, parse_url
from daemon.cli.answers import refuse, reported
from daemon.cli.line_options import line_of_file, line_of_options
from daemon.clock import SystemClock
from daemon.simulate import command
from daemon.simulate.far_end import FarEnd

__all__ = ["simulate"]

Chance = Annotated[float, typer.Option(min=0, max=1, help="Chance for each frame.")]


def simulate(
    target: Annotated[
        str,
        typer.Argument(help="Wire pattern, bench of the demo (b1, b2), or bench file (.toml)."),
    ],
    port: Annotated[
        str, typer.Option(help="pty:NAME, tcp:[HOST:]PORT or rfc2217:[HOST:]PORT.")
    ] = "pty:indicator",
    line: Annotated[str | None, typer.Option(help="Line of the bench file.")] = None,
    option: Annotated[
        list[str] | None,
        typer.Option(help="KEY=VALUE of the driver; leaves the usual ones out."),
    ] = None,
    baud: Annotated[int | None, typer.Option(min=1, help="Own speed.")] = None,
    framing: Annotated[str | None, typer.Option(help="Own framing, e.g. 7E1.")] = None,
    sampled: Annotated[
        str | None,
        typer.Option(help="How pty and tcp are read, e.g. 9600-8N1; rfc2217 asks itself."),
    ] = None,
    signal: Annotated[
        list[str] | None, typer.Option(help="Contact on a modem line, e.g. dsr=index.")
    ] = None,
    rate: Annotated[
        int, typer.Option(min=1, max=1000, help="Frames a second, where it sends by itself.")
    ] = 20,
    noise: Chance = 0.0,
    lost_byte: Chance = 0.0,
    flipped_bit: Chance = 0.0,
    cut: Chance = 0.0,
    silence: Chance = 0.0,
    repeat: Chance = 0.0,
    at: Annotated[
        list[str] | None,
        typer.Option(
            help="SECONDS=WORD: unplug, plug, freeze, thaw, switch-unit, switch-back, "
            "silence, speak, stop."
        ),
    ] = None,
    control: Annotated[
        bool, typer.Option(help="Take these words from standard input too.")
    ] = False,
    mqtt: Annotated[
        str | None,
        typer.Option(help="Broker whose prompt and lamps lead; else its own truth does."),
    ] = None,
    bench: Annotated[str, typer.Option(help="Bench id on that broker.")] = "b1",
    root: Annotated[str, typer.Option(help="First part of its topics.")] = "reclamp",
    pieces: Annotated[int, typer.Option(min=1, max=10_000, help="Pieces in the tray.")] = 120,
    seed: Annotated[int, typer.Option(help="Seed of all chance.")] = 1,
    speed: Annotated[
        float, typer.Option(min=0.1, max=1000, help="Bench seconds a real second.")
    ] = 1.0,
    seconds: Annotated[
        float | None, typer.Option(min=0, help="Bench seconds after which it ends.")
    ] = None,
    record: Annotated[
        Path | None, typer.Option(help="Write all that goes over the line to this new file.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option(help="Write what really happens to this file, JSON lines.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="JSON lines.")] = False,
) -> None:
    """Simulate a bench's indicator on a pseudo-terminal, a TCP port or an RFC 2217 port.

    The whole bench is behind it: collets, spindle, operator. Behind RFC 2217 bytes come as
    the client's own speed and framing make them, and index and foot switch on modem lines.
    """
    with reported():
        try:
            broker = _broker(mqtt)
            faults = command.LineFaults(noise, lost_byte, flipped_bit, cut, silence, repeat)
            words = command.read_words(port, sampled, signal or [], at or [])
        except ValueError as error:
            refuse(str(error))
        if target.endswith(".toml"):
            if option or baud or framing:
                refuse("--option, --baud, --framing: with a bench file it says these")
            heard = line_of_file(Path(target), line)
            asked = command.of_file(heard.config, heard.settings)
        else:
            if line is not None:
                refuse("--line: accepted with a bench file only")
            pattern, usual = command.pattern_of(target)
            values = {"port": "simulated", "baud": baud, "framing": framing}
            heard = line_of_options(values, pattern, option or command.as_options(usual))
            asked = command.of_pattern(heard.config, heard.settings, target)
        wanted = command.wanted(asked, words, faults, rate, seed, pieces)
        around = command.Around(broker, root, bench, truth, record, control)
        ended = asyncio.run(
            command.run(
                wanted, around, SystemClock(speed), seconds,
                lambda end: _say_ready(wanted, end, as_json=as_json),
            )
        )  # fmt: skip
    if as_json:
        typer.echo(json.dumps(ended))
    else:
        typer.echo(f"{ended['frames']} frames in {ended['bench_s']} s")


def _broker(url: str | None) -> Broker | None:
    if url is None:
        return None
    host, port, tls, user = parse_url(url)
    return Broker(host, port, username=user, tls=tls)


def _say_ready(wanted: command.Wanted, end: FarEnd, *, as_json: bool) -> None:
    if as_json:
        table = command.as_toml(wanted, end.url)
        typer.echo(json.dumps({"ready": wanted.pattern, "port": end.url, "line": table}))
    else:
        typer.echo(f"# {wanted.pattern}, seed {wanted.seed}; Ctrl-C ends. It is read by:")
        typer.echo(command.as_toml(wanted, end.url), nl=False)
