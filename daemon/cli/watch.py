"""``reclamp watch``: every bench on a broker, in the terminal."""

import asyncio
import contextlib
import json
import secrets
from datetime import UTC, datetime
from time import monotonic
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.broker import Broker
from daemon.cli.answers import refuse
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

if TYPE_CHECKING:
    from rich.text import Text

__all__ = ["watch"]

_REDRAW_S = 0.5
_ONCE_S = 6.0
"""A live bench says its state within five seconds; what is only retained may be old."""


def watch(
    broker: BrokerUrl = BROKER_URL,
    root: Root = "reclamp",
    password_file: PasswordFile = None,
    ca_file: CaFile = None,
    cert_file: CertFile = None,
    key_file: KeyFile = None,
    once: Annotated[
        bool, typer.Option(help="Show it once, after six seconds, and end.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="With --once: as JSON.")] = False,
) -> None:
    """Show every bench on a broker in the terminal: the board's truth without a browser."""
    where = broker_of(broker, password_file, ca_file, cert_file, key_file)
    check_root(root)
    if as_json and not once:
        refuse("--json: goes with --once")
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(_watch(where, root, once=once, as_json=as_json))


async def _watch(broker: Broker, root: str, *, once: bool, as_json: bool) -> None:
    from rich.console import Console
    from rich.live import Live

    from daemon.board.bench_view import Moment
    from daemon.board.feed import follow
    from daemon.board.hub import Hub, Setup
    from daemon.board.shop import Shop
    from daemon.watching import Seen, screen, snapshot

    def now() -> Moment:
        return Moment(monotonic(), datetime.now(UTC))

    hub = Hub(Shop(root, now()), Setup(1, 1, "", broker.name), now)
    feed = asyncio.create_task(follow(hub, broker, f"reclamp-watch-{secrets.token_hex(4)}"))
    console = Console()

    def shown(height: int | None) -> "Text":
        seen = Seen(monotonic(), datetime.now().astimezone(), console.width, height)
        is_up = hub.shop.session.ended is None
        return screen(snapshot(hub.shop), broker.name, hub.trouble, is_up, seen)

    try:
        if once:
            await asyncio.sleep(_ONCE_S)
            if as_json:
                found = snapshot(hub.shop)
                console.file.write(json.dumps(found, ensure_ascii=False) + "\n")
            else:
                console.print(shown(None), highlight=False)
            return
        with Live(console=console, screen=True, auto_refresh=False) as live:
            while not feed.done():
                live.update(shown(console.height), refresh=True)
                await asyncio.sleep(_REDRAW_S)
    finally:
        feed.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await feed
