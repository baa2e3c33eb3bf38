"""What comes in over MQTT and must move nothing: old, repeated, wrong, hostile messages.

The simulated operator works by the bench's own truth and no bin tells anything: a piece waits
for its put-away until the test speaks for a bin.
"""

import json
import random
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.contract_check import checked
from tests.system.deadline import until
from tests.system.mqtt_listener import publish
from tests.system.record_reader import count, rows
from tests.system.service_process import ServiceProcess, running_service
from tests.system.shop import BrokerKind, Shop, running_shop

pytestmark = pytest.mark.system

SPEED = 30.0
TOO_LONG = json.dumps({"id": "x" * 5000})


@contextmanager
def waiting(
    folder: Path, broker: BrokerKind, kept: str = ""
) -> Iterator[tuple[Shop, ServiceProcess]]:
    """A bench with a piece that waits for its put-away; ``kept`` was retained before."""
    shop_floor = running_shop(
        folder, SPEED, {"b1": 40}, seed=52, sees_mqtt=False, broker=broker
    )
    with shop_floor as shop:
        if kept:
            publish(shop.broker.port, f"b1/placed/{kept}", "{}", "-r")  # empty would clear it
        with running_service(shop.bench_file, SPEED) as service:
            until(shop.pending, "a piece to be put away", 60)
            yield shop, service


def refusals(shop: Shop, why: str) -> int:
    """Return how many messages the bench says to have refused for this reason."""
    return int(shop.state()["refused"].get(why, 0))


def check_nothing_moves(
    shop: Shop, service: ServiceProcess, topic: str, payload: str | bytes, why: str, *how: str
) -> None:
    """Publish a message and see it refused for this reason, and nothing moved by it."""
    before, refused = _moves(shop), refusals(shop, why)
    publish(shop.broker.port, topic, payload, *how)
    until(lambda: refusals(shop, why) == refused + 1, f"{payload[:40]!r} refused: {why}", 10)
    assert service.is_alive
    assert _moves(shop) == before


def _moves(shop: Shop) -> tuple[int, int, str | None]:
    put_aways = count(shop.store, "SELECT count(*) FROM put_aways")
    return put_aways, count(shop.store, "SELECT count(*) FROM inbound"), shop.pending()


def close_piece(shop: Shop, message_id: str) -> None:
    """Speak for the right bin, and wait until it is taken and the next piece waits."""
    closed = "SELECT count(*) FROM put_aways WHERE is_right = 1"
    before = count(shop.store, closed)
    publish(shop.broker.port, f"b1/placed/{shop.pending()}", json.dumps({"id": message_id}))
    until(lambda: count(shop.store, closed) == before + 1, "the piece closed", 10)
    until(shop.pending, "the next piece", 60)


def test_retained_repeated_wrong_and_oversize_messages_put_nothing_away(tmp_path: Path) -> None:
    with waiting(tmp_path, "mosquitto") as (shop, service):
        right = f"b1/placed/{shop.pending()}"
        check_nothing_moves(shop, service, right, "", "retained", "-r", "-V", "mqttv5")
        check_nothing_moves(shop, service, right, "{", "wrong-json")
        check_nothing_moves(shop, service, right, b"\xff\xfe", "wrong-json")
        check_nothing_moves(shop, service, right, '{"id": 7}', "wrong-json")
        check_nothing_moves(shop, service, right, '{"id": "a", "bin": "1"}', "wrong-json")
        check_nothing_moves(shop, service, right, TOO_LONG, "oversize")
        check_nothing_moves(shop, service, "b1/placed/Z", "", "unknown-bin")
        close_piece(shop, "bin-1")
        for _ in range(2):
            right = f"b1/placed/{shop.pending()}"
            check_nothing_moves(shop, service, right, '{"id": "bin-1"}', "repeated")
        assert service.stop() == 0
        ended = shop.listener.count
        # An id is remembered over a restart: the record keeps it.
        with running_service(shop.bench_file, SPEED) as again:
            right = f"b1/placed/{shop.pending()}"
            shop.listener.wait_for_message("b1/state", lambda m: not m.json["refused"], ended)
            check_nothing_moves(shop, again, right, '{"id": "bin-1"}', "repeated")
            close_piece(shop, "bin-2")
            assert again.stop() == 0


def test_what_was_retained_before_the_start_puts_nothing_away(tmp_path: Path) -> None:
    # MQTT 3.1.1 delivers it and says what it is; under 5 the service doesn't ask for it.
    kinds: dict[BrokerKind, bool] = {"old": True, "mosquitto": False}
    for kind, is_delivered in kinds.items():
        folder = tmp_path / kind
        folder.mkdir()
        with waiting(folder, kind, kept="1") as (shop, service):
            assert (refusals(shop, "retained") > 0) == is_delivered
            assert rows(shop.store, "SELECT * FROM put_aways") == []
            assert service.stop() == 0


HOSTILE = (
    b"", b"{", b"null", b"[]", b"\xff\xfe", b"[" * 4000, b'{"id":' + b"[" * 4000,
    b'{"a":' * 800, b'{"id":"\\ud800"}', b'{"id":"\\ud800","command":"lot-show"}',
    b'{"id":"big-1","command":"events","after_seq":99999999999999999999}',
    b'{"id":"big-2","command":"piece-show","piece":99999999999999999999}',
    b'{"id":"x","command":"piece-show","piece":-1}', b"1e999", b"9" * 4000,
    b'{"id":"x","command":"rm -rf"}', b'{"id":"","command":"lot-show"}',
)  # fmt: skip


ACT = {"command": "piece-abandon", "reason": "x", "role": "lead"}
LATE = json.dumps({"id": "late", "expires": "2026-01-01T00:00:00Z", **ACT})
EVER = json.dumps({"id": "ever", **ACT})
FAR = json.dumps({"id": "far", "expires": "2999-01-01T00:00:00Z", **ACT})


def test_a_command_is_refused_retained_repeated_and_stale(tmp_path: Path) -> None:
    with waiting(tmp_path, "mosquitto") as (shop, service):
        in_time = (datetime.now(UTC) + timedelta(minutes=5)).isoformat()
        once = json.dumps({"id": "once", "expires": in_time, **ACT})
        for stale in (LATE, EVER, FAR):
            check_nothing_moves(shop, service, "b1/command", stale, "stale")
        check_nothing_moves(shop, service, "b1/command", once, "retained", "-r", "-V", "mqttv5")
        publish(shop.broker.port, "b1/command", b"", "-r")
        publish(shop.broker.port, "b1/command", once)
        until(lambda: shop.pending() is None, "the piece is given up", 10)
        given_up = "SELECT count(*) FROM corrections"
        corrections = count(shop.store, given_up)
        publish(shop.broker.port, "b1/command", once)
        until(lambda: refusals(shop, "repeated") == 1, "the repetition refused", 10)
        assert count(shop.store, given_up) == corrections
        replies = {m.json["id"]: m.json for m in shop.listener.heard() if m.topic == "b1/reply"}
        assert "is over" in replies["late"]["text"]
        assert "within the hour" in replies["far"]["text"]
        heard = [(m.topic, m.text) for m in shop.listener.heard() if m.topic != "probe"]
        kinds = checked((topic, text) for topic, text in heard if text)
        assert kinds >= {"command", "reply", "event-correction"}
        assert service.stop() == 0


FLOOD, BATCH = 1500, 300
"""In batches: a broker drops what comes too fast for a subscriber (mosquitto: above 1000)."""


def has_refused(shop: Shop, messages: int) -> bool:
    return bool(sum(shop.state()["refused"].values()) == messages)


def test_random_bytes_on_every_topic_that_is_listened_to_move_nothing_and_are_counted(
    tmp_path: Path,
) -> None:
    """Seeded; none is an empty text or ``{}``, which would be a press."""
    draw = random.Random(6)
    words = [b'{"id":', b'"command"', b"piece-abandon", b"null", b"[", b"}", b"1e308", b"\x00"]
    topics = ["command", *(f"placed/{name}" for name in ("1", "2", "H", "N", "9", "\u2603"))]
    with waiting(tmp_path, "mosquitto") as (shop, service):
        before = _moves(shop)
        talker = mqtt.Client(CallbackAPIVersion.VERSION2)
        talker.connect("127.0.0.1", shop.broker.port)
        talker.loop_start()
        for n in range(1, FLOOD + 1):
            noise = draw.randbytes(draw.choice((1, 7, 300, 6000)))
            body = b"\xff" + b"".join(draw.sample(words, draw.randrange(4))) + noise
            talker.publish(f"reclamp/b1/{topics[n % len(topics)]}", body, qos=1)
            if n % BATCH == 0:
                until(partial(has_refused, shop, n), "all are counted", 30)
        print(shop.state()["refused"])
        talker.disconnect()
        talker.loop_stop()
        assert _moves(shop) == before
        assert shop.state()["refused"].keys() == {"oversize", "unknown-bin", "wrong-json"}
        assert "Traceback" not in service.log()
        assert len(service.log().splitlines()) < 200
        close_piece(shop, "after-the-flood")
        assert service.stop() == 0


def test_no_message_brings_the_service_down(tmp_path: Path) -> None:
    with waiting(tmp_path, "mosquitto") as (shop, service):
        for payload in HOSTILE:
            check_nothing_moves(shop, service, "b1/command", payload, "wrong-json")
        bench = json.dumps({"id": "fine", "command": "lot-show"})
        publish(shop.broker.port, "b1/command", bench)
        reply = shop.listener.wait_for_message("b1/reply", lambda m: m.json["id"] == "fine")
        assert reply.json["ok"] is True
        assert reply.json["data"]["lot"] == "W-2611-A"
        assert "Traceback" not in service.log()
        assert service.stop() == 0
