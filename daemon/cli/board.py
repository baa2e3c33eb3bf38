"""``reclamp board``: the andon page of every bench on a broker."""

import asyncio
import logging
import secrets
import signal
import socket
from typing import Annotated

import typer

from daemon.board.serving import Board, open_socket, serve
from daemon.cli.broker_options import (
    BROKER_URL,
    BrokerUrl,
    CaFile,
    CertFile,
    KeyFile,
    PasswordFile,
    Root,
    broker_of,
    check_root,
)

__all__ = ["board"]

HTTP_PORT = 7365

_COULD_NOT = 3


def board(
    broker: BrokerUrl = BROKER_URL,
    root: Root = "reclamp",
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
    password_file: PasswordFile = None,
    ca_file: CaFile = None,
    cert_file: CertFile = None,
    key_file: KeyFile = None,
) -> None:
    """Serve the andon page: every bench on a broker, live in a browser, read-only."""
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    where = broker_of(broker, password_file, ca_file, cert_file, key_file)
    check_root(root)
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
