"""One bench on MQTT: outbox → events, state → retained topics, lamps, and what comes in.

At least once, in order, with stable ids; an event leaves the outbox at its PUBACK. Retained
state is published anew at every connect: correctness never rests on a broker's memory.
Lamps are state, not history: only ``off`` is ever retained, ``on``, ``slow`` and ``fast``
are repeated, and a lamp that hears nothing goes dark by itself.
"""

import asyncio
import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, get_args

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from daemon import snapshot
from daemon.beat import Beat, happened
from daemon.bench import BenchRunner
from daemon.broker import Broker, Inflow, MqttError, PromptClient, Session, Will, connected
from daemon.clock import stand_back
from daemon.config_sections import BenchBinSection
from daemon.errors import StoreError
from daemon.good_bye import ended_in_time
from daemon.messages import About, CheckStatus, InboundFault
from daemon.store import Store
from rules.facts import AlarmCode, AlarmNews, Fact, RefusedFact
from rules.signals import Signals

if TYPE_CHECKING:
    from daemon.inbound import Inbound

log = logging.getLogger(__name__)

LAMP_REPEAT_S = 5.0
LAMP_EXPIRY_S = 15
HEARTBEAT_S = 5.0
EVENT_FORMAT = "application/cloudevents+json; charset=utf-8"
"""Of a structured event, by the MQTT binding of CloudEvents 1.0 (from memory)."""
_BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 5.0)
_TROUBLED_S = 5.0
_INFLOW = Inflow(largest_bytes=65_536, waiting=1000)
_REFUSED_S = 1.0
"""Refusals are told after so long, together: a flood of them makes no flood of ours."""
_BROKER_FIRST_S = 0.001
"""The rows of a verdict are written right after its lamp is sent. On a machine of few
processors they would hold up the broker that has to pass it on, by 0.7 ms of 1.1."""
_BATCH = 20
"""Events in flight: two to three times the rate of one by one; more is slower."""

ALARM_CODES: tuple[AlarmCode, ...] = get_args(AlarmCode)


@dataclass(frozen=True, slots=True)
class _News:
    """What a bin's lamp is told: its word, topic and payload of each message, expiry."""

    bin: str
    word: str
    messages: list[tuple[str, str]]
    expiry: Properties | None


class Publisher:
    """Publishes one bench and listens for it; reconnects by itself."""

    def __init__(
        self,
        runner: BenchRunner,
        store: Store,
        broker: Broker,
        root: str,
        about: About,
        rate: float,
        reached: Callable[[str], None],
    ) -> None:
        """Prepare; ``run`` connects."""
        self._runner = runner
        self._store = store
        self._broker = broker
        self._base = f"{root}/{runner.by.bench}"
        self._about = about
        self._rate = rate
        self._reached = reached
        self._wake = asyncio.Event()
        self._outbox_wake = asyncio.Event()
        self._lamps_wake = asyncio.Event()
        self._refused: Mapping[InboundFault, int] = {}
        self._refused_told: asyncio.TimerHandle | None = None
        self._counts_changed = True
        self._published: dict[str, str] = {}
        self._lamps: dict[str, str] = {}
        self._expiry = _Packed(MessageExpiryInterval=max(1, round(LAMP_EXPIRY_S / rate)))
        self.is_connected = False
        self._tries = 0
        self._at_work: Session | None = None
        self._lamps_over: Session | None = None
        runner.lamps_for = self._lamps_for
        runner.on_change = self._changed
        runner.on_facts = self._facts

    def _changed(self) -> None:
        self._lamps_wake.set()
        self._wake.set()

    def _facts(self, facts: tuple[Fact, ...]) -> None:
        if any(not isinstance(fact, AlarmNews | RefusedFact) for fact in facts) or not facts:
            self._counts_changed = True
        self._outbox_wake.set()

    def _inbound_refused(self) -> None:
        if self._refused_told is None:
            wait_s = _REFUSED_S / self._rate
            self._refused_told = asyncio.get_running_loop().call_later(wait_s, self._tell)

    def _tell(self) -> None:
        self._refused_told = None
        self._wake.set()

    # --- sessions ---

    async def run(self, inbound: "Inbound", stopping: asyncio.Event) -> None:
        """Keep a session until asked to stop, then say good-bye, if the broker hears it.

        A broker that does not answer holds nobody up for longer than ``GOOD_BYE_S`` and what
        it takes to let go of it; what it has not acknowledged stays in the outbox.
        """
        self._tries = 0
        self._refused, inbound.on_refused = inbound.refused, self._inbound_refused
        while not stopping.is_set():
            life = asyncio.create_task(self._live(inbound, stopping), name=f"{self._base} life")
            if not await ended_in_time(life, stopping, self._give_up):
                text = "does not answer: what it lacks is told after the next start"
                log.warning("%s: %s %s", self._base, self._broker.name, text)
            self.is_connected = False
            wait = _BACK_OFF_S[min(self._tries, len(_BACK_OFF_S) - 1)]
            self._tries += 1
            await happened(stopping, wait)

    async def _live(self, inbound: "Inbound", stopping: asyncio.Event) -> None:
        """Connect, and work with the broker until the connection or the service ends."""
        will = Will(f"{self._base}/link", "offline", 1, True)
        identifier = f"reclamp-{self._runner.by.bench}"
        try:
            async with connected(self._broker, identifier, will, _INFLOW) as session:
                self._tries, self._at_work = 0, session
                try:
                    await self._session(session, inbound, stopping)
                except asyncio.CancelledError:
                    await self._part(session)
                    raise
        except* (MqttError, OSError) as group:
            log.warning("%s: %s: %s", self._base, self._broker.name, _first(group))
        finally:
            self._at_work = self._lamps_over = None

    def _give_up(self) -> None:
        if self._at_work is not None:
            self._at_work.give_up()

    async def _session(
        self, session: Session, inbound: "Inbound", stopping: asyncio.Event
    ) -> None:
        self._published.clear()
        self._lamps.clear()
        self._counts_changed = True
        await self._retain(session, "link", "online")
        await self._publish_about(session)
        await self._subscribe(session)
        self.is_connected = True
        self._lamps_over = session
        for event in (self._wake, self._outbox_wake, self._lamps_wake):
            event.set()
        async with asyncio.TaskGroup() as tasks:
            name = self._runner.by.bench
            work = [
                tasks.create_task(self._drain(session), name=f"{name} outbox"),
                tasks.create_task(self._lamp_loop(session), name=f"{name} lamps"),
                tasks.create_task(self._state_loop(session), name=f"{name} state"),
                tasks.create_task(self._listen(session, inbound), name=f"{name} inbound"),
            ]
            await stopping.wait()
            for task in work:
                task.cancel()
        await self._good_bye(session)

    async def _publish(
        self,
        session: Session,
        topic: str,
        body: str,
        *,
        retain: bool = False,
        properties: Properties | None = None,
    ) -> None:
        await session.publish(
            f"{self._base}/{topic}", body, retain=retain, properties=properties
        )

    async def _good_bye(self, session: Session) -> None:
        """A clean end fires no will: say offline, and leave no lamp on."""
        self._lamps_over = None
        for section in self._runner.config.section.bin:
            await self._lamp(session, section.id, "off")
        await self._drain_once(session)
        await self._retain(session, "link", "offline")

    async def _part(self, session: Session) -> None:
        """Leave word for a broker that hangs: it takes it from the line when it wakes.

        The client ends in order all the same, so no will is fired then.
        """
        word = asyncio.create_task(self._publish(session, "link", "offline", retain=True))
        await asyncio.sleep(0)  # it is on the line, and nobody waits for its PUBACK
        word.cancel()

    async def _subscribe(self, session: Session) -> None:
        topics = [f"{self._base}/placed/+", f"{self._base}/command"]
        for topic in topics:
            if session.is_v5:
                # Retained ones are not asked for, and a live retained one shows as such.
                options = SubscribeOptions(qos=1, retainAsPublished=True, retainHandling=2)
                await session.client.subscribe(topic, options=options)
            else:
                await session.client.subscribe(topic, qos=1)

    # --- events ---

    async def _drain(self, session: Session) -> None:
        while True:
            await self._outbox_wake.wait()
            self._outbox_wake.clear()
            while await self._drain_once(session):
                pass

    async def _drain_once(self, session: Session) -> bool:
        """Publish the oldest events; return whether there may be more."""
        try:
            batch = self._store.unsent(self._runner.by.bench, _BATCH)
        except StoreError as error:
            log.error("%s: outbox: %s", self._base, error)
            return False
        if not batch:
            return False
        self._reached("before-publish")
        content = _properties(ContentType=EVENT_FORMAT) if session.is_v5 else None
        async with asyncio.TaskGroup() as tasks:
            for _, kind, body in batch:
                tasks.create_task(
                    self._publish(session, f"event/{kind}", body, properties=content)
                )
        self._reached("after-puback")
        try:
            self._store.sent(self._runner.by.bench, [seq for seq, _, _ in batch])
        except StoreError as error:
            log.error("%s: outbox: %s", self._base, error)
            await asyncio.sleep(_TROUBLED_S)  # they go again, under the same ids
            self._outbox_wake.set()
            return False
        return len(batch) == _BATCH

    # --- retained state ---

    async def _state_loop(self, session: Session) -> None:
        beat = Beat(HEARTBEAT_S)
        while True:
            await happened(self._wake, beat.wait_s)
            self._wake.clear()
            await self._publish_state(session, force=beat.is_due())
            if self._counts_changed:
                self._counts_changed = False
                await self._publish_about(session)
                await self._publish_counts(session)

    async def _publish_state(self, session: Session, *, force: bool) -> None:
        runner = self._runner
        code = runner.lot.code if runner.lot is not None else None
        state = snapshot.state(
            runner.shown, code, self._rate, self._refused, self._check_status()
        )
        await self._retain(session, "state", state.model_dump_json(), force=force)
        prompt = snapshot.prompt(runner.shown)
        await self._retain(session, "prompt", prompt.model_dump_json())
        standing = snapshot.alarms(runner)
        for known in ALARM_CODES:
            alarm = standing.get(known)
            body = alarm.model_dump_json() if alarm is not None else ""
            await self._retain(session, f"alarm/{known}", body)

    def _check_status(self) -> CheckStatus | None:
        try:
            return self._runner.check_status()
        except StoreError as error:
            log.error("%s: check: %s", self._base, error)
            return None

    async def _publish_about(self, session: Session) -> None:
        try:
            missing = list(self._runner.instruments.unregistered())
        except StoreError as error:
            log.error("%s: about: %s", self._base, error)
            return
        about = self._about.model_copy(update={"unregistered": missing})
        await self._retain(session, "about", about.model_dump_json())

    async def _publish_counts(self, session: Session) -> None:
        try:
            lot = snapshot.lot(self._runner, self._store)
            recent = snapshot.recent(self._runner, self._store)
        except StoreError as error:
            log.error("%s: counts: %s", self._base, error)
            self._counts_changed = True  # tried again at the next beat
            return
        await self._retain(session, "lot", lot.model_dump_json())
        await self._retain(session, "recent", recent.model_dump_json())

    async def _retain(
        self, session: Session, topic: str, body: str, *, force: bool = False
    ) -> None:
        if not force and self._published.get(topic) == body:
            return
        self._published[topic] = body
        await self._publish(session, topic, body, retain=True)

    # --- lamps ---

    def _lamps_for(self, signals: Signals) -> Callable[[], None]:
        """Make ready what tells every lamp that has to change; the call returned tells it."""
        session = self._lamps_over
        if session is None:
            return _nothing
        news = [
            _News(section.id, word, self._says(section, word), self._expires(session, word))
            for section in self._runner.config.section.bin
            if (word := signals.lamps.get(section.id, "off")) != self._lamps.get(section.id)
        ]
        return partial(self._light, session.client, news) if news else _nothing

    def _light(self, client: PromptClient, news: list[_News]) -> None:
        """Write to the socket what lamps are told, now, before anything else is done.

        What can't go this way the lamp loop says: it knows what was said last.
        """
        for one in news:
            self._reached("before-lamp")
            is_off, send = one.word == "off", client.publish_now
            if not all(send(*m, retain=is_off, properties=one.expiry) for m in one.messages):
                return
            self._lamps[one.bin] = one.word
            self._reached("after-lamp")
        stand_back(_BROKER_FIRST_S)

    def _says(self, section: BenchBinSection, word: str) -> list[tuple[str, str]]:
        """Return topic and payload of each message that tells a bin's lamp a word."""
        topic = f"{self._base}/lamp/{section.id}"
        payload = {str(k): v for k, v in section.lamp_words.items()}.get(word, word)
        if section.lamp_topic is None:
            return [(topic, payload)]
        return [(topic, word), (section.lamp_topic, payload)]

    def _expires(self, session: Session, word: str) -> Properties | None:
        return self._expiry if word != "off" and session.is_v5 else None

    async def _lamp_loop(self, session: Session) -> None:
        beat = Beat(LAMP_REPEAT_S / self._rate)
        while True:
            await happened(self._lamps_wake, beat.wait_s)
            self._lamps_wake.clear()
            is_repeat = beat.is_due()
            wanted = self._runner.shown.signals.lamps
            for section in self._runner.config.section.bin:
                word = wanted.get(section.id, "off")
                is_new = self._lamps.get(section.id) != word
                if is_new or (is_repeat and word != "off"):
                    await self._lamp(session, section.id, word)

    async def _lamp(self, session: Session, bin_id: str, word: str) -> None:
        """Tell a lamp, and wait until the broker has it."""
        section = next(b for b in self._runner.config.section.bin if b.id == bin_id)
        self._lamps[bin_id] = word
        self._reached("before-lamp")
        async with asyncio.TaskGroup() as tasks:
            for topic, text in self._says(section, word):
                tasks.create_task(
                    session.publish(
                        topic, text, retain=word == "off",
                        properties=self._expires(session, word),
                    )
                )  # fmt: skip
        self._reached("after-lamp")

    # --- what comes in ---

    async def _listen(self, session: Session, inbound: "Inbound") -> None:
        async for message in session.client.messages:
            reply = inbound.take(self._base, message)
            if reply is not None:
                await self._publish(session, "reply", reply.model_dump_json())


class _Packed(Properties):
    """Properties of a PUBLISH that are packed once: a lamp waits for them each time else."""

    _packed: bytes

    def __init__(self, **values: object) -> None:
        super().__init__(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        for name, value in values.items():
            setattr(self, name, value)
        packed = super().pack()  # type: ignore[no-untyped-call]
        object.__setattr__(self, "_packed", packed)  # paho's own takes its own names only

    def pack(self) -> bytes:
        return self._packed


def _nothing() -> None:
    """Tell no lamp: none has to change, or nobody listens."""


def _properties(**values: object) -> Properties:
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    for name, value in values.items():
        setattr(properties, name, value)
    return properties


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    found: BaseException = group
    while isinstance(found, BaseExceptionGroup):
        found = found.exceptions[0]
    return found
