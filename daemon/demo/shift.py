"""``reclamp demo --shift``: one shift in which everything goes wrong that goes wrong.

The far end of the cable errs by plan; cable, service and broker are taken away here; the
lead's commands go over MQTT as anybody's. What came of it is looked up in the record
(``daemon.demo.shift_findings``).
"""

import asyncio
import json
from collections.abc import Callable

from daemon.broker import Broker, MqttError, Session, connected
from daemon.demo.shift_box import BoxScene
from daemon.demo.shift_decisions import Decisions
from daemon.demo.shift_files import start_crane_bench
from daemon.demo.shift_lead import Lead
from daemon.demo.shift_north import NorthScene
from daemon.demo.shift_plan import CRANE, NORTH
from daemon.demo.stage import Stage
from daemon.demo.teller import Teller
from daemon.errors import BrokerError
from daemon.messages import Event, Reply

__all__ = ["Shift"]

_ROOT = "reclamp"
_RETRY_WAIT_S = 0.2
_LAST_EVENT_WAIT_S = 5.0


class Shift:
    """Listens like any subscriber, and lets each bench's scene act on what it hears.

    Attributes:
        north: The shift's own bench.
        crane: The one with the box, which starts once the broker was gone and is back.
    """

    def __init__(
        self,
        stage: Stage,
        teller: Teller,
        seed: int,
        speed: float,
        write: Callable[[str], None],
        count_waiting: Callable[[], int],
    ) -> None:
        """Prepare; ``run`` follows the benches.

        Args:
            stage: The processes.
            teller: Writes the lines a piece.
            seed: Of all chance.
            speed: Bench seconds a real second.
            write: Takes a line of text.
            count_waiting: Returns how many events wait for the broker.
        """
        self._stage, self._seed, self._speed = stage, seed, speed
        self._teller = teller
        self._count_waiting = count_waiting
        self._lead = Lead(_ROOT, write)
        self._seen: set[str] = set()
        self.crane = BoxScene(stage, teller, self._lead, speed)
        self.north = NorthScene(
            stage, teller, self._lead, speed, count_waiting, self._switch_crane_on,
            Decisions(self._lead, speed),
        )  # fmt: skip

    @property
    def is_over(self) -> bool:
        """Return whether both lots were closed, or could not be."""
        return self.north.closed is not None and self.crane.closed is not None

    async def run(self, broker: Broker) -> None:
        """Follow the benches until their lots are closed.

        Raises:
            BrokerError: If something of the shift breaks down that is not to.
        """
        while not self.is_over:
            try:
                async with connected(broker, "reclamp-shift") as session:
                    self._lead.session = session
                    await session.client.subscribe(f"{_ROOT}/#", qos=1)
                    await self._listen(session)
            except MqttError as error:
                self._lead.session = None
                if "broker" not in self._lead.done:
                    raise BrokerError(f"the shift lost its broker: {error}") from error
                await asyncio.sleep(_RETRY_WAIT_S)
        for _ in range(round(_LAST_EVENT_WAIT_S / 0.1)):
            if self._count_waiting() == 0:
                return  # what closed the lot is told as well
            await asyncio.sleep(0.1)

    async def _listen(self, session: Session) -> None:
        async for message in session.client.messages:
            self._lead.look_after()
            payload = message.payload
            if isinstance(payload, bytes | bytearray) and payload:
                self._hear(message.topic.value.split("/")[1:], bytes(payload))
            if self.is_over:
                return

    def _hear(self, topic: list[str], payload: bytes) -> None:
        self._teller.hear(topic, payload)
        scene = self.north if topic[0] == NORTH else self.crane
        match topic[1:]:
            case ["event", _]:
                event = Event.model_validate_json(payload)
                if event.id not in self._seen:
                    self._seen.add(event.id)
                    scene.hear_event(event)
            case ["lot"]:
                scene.hear_lot()
            case ["prompt"] if topic[0] == CRANE:
                self.crane.hear_prompt(json.loads(payload)["text"])
            case ["reply"]:
                self._lead.heard(Reply.model_validate_json(payload))
            case _:
                pass

    def _switch_crane_on(self) -> None:
        self._lead.say(CRANE, "the Crane bench is switched on")
        self._lead.do("crane", self._start_crane)

    async def _start_crane(self) -> None:
        await asyncio.to_thread(start_crane_bench, self._stage, self._seed, self._speed)
