"""``reclamp ports`` and ``reclamp listen``: what is plugged in, and what it says."""

import asyncio
import json
import signal
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.heard import Shower
from daemon.cli.line_options import HeardLine, line_of_file, line_of_options
from daemon.clock import SystemClock
from daemon.listening import Listener
from daemon.port_listening import PortListening, Until, tell_modem
from daemon.port_survey import PortFound, survey
from daemon.recording import OF_A_BENCH, Entry, Recorder, read_recording

__all__ = ["listen", "ports"]

_NS_PER_S = 1_000_000_000
AsJson = Annotated[bool, typer.Option("--json", help="JSON, for programs.")]


def ports(
    further: Annotated[
        list[str] | None, typer.Argument(metavar="[PORT]…", help="Look at these paths too.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show what is plugged in: lasting names, who uses it, who may open it.

    Nothing is opened for that: opening a port would raise DTR and RTS.
    """
    try:
        found = survey(further=further or ())
    except OSError as error:
        refuse(f"{error.filename}: {error.strerror}; accepted is the path of a serial port")
    if as_json:
        typer.echo(json.dumps([_fields(port) for port in found], ensure_ascii=False))
        return
    if not found:
        typer.echo("no serial port: is the adapter plugged in?")
    for port in found:
        _print_port(port)


def _fields(port: PortFound) -> dict[str, object]:
    return {
        "path": port.path,
        "use": port.best_name,
        "why": port.why_that_name,
        "by_id": list(port.by_id),
        "by_path": list(port.by_path),
        "adapter": port.adapter.about,
        "usb": _usb(port) or None,
        "serial_number": port.adapter.serial_number or None,
        "is_free": port.is_free,
        "users": [{"pid": user.pid, "command": user.command} for user in port.users],
        "may_open": port.access.may_open,
        "group": port.access.group or None,
        "hint": port.access.hint or None,
    }


def _usb(port: PortFound) -> str:
    adapter = port.adapter
    if adapter.vendor_id is None or adapter.product_id is None:
        return ""
    return f"{adapter.vendor_id:04x}:{adapter.product_id:04x}"


def _print_port(port: PortFound) -> None:
    about = [port.adapter.about, _usb(port), port.adapter.serial_number]
    typer.echo("  ".join(part for part in [port.path, *about] if part))
    for name in (*port.by_id, *port.by_path):
        typer.echo(f"  {name}")
    typer.echo(f"  name for the bench file: {port.best_name} ({port.why_that_name})")
    if port.is_free:
        typer.echo("  free")
    elif port.is_free is None:
        typer.echo("  free as far as can be seen; other users' processes can't (try with sudo)")
    else:
        users = ", ".join(f"{user.command or '?'} (process {user.pid})" for user in port.users)
        typer.echo(f"  in use by {users or 'a process that can not be seen'}")
    typer.echo(f"  {port.access.hint or 'you may open it'}")


def listen(
    port: Annotated[
        str | None, typer.Argument(help="Device path, socket:// or rfc2217:// URL.")
    ] = None,
    driver: Annotated[
        str | None, typer.Option(help="Driver name or FILE.py:NAME; plain bytes without.")
    ] = None,
    option: Annotated[
        list[str] | None,
        typer.Option(help="A driver option as KEY=VALUE, the value as in a bench file."),
    ] = None,
    config: Annotated[
        Path | None, typer.Option(help="Take port, driver and options from this bench file.")
    ] = None,
    line: Annotated[str | None, typer.Option(help="Line id in it, or in a recording.")] = None,
    baud: Annotated[int | None, typer.Option(help="Speed; 9600 unless said.")] = None,
    framing: Annotated[str | None, typer.Option(help="8N1, 7E1, ….")] = None,
    dtr: Annotated[bool, typer.Option(help="Level of DTR from before opening.")] = True,
    rts: Annotated[bool, typer.Option(help="Level of RTS from before opening.")] = True,
    seconds: Annotated[float | None, typer.Option(min=0.1, help="Stop after.")] = None,
    count: Annotated[int | None, typer.Option(min=1, help="Stop after readings.")] = None,
    record: Annotated[Path | None, typer.Option(help="Write a recording here.")] = None,
    replay: Annotated[
        Path | None, typer.Option(help="Hear a recording instead of a port.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Show live readings, bad frames with reason and bytes, rate, jitter and line states.

    A driver that polls asks; without a driver nothing is ever sent. Ctrl-C ends it.
    Exit 0 if something came (a reading, where there is a driver), 1 if nothing did.
    """
    _check_use(port, config, replay, record)
    if config is not None and (driver or option or baud or framing):
        refuse("--config and --driver, --option, --baud or --framing: accepted is one of them")
    given = {"port": port or str(replay), "baud": baud, "framing": framing}
    with reported():
        if config is not None:
            heard_line = line_of_file(config, line)
        else:
            levels = {"dtr": dtr, "rts": rts}
            heard_line = line_of_options({**given, **levels}, driver, option or ())
        listener = _listener(heard_line)
        shower = Shower(as_json)
        if replay is not None:
            _replay(replay, line, listener, shower, count)
        else:
            until = Until(seconds, count)
            asyncio.run(_hear(heard_line, listener, shower, until, record))
    shower.tally(listener.tally, with_driver=listener.decodes)
    if not listener.count:
        raise typer.Exit(ANSWER_IS_NO)


def _check_use(
    port: str | None, config: Path | None, replay: Path | None, record: Path | None
) -> None:
    if port is not None and config is not None:
        refuse("PORT and --config: accepted is one of them")
    if port is not None and replay is not None:
        refuse("PORT and --replay: accepted is one of them")
    if port is None and config is None and replay is None:
        refuse("accepted is PORT, --config BENCH.toml or --replay FILE")
    if replay is not None and record is not None:
        refuse("--record and --replay: accepted is one of them")


def _listener(heard_line: HeardLine) -> Listener:
    section = heard_line.config.section
    return Listener(
        heard_line.make,
        every_ns=round(section.request_every_s * _NS_PER_S),
        answer_ns=round(section.answer_wait_s * _NS_PER_S),
    )


async def _hear(
    heard_line: HeardLine, listener: Listener, shower: Shower, until: Until, record: Path | None
) -> None:
    stop = asyncio.Event()
    for sign in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(sign, stop.set)
    recorder = Recorder(record) if record is not None else None
    try:
        hearing = PortListening(listener, shower, SystemClock(), recorder)
        await hearing.run(heard_line.config.section, heard_line.settings, until, stop)
    finally:
        if recorder is not None:
            recorder.close()


def _replay(
    path: Path, line: str | None, listener: Listener, shower: Shower, count: int | None
) -> None:
    for entry in entries_of_line(path, line):
        if entry.what in ("opened", "lost"):
            shower.event(entry.at_ns, entry.what, entry.text)
        if (modem := entry.modem_event()) is not None:
            tell_modem(modem, shower)
        for heard in listener.replay(entry):
            shower.heard(heard)
        if count is not None and listener.count >= count:
            return


def entries_of_line(path: Path, line: str | None) -> list[Entry]:
    """Return the entries of one line of a recording; refuse if it is not clear which."""
    entries = [entry for entry in read_recording(path) if entry.what not in OF_A_BENCH]
    lines = sorted({entry.where for entry in entries})
    if line is None and len(lines) > 1:
        refuse(f"{path} holds several lines; accepted is --line with one of {', '.join(lines)}")
    if line is not None and line not in lines:
        refuse(f"--line {line}: {path} holds {', '.join(lines) or 'no line'}")
    return [entry for entry in entries if line in (None, entry.where)]
