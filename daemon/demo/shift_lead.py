"""What the lead of the demo's shift does: commands over MQTT as anybody's, each thing once."""

import asyncio
import contextlib
import json
from collections.abc import Awaitable, Callable
from datetime import timedelta
from itertools import count

from daemon.broker import MqttError, Session
from daemon.clock import SystemClock, rfc3339
from daemon.errors import BrokerError
from daemon.messages import Reply

_REPLY_WAIT_S = 10.0
_EXPIRES_AFTER = timedelta(minutes=5)


class Lead:
    """Asks, and does things once.

    Attributes:
        session: The connection; None while the broker is gone.
        done: Names of what was begun.
    """

    def __init__(self, root: str, write: Callable[[str], None]) -> None:
        self.session: Session | None = None
        self.done: set[str] = set()
        self._root = root
        self._write = write
        self._ids = count(1)
        self._replies: dict[str, Reply] = {}
        self._tasks: set[asyncio.Task[None]] = set()

    def say(self, bench: str, text: str) -> None:
        """Tell what happens at a bench."""
        self._write(f"{bench}  --- {text}")

    def do(self, name: str, act: Callable[[], Awaitable[None]]) -> None:
        """Do something once; what fails in it is raised by ``look_after``."""
        if name not in self.done:
            self.done.add(name)
            self._tasks.add(asyncio.ensure_future(act()))

    def look_after(self) -> None:
        """Raise what failed in anything that was begun: it ends the shift."""
        for task in [task for task in self._tasks if task.done()]:
            self._tasks.remove(task)
            task.result()

    def heard(self, reply: Reply) -> None:
        """Take a reply."""
        self._replies[reply.id] = reply

    async def ask(self, bench: str, command: str, **values: object) -> Reply:
        """Send a command as anybody may, and wait for its reply.

        Raises:
            BrokerError: If none comes.
        """
        name = f"shift-{next(self._ids)}"
        expires = rfc3339(SystemClock().utc() + _EXPIRES_AFTER)
        body = json.dumps({"id": name, "command": command, "expires": expires, **values})
        if self.session is not None:
            with contextlib.suppress(MqttError):
                await self.session.publish(f"{self._root}/{bench}/command", body)
        for _ in range(round(_REPLY_WAIT_S / 0.02)):
            if name in self._replies:
                return self._replies[name]
            await asyncio.sleep(0.02)
        raise BrokerError(f"no reply to {command}")
