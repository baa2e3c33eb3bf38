"""How long a connection may take to end once the service is to stop."""

import asyncio
from collections.abc import Callable

__all__ = ["GOOD_BYE_S", "ended_in_time"]

GOOD_BYE_S = 2.0
"""Seconds that a broker has for lamps, last events and ``offline`` once the service stops."""

_LET_GO_S = 0.5


async def ended_in_time(
    life: asyncio.Task[None], stopping: asyncio.Event, give_up: Callable[[], None]
) -> bool:
    """Wait for the end of a connection; return False if it had to be given up.

    Args:
        life: The connection's task. Its own end is waited for as long as it takes, and what
            it raises is raised here.
        stopping: Set when the service is to stop: then it has ``GOOD_BYE_S`` left.
        give_up: Called before it is cancelled, so that it does not wait for its own good-bye.
    """
    stop = asyncio.create_task(stopping.wait())
    try:
        await asyncio.wait({life, stop}, return_when=asyncio.FIRST_COMPLETED)
        if not life.done():
            await asyncio.wait({life}, timeout=GOOD_BYE_S)
        if life.done():
            life.result()
            return True
    finally:
        stop.cancel()
        if not life.done():  # too slow, or this wait itself was cancelled
            give_up()
            life.cancel()
            await asyncio.wait({life}, timeout=_LET_GO_S)
    return False
