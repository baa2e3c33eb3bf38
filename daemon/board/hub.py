"""What all viewers share: the shop, the clock, and the pulse that says "something changed"."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

from daemon.board.bench_view import Moment
from daemon.board.shop import Shop

__all__ = ["BEAT_S", "Hub", "Setup"]

BEAT_S = 1.0
"""A page that misses five of these says by itself that it has no data."""

GATHER_S = 0.04
"""A verdict brings four messages at once; they leave as one patch."""


@dataclass(frozen=True, slots=True)
class Setup:
    """How the page is to be drawn.

    Attributes:
        distance_m: From the screen to the eye.
        screen_in: Diagonal of the screen in inch.
        build: Hash of the page's own files: a page of an older build loads itself anew.
        broker: Host and port, for people.
    """

    distance_m: float
    screen_in: float
    build: str
    broker: str


class Hub:
    """Wakes every viewer when the shop has changed; each then fetches what it lacks.

    Attributes:
        viewers: How many streams are open.
        trouble: Why there is no broker, for people; empty while there is one.
    """

    def __init__(self, shop: Shop, setup: Setup, now: Callable[[], Moment]) -> None:
        self.shop = shop
        self.setup = setup
        self.now = now
        self.viewers = 0
        self.trouble = ""
        self._closed = False
        self._pulse = asyncio.Event()
        self._timer: asyncio.TimerHandle | None = None

    def changed(self) -> None:
        """Wake the viewers soon; many calls in a row make one pulse."""
        if self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(GATHER_S, self._fire)

    def close(self) -> None:
        """End every stream; safe to call from a signal handler."""
        self._closed = True
        self._pulse.set()

    async def stream(self) -> AsyncIterator[bytes]:
        """Yield server-sent events for one viewer: hello, patches, and a beat each second."""
        self.viewers += 1
        try:
            yield _event("hello", self._hello())
            async for event in self._news():
                yield event
        finally:
            self.viewers -= 1

    async def _news(self) -> AsyncIterator[bytes]:
        seen = 0
        next_beat_s = 0.0
        while not self._closed:
            pulse = self._pulse
            patch = self.shop.since(seen)
            if patch is not None:
                seen = self.shop.version
                yield _event("patch", patch)
            now = self.now()
            if now.mono_s >= next_beat_s:
                next_beat_s = now.mono_s + BEAT_S
                yield _event("beat", self._beat(now))
            await _wait(pulse, next_beat_s - self.now().mono_s)

    def _fire(self) -> None:
        self._timer = None
        pulse, self._pulse = self._pulse, asyncio.Event()
        if self._closed:
            self._pulse.set()
        pulse.set()

    def status(self) -> dict[str, object]:
        """Return what a monitor of the board itself may want to know."""
        return {
            "broker": self.setup.broker,
            "is_up": self.shop.session.ended is None,
            "trouble": self.trouble,
            "benches": self.shop.bench_count,
            "viewers": self.viewers,
            "received": self.shop.received,
            "ignored": self.shop.ignored,
            "last_ignored": self.shop.last_ignored,
        }

    def _hello(self) -> bytes:
        setup = self.setup
        hello = {
            "build": setup.build,
            "distance_m": setup.distance_m,
            "screen_in": setup.screen_in,
        }
        return json.dumps(hello).encode()

    def _beat(self, now: Moment) -> bytes:
        session = self.shop.session
        beat = {
            "now_s": round(now.mono_s, 3),
            "broker": self.setup.broker,
            "is_up": session.ended is None,
            "lost": session.ended and session.ended.utc.isoformat(timespec="seconds"),
            "trouble": self.trouble,
            "ignored": self.shop.ignored,
        }
        return json.dumps(beat).encode()


def _event(name: str, data: bytes) -> bytes:
    return b"event: %s\ndata: %s\n\n" % (name.encode(), data)


async def _wait(pulse: asyncio.Event, wait_s: float) -> None:
    try:
        async with asyncio.timeout(max(wait_s, 0.0)):
            await pulse.wait()
    except TimeoutError:
        pass
