"""Waiting on the event loop: for what happens, and for the time at which to say it again."""

import asyncio


class Beat:
    """Tells when something is to be said again, however much is said in between."""

    def __init__(self, every_s: float) -> None:
        """Begin now; due first after ``every_s`` real seconds."""
        self._every_s = every_s
        self._due_s = asyncio.get_running_loop().time() + every_s

    @property
    def wait_s(self) -> float:
        """Return how long until it is due, 0 when it is."""
        return max(0.0, self._due_s - asyncio.get_running_loop().time())

    def is_due(self) -> bool:
        """Return whether it is due now; if so, it is due again a whole time later."""
        if self.wait_s > 0:
            return False
        self._due_s = asyncio.get_running_loop().time() + self._every_s
        return True


async def happened(event: asyncio.Event, within_s: float) -> bool:
    """Return whether the event came within the time."""
    try:
        async with asyncio.timeout(within_s):
            await event.wait()
    except TimeoutError:
        return False
    return True
