"""The page over HTTP: files, a stream of server-sent events, sweeps, status. Read-only."""

import hashlib
from collections.abc import Awaitable, Callable
from pathlib import Path

from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from daemon.board.hub import Hub

_Endpoint = Callable[[Request], Awaitable[Response]]

__all__ = ["STATIC", "application", "build_of"]

STATIC = Path(__file__).parent / "static"

_HEADERS = {
    # nothing inline, nothing from elsewhere, nothing to frame or to send
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


class _Headers:
    """Set the security headers on every answer, errors included."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-cache")
            await send(message)

        await self._app(scope, receive, send_guarded)


def build_of(folder: Path) -> str:
    """Return a short hash over the page's files."""
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            digest.update(path.relative_to(folder).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def application(hub: Hub, allowed_hosts: list[str]) -> Starlette:
    """Return the ASGI application.

    Args:
        hub: Where the viewers' streams come from.
        allowed_hosts: Host names that a request may carry; ``["*"]`` for any. On loopback it
            is loopback only, so that no page from elsewhere reaches the board by a name.
    """
    return Starlette(
        routes=[
            Route("/", _index),
            Route("/events", _events(hub)),
            Route("/status.json", _status(hub)),
            Route("/sweeps/{bench}", _sweeps(hub)),
            Mount("/static", StaticFiles(directory=STATIC)),
        ],
        middleware=[
            Middleware(_Headers),
            Middleware(TrustedHostMiddleware, allowed_hosts=allowed_hosts),
        ],
    )


async def _index(_request: Request) -> Response:
    return FileResponse(STATIC / "index.html", media_type="text/html")


def _events(hub: Hub) -> _Endpoint:
    async def events(request: Request) -> Response:
        headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
        if request.method == "HEAD":
            return Response(media_type="text/event-stream", headers=headers)
        return StreamingResponse(hub.stream(), media_type="text/event-stream", headers=headers)

    return events


def _status(hub: Hub) -> _Endpoint:
    async def status(_request: Request) -> Response:
        return JSONResponse(hub.status(), headers={"cache-control": "no-store"})

    return status


def _sweeps(hub: Hub) -> _Endpoint:
    async def sweeps(request: Request) -> Response:
        found = hub.shop.sweeps(request.path_params["bench"])
        if found is None:
            return JSONResponse({"error": "no such bench"}, status_code=404)
        headers = {"cache-control": "no-store"}
        return Response(found, media_type="application/json", headers=headers)

    return sweeps
