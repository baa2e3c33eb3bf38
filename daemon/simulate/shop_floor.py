"""What stands around a bench, over MQTT: the prompt, the bin lamps, the bins' sensors."""

import asyncio
import json
import sys
import uuid
from typing import Protocol

from daemon.broker import Broker, MqttError, Session, connected
from simulators.shown import LAMP_WORDS, LampWord

_RETRY_S = (0.2, 2.0)


class Viewer(Protocol):
    """Who looks at prompt and lamps."""

    def show_prompt(self, word: str, cell: int | None = None, text: str = "") -> None:
        """See the prompt's word, the tray cell it names, and its sentence."""

    def show_lamp(self, bin_id: str, word: LampWord) -> None:
        """See a lamp's word."""


class ShopFloor:
    """One bench's surroundings on a broker. Reconnects for ever.

    Attributes:
        is_connected: Whether sensors can tell at present what fell into their bins.
    """

    def __init__(self, broker: Broker, root: str, bench: str, viewer: Viewer) -> None:
        self.is_connected = False
        self._broker = broker
        self._base = f"{root}/{bench}"
        self._identifier = f"shop-floor-{bench}-{uuid.uuid4().hex[:8]}"
        self._viewer = viewer
        self._placed: asyncio.Queue[str] = asyncio.Queue()
        self._count = 0

    def place(self, bin_id: str) -> None:
        """Let a bin's sensor tell. Without a broker it can't: the piece lies there unseen."""
        if self.is_connected:
            self._placed.put_nowait(bin_id)
        else:
            _tell(f"no broker: bin {bin_id} could not tell what fell into it")

    async def run(self) -> None:
        """Stay connected, look, and tell, until cancelled."""
        wait_s = _RETRY_S[0]
        while True:
            try:
                async with connected(self._broker, self._identifier) as session:
                    wait_s = _RETRY_S[0]
                    await self._live(session)
            except* MqttError as errors:
                _tell(f"{self._broker.name}: {errors.exceptions[0]}")
            finally:
                self.is_connected = False
            await asyncio.sleep(wait_s)
            wait_s = min(2 * wait_s, _RETRY_S[1])

    async def _live(self, session: Session) -> None:
        """Look and tell side by side: of a broker's death only the look hears at once."""
        self._placed = asyncio.Queue()
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._look(session))
            await session.client.subscribe(f"{self._base}/prompt", qos=1)
            await session.client.subscribe(f"{self._base}/lamp/+", qos=1)
            self.is_connected = True
            tasks.create_task(self._report(session))

    async def _look(self, session: Session) -> None:
        async for message in session.client.messages:
            self.take(str(message.topic), message.payload)

    async def _report(self, session: Session) -> None:
        while True:
            bin_id = await self._placed.get()
            self._count += 1
            payload = json.dumps({"id": f"{self._identifier}-{self._count}"})
            await session.publish(f"{self._base}/placed/{bin_id}", payload)

    def take(self, topic: str, payload: object) -> None:
        """Show what one message says; what is neither prompt nor lamp is told and left."""
        text = payload.decode("utf-8", "replace") if isinstance(payload, bytes) else ""
        if topic == f"{self._base}/prompt":
            prompt = _prompt(text)
            if prompt is None:
                _tell(f"{topic}: no prompt: {text[:80]!r}")
            else:
                self._viewer.show_prompt(*prompt)
        elif topic.startswith(f"{self._base}/lamp/") and (word := _lamp_word(text)):
            self._viewer.show_lamp(topic.rpartition("/")[2], word)
        else:
            _tell(f"{topic}: no lamp word: {text[:80]!r}")


def _prompt(text: str) -> tuple[str, int | None, str] | None:
    """Return word, tray cell and sentence of a prompt; None if it is none."""
    try:
        prompt = json.loads(text)
    except ValueError:
        return None
    word = prompt.get("word") if isinstance(prompt, dict) else None
    if not isinstance(word, str):
        return None
    cell, said = prompt.get("cell"), prompt.get("text")
    return word, cell if isinstance(cell, int) else None, said if isinstance(said, str) else ""


def _lamp_word(text: str) -> LampWord | None:
    return next((word for word in LAMP_WORDS if word == text), None)


def _tell(text: str) -> None:
    sys.stderr.write(f"simulated bench: {text}\n")
