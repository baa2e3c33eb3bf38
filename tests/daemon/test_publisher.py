"""One bench on a real mosquitto: what is retained, what is repeated, what an outage costs."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, suppress
from itertools import pairwise
from pathlib import Path
from typing import get_args

import jsonschema
import pytest

from daemon import messages, snapshot
from daemon.broker import Broker, Protocol
from daemon.config_sections import SiteSection
from daemon.inbound import Inbound
from daemon.publisher import ALARM_CODES, EVENT_FORMAT, Publisher
from rules.facts import AlarmCode
from tests.daemon.bench_of_values import ValueBench, value_bench
from tests.daemon.mqtt_ear import Ear, hearing
from tests.mosquitto_process import Mosquitto, running_mosquitto

Make = Callable[..., Path]

BINS = ("1", "2", "H", "N")
SITE = SiteSection(name="millrace", timezone="Europe/Berlin")
RETAINED = {"link", "about", "state", "prompt", "lot", "recent", *(f"lamp/{b}" for b in BINS)}


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with running_mosquitto() as running:
        yield running


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


class Served:
    """A bench with its publisher running in the test's own loop."""

    def __init__(self, bench: ValueBench, port: int, protocol: Protocol, rate: float) -> None:
        self.bench = bench
        self.reached: list[str] = []
        about = snapshot.about(bench.runner, "reclamp 0", SITE, "boot-1", "t", rate)
        way = Broker("127.0.0.1", port, protocol=protocol)
        self.publisher = Publisher(
            bench.runner, bench.store, way, "reclamp", about, rate, self.reached.append
        )
        self.inbound = Inbound(bench.runner, bench.store)
        self.stopping = asyncio.Event()
        self.task = asyncio.create_task(self.publisher.run(self.inbound, self.stopping))

    async def stop(self) -> None:
        self.stopping.set()
        await asyncio.wait_for(self.task, 30)


@asynccontextmanager
async def served(
    bench: ValueBench, port: int, protocol: Protocol = "auto", rate: float = 1.0
) -> AsyncIterator[Served]:
    running = Served(bench, port, protocol, rate)
    try:
        yield running
    finally:
        await running.stop()


async def settled(ear: Ear) -> None:
    """Wait until the bench has said all it says at a connect."""
    await ear.until(lambda: {f"b1/{t}" for t in RETAINED} <= ear.now().keys(), "all is said")


def kept_by(broker: Mosquitto) -> dict[str, str]:
    """Return what a late joiner is given: the broker's retained messages of the bench."""
    import time

    with hearing(broker.port) as late:
        time.sleep(0.3)
        with late._lock:
            return {h.topic.removeprefix("b1/"): h.text for h in late._heard if h.text}


VERSIONS = pytest.mark.parametrize("protocol", ["auto", "5", "3.1.1"])


@VERSIONS
async def test_a_bench_that_comes_up_says_all_that_is_retained_and_nothing_else_is(
    protocol: Protocol, bench: ValueBench, broker: Mosquitto
) -> None:
    with hearing(broker.port) as ear:
        async with served(bench, broker.port, protocol):
            await settled(ear)
            bench.values("5.0")
            await ear.until(lambda: len(ear.events()) == 3, "its events")
            await ear.last("b1/lamp/2", "on")
            ear.say("b1/command", json.dumps({"id": "c", "command": "lot-show"}))
            await ear.until(lambda: ear.all("b1/reply"), "the reply")
            kept = await asyncio.to_thread(kept_by, broker)
    assert kept.keys() == RETAINED
    assert kept["link"] == "online"
    assert json.loads(kept["about"])["timezone"] == "Europe/Berlin"
    assert json.loads(kept["state"])["state"] == "put-away"
    assert {kept[f"lamp/{b}"] for b in BINS} == {"off"}
    told = {h.content for h in ear._heard if "/event/" in h.topic}
    assert told == ({None} if protocol == "3.1.1" else {EVENT_FORMAT})


async def test_a_lamp_leaves_before_the_state_and_the_events_that_tell_of_it(
    bench: ValueBench, broker: Mosquitto
) -> None:
    """A broker hands on in the order in which one client sent, whatever the topics."""
    with hearing(broker.port) as ear:
        async with served(bench, broker.port):
            await settled(ear)
            before = len(ear._heard)
            bench.values("5.0")
            await ear.until(lambda: len(ear.events()) == 3, "its events")
            await ear.last("b1/lamp/2", "on")
        told = [heard.topic for heard in ear._heard[before:]]
    lit = told.index("b1/lamp/2")
    assert lit < min(told.index(each) for each in ("b1/state", "b1/event/verdict"))


@VERSIONS
async def test_events_go_out_once_each_in_order_and_leave_the_outbox_at_their_puback(
    protocol: Protocol, bench: ValueBench, broker: Mosquitto
) -> None:
    with hearing(broker.port) as ear:
        async with served(bench, broker.port, protocol) as running:
            for _ in range(12):
                bench.values("5.0")
                bench.placed("2")
            (total,) = bench.rows("SELECT count(*) FROM events")[0]
            await ear.until(lambda: len(ear.events()) == total, "all events")
            await ear.until(lambda: not bench.store.unsent("b1", 1), "an empty outbox")
        heard = ear.events()
    assert [event["seq"] for event in heard] == list(range(1, len(heard) + 1))
    kept = [json.loads(body) for _, _, body in bench.store.events_after("b1", 0, 1000)]
    assert heard == kept
    assert "before-publish" in running.reached
    assert "after-puback" in running.reached


async def test_every_payload_fits_the_schema_of_its_topic(
    bench: ValueBench, broker: Mosquitto
) -> None:
    models: dict[str, type[messages.Payload]] = {
        "about": messages.About,
        "state": messages.State,
        "prompt": messages.Prompt,
        "lot": messages.Lot,
        "recent": messages.Recent,
        "alarm": messages.AlarmData,
        "event": messages.Event,
    }
    seen = set()
    with hearing(broker.port) as ear:
        async with served(bench, broker.port):
            await settled(ear)
            bench.values("2.0", "2.0", "5.0")
            bench.placed("1")
            await ear.until(lambda: ear.now().get("b1/alarm/wrong-bin"), "the alarm")
            bench.placed("2")
            bench.values("13.0")
            await ear.last("b1/lamp/N", "on")
            await ear.until(lambda: not bench.store.unsent("b1", 1), "an empty outbox")
        for heard in ear._heard:
            kind = heard.topic.split("/")[1]
            if kind in models and heard.text:
                seen.add(kind)
                schema = models[kind].model_json_schema()
                jsonschema.validate(
                    json.loads(heard.text), schema, jsonschema.Draft202012Validator
                )
    assert seen == models.keys()


class TestLamps:
    async def test_only_off_is_ever_retained(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port, rate=50):
                await settled(ear)
                for um, right, wrong in (("5.0", "2", "1"), ("13.0", "N", "H")):
                    bench.values(um)
                    await ear.last(f"b1/lamp/{right}", "on")
                    bench.placed(wrong)
                    await ear.last(f"b1/lamp/{wrong}", "fast")
                    bench.placed(right)
                    await ear.last(f"b1/lamp/{right}", "off")
            lamps = [h for b in BINS for h in ear.all(f"b1/lamp/{b}")]
        assert {h.text for h in lamps if h.retain} == {"off"}
        assert {h.text for h in lamps if not h.retain} == {"on", "fast"}

    async def test_a_lit_one_is_repeated_every_five_seconds_whatever_else_changes(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        """At 20 times the rate: four times a second; meanwhile everything is told anew."""
        with hearing(broker.port) as ear:
            async with served(bench, broker.port, rate=20):
                bench.values("5.0")
                await ear.until(lambda: "on" in ear.texts("b1/lamp/2"), "the lamp is on")
                for _ in range(100):
                    bench.runner.on_change()
                    await asyncio.sleep(0.02)
                on = [h for h in ear.all("b1/lamp/2") if h.text == "on"]
        apart = [later.at_s - earlier.at_s for earlier, later in pairwise(on)]
        took_s = on[-1].at_s - on[0].at_s  # a busy machine sleeps longer than it was told
        print(
            f"{len(on)} times on in {took_s:.1f} s, {min(apart):.3f} to {max(apart):.3f} apart"
        )
        assert len(on) == pytest.approx(took_s / (5.0 / 20) + 1, abs=2)
        assert max(apart) < 15 / 20

    async def test_a_dark_one_is_not_repeated(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port, rate=50):
                await settled(ear)
                await asyncio.sleep(0.5)
                assert {len(ear.all(f"b1/lamp/{b}")) for b in BINS} == {1}

    @pytest.mark.parametrize(("rate", "expiry_s"), [(1.0, 15), (5.0, 3), (100.0, 1)])
    async def test_under_mqtt_5_a_lit_one_expires_and_off_never_does(
        self, rate: float, expiry_s: int, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port, "5", rate):
                bench.values("5.0")
                await ear.until(lambda: "on" in ear.texts("b1/lamp/2"), "the lamp is on")
            lamps = [h for b in BINS for h in ear.all(f"b1/lamp/{b}")]
        assert {h.expiry_s for h in lamps if h.text == "on"} == {expiry_s}
        assert {h.expiry_s for h in lamps if h.text == "off"} == {None}

    async def test_under_mqtt_3_1_1_there_is_no_expiry(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port, "3.1.1"):
                bench.values("5.0")
                await ear.last("b1/lamp/2", "on")
                assert ear.all("b1/lamp/2")[-1].expiry_s is None

    async def test_the_words_are_those_of_the_file(
        self, bench_folder: Make, broker: Mosquitto
    ) -> None:
        bench = value_bench(
            bench_folder,
            ('box = "A-2-001"', 'box = "A-2-001"\nlamp_words = { on = "1", off = "0" }'),
        )
        with hearing(broker.port) as ear:
            async with served(bench, broker.port):
                await ear.last("b1/lamp/2", "0")
                bench.values("5.0")
                await ear.last("b1/lamp/2", "1")
                assert not ear.all("b1/lamp/2")[-1].retain
            kept = await asyncio.to_thread(kept_by, broker)
        bench.close()
        assert (kept["lamp/2"], kept["lamp/1"]) == ("0", "off")

    async def test_a_dumb_lamp_has_its_own_topic_and_words_and_ours_are_said_beside_it(
        self, bench_folder: Make, broker: Mosquitto
    ) -> None:
        bench = value_bench(
            bench_folder,
            (
                'box = "A-2-001"',
                'box = "A-2-001"\nlamp_topic = "reclamp-2/relay/7/set"\n'
                """lamp_words = { on = '{"on": true}', off = '{"on": false}' }""",
            ),
        )
        with hearing(broker.port) as ear, hearing(broker.port, "reclamp-2") as relay:
            async with served(bench, broker.port):
                await relay.last("relay/7/set", '{"on": false}')
                bench.values("5.0")
                await relay.last("relay/7/set", '{"on": true}')
                await ear.last("b1/lamp/2", "on")
            await relay.last("relay/7/set", '{"on": false}')
            said = relay.all("relay/7/set")
        bench.close()
        assert [h.retain for h in said] == [True, False, True]
        assert [h.expiry_s for h in said] == [None, 15, None]

    async def test_in_fault_all_are_off_and_after_it_they_show_the_present_state(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port):
                bench.values("5.0")
                await ear.last("b1/lamp/2", "on")
                bench.break_disk()
                bench.placed("2")
                await ear.last("b1/lamp/2", "off")
                await ear.until(
                    lambda: json.loads(ear.texts("b1/state")[-1])["state"] == "fault", "fault"
                )
                bench.mend_disk()
                bench.runner.recover()
                await ear.last("b1/lamp/2", "on")


class TestState:
    async def test_the_heartbeat_comes_at_least_every_five_seconds_whatever_else_changes(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port):
                await settled(ear)
                for _ in range(22):
                    bench.runner.on_change()
                    await asyncio.sleep(0.5)
                beats = ear.all("b1/state")
        apart = [later.at_s - earlier.at_s for earlier, later in pairwise(beats)]
        print(f"{len(beats)} beats, apart {min(apart):.2f} to {max(apart):.2f} s")
        assert len(beats) >= 3
        assert max(apart) < 5.6

    async def test_state_prompt_and_counts_follow_the_bench(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        def said(topic: str, key: str) -> object:
            text = ear.now().get(f"b1/{topic}")
            return json.loads(text)[key] if text else None

        with hearing(broker.port) as ear:
            async with served(bench, broker.port):
                bench.values("2.0")
                await ear.until(lambda: said("state", "clamping") == 2, "the second clamping")
                await ear.until(lambda: said("prompt", "word") == "clamp", "its prompt")
                bench.values("5.0")
                await ear.until(lambda: said("state", "bin") == "2", "where it belongs")
                await ear.until(lambda: said("lot", "pending") == 1, "it is pending")
                bench.placed("2")
                await ear.until(lambda: said("lot", "pending") == 0, "it is put away")
                await ear.until(lambda: said("recent", "pieces"), "the piece is listed")
                pieces = said("recent", "pieces")
        assert isinstance(pieces, list)
        assert pieces[0]["grade"] == "grade-2"
        assert [c["tir_um"] for c in pieces[0]["clampings"]] == [2.0, 5.0]

    async def test_an_alarm_is_retained_while_it_stands(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port):
                bench.lose("unplugged")
                await ear.until(lambda: ear.now().get("b1/alarm/indicator-lost"), "the alarm")
                raised = ear.all("b1/alarm/indicator-lost")[-1]
                bench.find()
                for _ in range(2):
                    bench.tick()
                    bench.clock.seconds += 6
                await ear.last("b1/alarm/indicator-lost", "")
            kept = await asyncio.to_thread(kept_by, broker)
        assert raised.retain
        assert "unplugged" in json.loads(raised.text)["text"]
        assert not any(topic.startswith("alarm/") for topic in kept)

    def test_every_code_that_can_be_raised_has_its_topic(self) -> None:
        assert set(ALARM_CODES) == set(get_args(AlarmCode))


class TestConnections:
    async def test_a_clean_end_says_offline_sends_what_is_left_and_leaves_no_lamp_on(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port):
                await settled(ear)
                bench.values("5.0")
            await ear.last("b1/link", "offline")
            await ear.last("b1/lamp/2", "off")
            assert {event["seq"] for event in ear.events()} == {1, 2, 3}
            kept = await asyncio.to_thread(kept_by, broker)
        assert kept["link"] == "offline"
        assert bench.store.unsent("b1", 1) == []

    async def test_a_connection_that_is_cut_leaves_its_will_and_is_made_anew(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with _wire(broker.port) as wire, served(bench, wire.port):
                await settled(ear)
                wire.cut()
                await ear.last("b1/link", "offline")
                before = ear.count
                await ear.last("b1/link", "online", before)
                await ear.until(
                    lambda: (
                        {f"b1/{t}" for t in RETAINED} <= {h.topic for h in ear._heard[before:]}
                    ),
                    "everything is said anew",
                )

    @VERSIONS
    async def test_an_outage_of_the_broker_loses_no_event_and_shows_the_present_lamps(
        self, protocol: Protocol, bench: ValueBench, broker: Mosquitto
    ) -> None:
        async with served(bench, broker.port, protocol) as running:
            with hearing(broker.port) as ear:
                bench.values("5.0")
                await ear.last("b1/lamp/2", "on")
                await ear.until(lambda: not bench.store.unsent("b1", 1), "an empty outbox")
            broker.stop()
            bench.placed("2")
            bench.values("2.0", "2.0", "2.0")
            bench.placed("1")
            bench.values("13.0")
            await asyncio.sleep(0.3)
            assert not running.publisher.is_connected
            broker.start()
            with hearing(broker.port) as ear:
                await ear.last("b1/lamp/N", "on")
                await ear.until(lambda: not bench.store.unsent("b1", 1), "an empty outbox")
                await ear.until(lambda: len(ear.events()) == 8, "events of the outage")
                seqs = [event["seq"] for event in ear.events()]
                assert set(ear.texts("b1/lamp/1") + ear.texts("b1/lamp/2")) == {"off"}
        assert seqs == list(range(4, 12))

    async def test_a_service_may_start_before_its_broker(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        broker.stop()
        async with served(bench, broker.port):
            bench.values("5.0")
            await asyncio.sleep(0.5)
            broker.start()
            with hearing(broker.port) as ear:
                await ear.last("b1/lamp/2", "on")
                await ear.until(lambda: not bench.store.unsent("b1", 1), "an empty outbox")

    async def test_it_ends_without_a_broker_too(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        async with served(bench, broker.port) as running:
            await asyncio.sleep(0.3)
            broker.kill()
            await asyncio.sleep(0.3)
            await running.stop()
        assert running.task.done()

    async def test_commands_come_in_and_are_answered_and_retained_ones_are_refused(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        retained = json.dumps(
            {"id": "r", "command": "piece-abandon", "reason": "x", "role": "y"}
        )
        with hearing(broker.port) as ear:
            bench.values("2.0")
            ear.say("b1/command", retained, retain=True)  # waits for us before we come
            async with served(bench, broker.port) as running:
                await settled(ear)
                ear.say("b1/command", retained, retain=True)  # and live
                ear.say("b1/placed/2", "", retain=True)
                ear.say("b1/command", json.dumps({"id": "c", "command": "lot-show"}))
                await ear.until(lambda: ear.all("b1/reply"), "the reply")
                replies = [json.loads(text) for text in ear.texts("b1/reply")]
                refused = dict(running.inbound.refused)
            ear.say("b1/command", "", retain=True)
        assert [(reply["id"], reply["ok"]) for reply in replies] == [("c", True)]
        assert refused["retained"] >= 1
        assert bench.rows("SELECT status FROM piece_status") == [("in-work",)]

    async def test_what_was_refused_stands_in_the_state(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port, rate=20):
                await settled(ear)
                for payload in ("{", "[" * 5000, "x" * 60_000, json.dumps({"id": "a" * 999})):
                    ear.say("b1/placed/2", payload)
                ear.say("b1/placed/7", "")
                ear.say("b1/command", '{"id": "c", "command": "lot-close"}')
                counts = {"oversize": 2, "stale": 1, "unknown-bin": 1, "wrong-json": 2}
                await ear.until(
                    lambda: json.loads(ear.texts("b1/state")[-1])["refused"] == counts,
                    "the refusals are told",
                )

    async def test_a_broker_hands_over_nothing_that_is_enormous(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port, "5") as running:
                await settled(ear)
                bench.values("5.0")
                ear.say("b1/placed/2", "x" * 5_000_000)
                ear.say("b1/placed/2", "")
                await ear.last("b1/lamp/2", "off")
        assert running.inbound.refused == {}

    async def test_a_consumer_that_saw_a_gap_mends_it_from_the_record(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as early:
            async with served(bench, broker.port):
                bench.values("2.0", "2.0")
                await early.until(lambda: len(early.events()) == 3, "the first events")
        with hearing(broker.port) as late:
            async with served(bench, broker.port):
                await settled(late)
                bench.values("2.0")
                await late.until(lambda: len(late.events()) == 2, "the events of now")
                missing = late.events()[0]["seq"] - 1
                late.say("b1/command", '{"id": "gap", "command": "events", "after_seq": 0}')
                await late.until(lambda: late.all("b1/reply"), "the reply")
                reply = json.loads(late.texts("b1/reply")[0])
        told = {event["id"]: event for event in [*reply["data"]["events"], *late.events()]}
        assert missing == 3
        assert sorted(event["seq"] for event in told.values()) == [1, 2, 3, 4, 5]

    async def test_bins_close_pieces_over_the_broker(
        self, bench: ValueBench, broker: Mosquitto
    ) -> None:
        with hearing(broker.port) as ear:
            async with served(bench, broker.port):
                bench.values("5.0")
                await ear.last("b1/lamp/2", "on")
                ear.say("b1/placed/2", "")
                await ear.last("b1/lamp/2", "off")
        assert bench.rows("SELECT status FROM piece_status") == [("put-away",)]


class _Wire:
    """A wire to the broker that can be cut."""

    def __init__(self) -> None:
        self.port = 0
        self._ends: list[asyncio.StreamWriter] = []

    async def open(
        self, to: int, reader: asyncio.StreamReader, near: asyncio.StreamWriter
    ) -> None:
        back, far = await asyncio.open_connection("127.0.0.1", to)
        self._ends += [near, far]
        with suppress(OSError):
            await asyncio.gather(self._carry(reader, far), self._carry(back, near))

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(65_536):
            writer.write(data)
            await writer.drain()
        writer.close()

    def cut(self) -> None:
        for end in self._ends:
            end.transport.abort()
        self._ends.clear()


@asynccontextmanager
async def _wire(to: int) -> AsyncIterator[_Wire]:
    wire = _Wire()
    server = await asyncio.start_server(
        lambda reader, writer: wire.open(to, reader, writer), "127.0.0.1", 0
    )
    wire.port = server.sockets[0].getsockname()[1]
    try:
        yield wire
    finally:
        server.close()
        wire.cut()
        await asyncio.sleep(0.05)
