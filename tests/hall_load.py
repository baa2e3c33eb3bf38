"""A hall full of benches at work: ``python -m tests.hall_load PORT BENCHES EVENTS_HZ SECONDS``.

Each bench goes through clamping, clamping, verdict, put-away, one event each, with all that a
service publishes at such an event, and says its state every five seconds. One connection
carries them all: the broker is not what is measured. The prompt that comes with a verdict has
the wall time in its text, ``at`` milliseconds since 1970, taken before the state was said, so
that whoever shows it can tell how old it is.
"""

import heapq
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from daemon.messages import Prompt, State
from tests.bench_events import clamping_event
from tests.bench_publisher import HEARTBEAT_S, about, brief, now_text, work

SEEDS, PIECES = 8, 30
"""Lots are made once and shared: it is not the making that is measured."""

IN_FLIGHT = 2000

Message = tuple[str, str, bool]
"""Topic below the bench, payload, whether it is retained."""


@cache
def _counts(seed: int, pieces: int) -> tuple[str, str]:
    done = work(seed, pieces)
    return done.lot_payload().model_dump_json(), done.recent_payload().model_dump_json()


@cache
def _clamping(seed: int, clamping: int) -> str:
    return clamping_event("b", 10 * seed + clamping, 1, clamping, 2.1).model_dump_json()


@dataclass
class LoadedBench:
    """One bench: what it would say next."""

    number: int
    event: int = 0
    state: str = ""
    seed: int = field(init=False)

    def __post_init__(self) -> None:
        self.seed = self.number % SEEDS
        self.topic = f"reclamp/load-{self.number:03}"

    def begin(self) -> Iterator[Message]:
        yield "link", "online", True
        said = about(f"load-{self.number:03}", f"Bench {self.number}")
        yield "about", said.model_dump_json(), True
        yield from self._said("loosen")
        yield from self._counted()

    def next(self) -> Iterator[Message]:
        """Return the messages of its next event."""
        step, self.event = self.event % 4, self.event + 1
        if step < 3:
            yield "event/clamping", _clamping(self.seed, step + 1), False
        match step:
            case 0 | 1:
                yield from self._said("clamping", clamping=step + 2)
                yield "prompt", _prompt("clamp", "Turn the collet by a third"), True
            case 2:
                told = f"Put the piece into bin 1 at {time.time_ns() // 1_000_000}"
                yield from self._said("put-away", bin="1")
                yield "prompt", Prompt(word="put-away", text=told).model_dump_json(), True
                yield from self._counted()
                yield "lamp/1", "on", False
            case _:
                yield from self._said("loosen")
                yield "prompt", _prompt("loosen", "Loosen the nut"), True
                yield from self._counted()
                yield "lamp/1", "off", True

    @property
    def piece(self) -> int:
        return 1 + self.event // 4 % PIECES

    def _said(self, word: str, **more: object) -> Iterator[Message]:
        fields = {
            "state": word, "since": now_text(), "waits_for": "operator", "piece": self.piece,
            "clampings": 3, "tirs": [brief(2.1), brief(2.6)], **more,
        }  # fmt: skip
        self.state = State.model_validate(fields).model_dump_json()
        yield "state", self.state, True

    def _counted(self) -> Iterator[Message]:
        lot, recent = _counts(self.seed, self.piece)
        yield "lot", lot, True
        yield "recent", recent, True


@cache
def _prompt(word: str, text: str) -> str:
    return Prompt.model_validate({"word": word, "text": text}).model_dump_json()


def _connected(port: int) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="hall-load")
    client.max_inflight_messages_set(IN_FLIGHT)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client


def play(port: int, benches: int, events_hz: float, seconds: float) -> float:
    """Let every bench work; return the events a second that came about."""
    client = _connected(port)
    hall = [LoadedBench(number) for number in range(1, benches + 1)]
    for bench in hall:
        for suffix, payload, retain in bench.begin():
            client.publish(f"{bench.topic}/{suffix}", payload, 1, retain).wait_for_publish(10)
    print("ready", flush=True)
    began = time.monotonic()
    due = [(began + i / benches / events_hz, i, True) for i in range(benches)]
    due += [(began + HEARTBEAT_S * (1 + i / benches), i, False) for i in range(benches)]
    heapq.heapify(due)
    done = 0
    while due[0][0] < began + seconds:
        at, index, is_event = due[0]
        time.sleep(max(0.0, at - time.monotonic()))
        bench = hall[index]
        messages = bench.next() if is_event else iter([("state", bench.state, True)])
        for suffix, payload, retain in messages:
            client.publish(f"{bench.topic}/{suffix}", payload, 1, retain)
        done += is_event
        after = 1 / events_hz if is_event else HEARTBEAT_S
        heapq.heapreplace(due, (at + after, index, is_event))
    took = time.monotonic() - began
    client.disconnect()
    client.loop_stop()
    return done / took


if __name__ == "__main__":
    port_, benches_, events_hz_, seconds_ = sys.argv[1:]
    found = play(int(port_), int(benches_), float(events_hz_), float(seconds_))
    print(f"{found:.1f} events a second", flush=True)
