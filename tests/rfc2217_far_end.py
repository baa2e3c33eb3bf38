"""An indicator behind RFC 2217, with a UART at either end of its wire, for tests."""

import asyncio
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import cycle

import pytest

from daemon.modem_lines import ModemLine
from daemon.simulate.rfc2217_end import Rfc2217End
from drivers import LineSettings

__all__ = ["behind_rfc_2217", "old_thread_calls"]

_EVERY_S = 0.02

old_thread_calls = pytest.mark.filterwarnings(
    "ignore:set(Daemon|Name):DeprecationWarning",  # pyserial's own thread of rfc2217://
)


@contextmanager
def behind_rfc_2217(
    frames: Sequence[bytes],
    own: LineSettings,
    contact: ModemLine | None = None,
    frames_a_level: int = 15,
) -> Iterator[str]:
    """Serve an indicator that sends fifty frames a second; yield its URL.

    Args:
        frames: What it sends, again and again.
        own: How it sends.
        contact: A modem line that changes its level all the time.
        frames_a_level: How many frames a level of it lasts.
    """
    url: list[str] = []
    ready, stop = threading.Event(), threading.Event()

    async def serve() -> None:
        end = Rfc2217End("127.0.0.1", 0, own)
        end.plug(lambda data: None)
        url.append(end.url)
        ready.set()
        for number, frame in enumerate(cycle(frames)):
            if stop.is_set():
                break
            if contact is not None:
                end.set_line(contact, number // frames_a_level % 2 == 1)
            end.write(frame)
            await asyncio.sleep(_EVERY_S)
        end.unplug()

    thread = threading.Thread(target=asyncio.run, args=(serve(),))
    thread.start()
    assert ready.wait(5)
    try:
        yield url[0]
    finally:
        stop.set()
        thread.join()
