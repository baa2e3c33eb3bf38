"""The board as a whole: a listening socket, the HTTP server, and the way to the broker."""

import asyncio
import ipaddress
import logging
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import uvicorn

from daemon.board.bench_view import Moment
from daemon.board.feed import follow
from daemon.board.hub import Hub, Setup
from daemon.board.server import STATIC, application, build_of
from daemon.board.shop import Shop
from daemon.broker import Broker
from daemon.clock import Clock, SystemClock

__all__ = ["Board", "open_socket", "serve", "url_of"]

VIEWERS_MAX = 1000
"""Open connections; beyond them a new one is answered 503."""

GRACE_S = 3


@dataclass(frozen=True, slots=True)
class Board:
    """What to show, to whom, and how far away they stand.

    Attributes:
        broker: Where the benches publish.
        root: First level of their topics.
        identifier: MQTT client id; no other client may use it at the same time.
        distance_m: From the screen to the eye.
        screen_in: Diagonal of the screen in inch.
    """

    broker: Broker
    root: str
    identifier: str
    distance_m: float = 6.0
    screen_in: float = 43.0


class _Server(uvicorn.Server):
    """Says when it listens, and leaves the process's signals to whoever runs it."""

    def __init__(self, config: uvicorn.Config, on_ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._on_ready = on_ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._on_ready()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def open_socket(host: str, port: int) -> socket.socket:
    """Return a listening socket; port 0 takes any free one.

    Raises:
        OSError: If the address is not ours or the port is taken.
    """
    family, _, _, _, address = socket.getaddrinfo(
        host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )[0]
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(address)
        listening.listen(128)
    except OSError:
        listening.close()
        raise
    return listening


def url_of(listening: socket.socket) -> str:
    """Return the URL at which the page is to be had on this machine."""
    host, port = listening.getsockname()[:2]
    if ipaddress.ip_address(host).is_unspecified:
        host = socket.gethostname()
    return f"http://[{host}]:{port}/" if ":" in host else f"http://{host}:{port}/"


async def serve(
    board: Board,
    listening: socket.socket,
    stop: asyncio.Event,
    on_ready: Callable[[str], None] | None = None,
) -> None:
    """Serve until ``stop`` is set. Closes the socket.

    Args:
        board: What to show.
        listening: From ``open_socket``.
        stop: Set it to end every viewer's stream, and then the server.
        on_ready: Called once with the page's URL when it can be loaded.
    """
    hub = _hub(board, SystemClock())
    url = url_of(listening)
    server = _Server(_config(hub, listening), lambda: on_ready and on_ready(url))
    following = asyncio.create_task(follow(hub, board.broker, board.identifier))
    # a page that nobody keeps true any more must not stay up
    following.add_done_callback(lambda _: stop.set())
    stopping = asyncio.create_task(_stop(stop, hub, server))
    try:
        await server.serve(sockets=[listening])
    finally:
        for task in (following, stopping):
            task.cancel()
        ends = await asyncio.gather(following, stopping, return_exceptions=True)
        listening.close()
        for end in ends:
            if isinstance(end, Exception):
                raise end


async def _stop(stop: asyncio.Event, hub: Hub, server: uvicorn.Server) -> None:
    """End the streams first: each of them would hold the server."""
    await stop.wait()
    hub.close()
    server.should_exit = True


def _config(hub: Hub, listening: socket.socket) -> uvicorn.Config:
    logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
    return uvicorn.Config(
        application(hub, _allowed_hosts(listening)),
        lifespan="off",
        ws="none",
        log_config=None,
        access_log=False,
        server_header=False,
        limit_concurrency=VIEWERS_MAX,
        timeout_graceful_shutdown=GRACE_S,
    )


def _hub(board: Board, clock: Clock) -> Hub:
    def now() -> Moment:
        return Moment(clock.now_ns() / 1e9, clock.utc())

    setup = Setup(
        distance_m=board.distance_m,
        screen_in=board.screen_in,
        build=build_of(STATIC),
        broker=board.broker.name,
    )
    return Hub(Shop(board.root, now()), setup, now)


def _allowed_hosts(listening: socket.socket) -> list[str]:
    """Return loopback names for a loopback socket, any name else."""
    host = listening.getsockname()[0]
    if ipaddress.ip_address(host).is_loopback:
        return ["127.0.0.1", "localhost", host, f"[{host}]"]
    return ["*"]
