"""``reclamp board``: the andon page of every bench on a broker."""

import asyncio
import logging
import secrets
import signal
import socket
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from daemon.board.serving import Board, open_socket, serve
from daemon.broker import Broker, parse_url

__all__ = ["board"]

HTTP_PORT = 7365

_WRONG_USE = 2
_COULD_NOT = 3


def board(
    broker: Annotated[
        str, typer.Option(help="Where the benches publish: mqtt://HOST[:PORT], mqtts://…")
    ] = "mqtt://127.0.0.1:1883",
    root: Annotated[str, typer.Option(help="First level of the benches' topics.")] = "reclamp",
    host: Annotated[
        str, typer.Option(help="Address to listen at; 0.0.0.0 for the whole network.")
    ] = "127.0.0.1",
    http_port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port of the page; 0 for any free one.")
    ] = HTTP_PORT,
    distance_m: Annotated[
        float, typer.Option(min=0.3, max=50, help="From the screen to the eye, in metres.")
    ] = 6.0,
    screen_in: Annotated[
        float, typer.Option(min=3, max=400, help="Diagonal of the screen, in inch.")
    ] = 43.0,
    client_id: Annotated[
        str | None, typer.Option(help="MQTT client id; by default a new one each time.")
    ] = None,
    password_file: Annotated[
        Path | None, typer.Option(help="File with the password of the URL's user.")
    ] = None,
    ca_file: Annotated[Path | None, typer.Option(help="The broker's CA, for mqtts://.")] = None,
    cert_file: Annotated[Path | None, typer.Option(help="Client certificate.")] = None,
    key_file: Annotated[Path | None, typer.Option(help="Its private key.")] = None,
) -> None:
    """Serve the andon page: every bench on a broker, live in a browser, read-only."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    where = _broker(broker, password_file, ca_file, cert_file, key_file)
    if not root or any(sign in root for sign in "+#") or root.endswith("/"):
        _refuse(f"--root {root!r}: accepted is a topic without + and #, e.g. reclamp")
    try:
        listening = open_socket(host, http_port)
    except OSError as error:
        typer.echo(f"can't listen at {host} port {http_port}: {error.strerror}", err=True)
        raise typer.Exit(_COULD_NOT) from error
    identifier = client_id or f"reclamp-board-{secrets.token_hex(4)}"
    shown = Board(where, root, identifier, distance_m, screen_in)
    asyncio.run(_until_stopped(shown, listening))


async def _until_stopped(shown: Board, listening: socket.socket) -> None:
    """Serve until SIGINT or SIGTERM; both are the ordinary way to end it."""
    stop = asyncio.Event()
    for sign in (signal.SIGINT, signal.SIGTERM):
        asyncio.get_running_loop().add_signal_handler(sign, stop.set)
    await serve(shown, listening, stop, on_ready=_say)


def _say(url: str) -> None:
    typer.echo(f"board at {url}")


def _broker(
    url: str,
    password_file: Path | None,
    ca_file: Path | None,
    cert_file: Path | None,
    key_file: Path | None,
) -> Broker:
    try:
        host, port, tls, user = parse_url(url)
    except ValueError as error:
        _refuse(f"--broker: {error}")
    files = {
        "--password-file": password_file,
        "--ca-file": ca_file,
        "--cert-file": cert_file,
        "--key-file": key_file,
    }
    for option, path in files.items():
        if path is not None and not path.is_file():
            _refuse(f"{option} {path}: no such file")
    if not tls and (ca_file or cert_file or key_file):
        _refuse("--ca-file, --cert-file and --key-file need --broker mqtts://…")
    return Broker(
        host,
        port,
        username=user,
        password_file=password_file,
        tls=tls,
        ca_file=ca_file,
        cert_file=cert_file,
        key_file=key_file,
    )


def _refuse(what: str) -> NoReturn:
    typer.echo(what, err=True)
    raise typer.Exit(_WRONG_USE)
