"""A bench and all that stands around it: bench file, mosquitto, listener, simulated benches.

with running_shop(tmp_path, speed=20, pieces={"b1": 10}) as shop:
    with running_service(shop.bench_file, shop.speed) as service:
        ... shop.listener ... shop.store ... shop.benches["b1"].truth()
"""

import json
import re
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from tests.mosquitto_process import Mosquitto, running_mosquitto
from tests.simulated_bench import SimulatedBench, running_bench
from tests.system.mqtt_listener import MQTT_5, MqttListener, listening
from tests.system.old_broker import OldBroker, running_old_broker
from tests.system.record_reader import count, rows

__all__ = ["RULES", "SCENARIO", "Shop", "bench_file", "running_shop"]

SCENARIO = Path(__file__).parent.parent.parent / "simulators" / "scenario"
LINES = {"b1": "usb1", "b2": "usb2"}
RULES = {"b1": "mr-10-med.rules.toml", "b2": "mr-16-lrg.rules.toml"}

Replacement = tuple[str, str]

AT_SPEED: Replacement = ("fastest_turn_s = 2.0", "fastest_turn_s = 2.0\nsamples_min = 12")
"""At 20 times the pace the default of 24 readings a turn takes 10 ms without the processor for
a missing reading: true, and on a busy machine too often so for a test."""

SAVES_AT_ONCE = "autosave_on_changes true\nautosave_interval 1"
STAYS_KNOWN = ("-V", "mqttv5", "-c", "-i", "stranger", "-x", "3600")
"""A session of an hour: what comes while the subscriber is away is kept for it. What was kept
for anybody shows as retained, what is said anew does not."""

BrokerKind = Literal["mosquitto", "durable", "old"]
_OPTIONS: Mapping[BrokerKind, tuple[str, ...]] = {
    "mosquitto": MQTT_5,
    "durable": STAYS_KNOWN,
    "old": (),
}


def bench_file(
    folder: Path, url: str, benches: tuple[str, ...], *replacements: Replacement
) -> Path:
    """Write the demo's bench file for some of its benches, and the rule files beside it.

    Args:
        folder: Where to; the store will lie here too, and the line of ``b1`` is looked for
            at ``b1/indicator`` in it.
        url: The broker.
        benches: Those to keep.
        replacements: Texts of the kept part to replace, each old and new.
    """
    text = (SCENARIO / "bench.toml").read_text(encoding="utf-8")
    head, *tables = re.split(r"(?m)^(?=\[\[(?:line|bench)\]\])", text)
    wanted = [*(f'id = "{LINES[b]}"' for b in benches), *(f'id = "{b}"' for b in benches)]
    kept = [table for table in tables if any(mark in table.splitlines()[1] for mark in wanted)]
    text = "".join([head, *kept]).replace("mqtt://127.0.0.1:1883", url)
    for bench in benches:
        text = text.replace(f'"{bench}.port"', f'"{folder / bench / "indicator"}"')
    for old, new in (AT_SPEED, *replacements):
        assert old in text, f"{old!r} is not in the bench file"
        text = text.replace(old, new)
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    for name in RULES.values():
        (folder / name).write_text((SCENARIO / name).read_text("utf-8"), encoding="utf-8")
    return path


@dataclass
class Shop:
    """What stands around the service.

    Attributes:
        folder: Bench file and log lie here.
        bench_file: The bench file.
        store: The store, on a disk of its own where the test asks for one.
        speed: Rate of all clocks.
        broker: The broker.
        listener: What a stranger's subscriber heard.
        benches: The simulated benches by id.
    """

    folder: Path
    bench_file: Path
    store: Path
    speed: float
    broker: Mosquitto | OldBroker
    listener: MqttListener
    benches: dict[str, SimulatedBench] = field(default_factory=dict)

    @property
    def mosquitto(self) -> Mosquitto:
        assert isinstance(self.broker, Mosquitto)
        return self.broker

    def state(self, bench: str = "b1") -> dict[str, Any]:
        """Return the last state heard; empty while there is none."""
        heard = self.listener.latest(f"{bench}/state")
        return json.loads(heard.text) if heard is not None and heard.text else {}

    def is_tray_empty(self, bench: str) -> bool:
        return any(fact["kind"] == "tray-empty" for fact in self.benches[bench].truth())

    def is_all_put_away(self) -> bool:
        """Return whether every tray is empty, every piece in its bin, every event out."""
        if not all(self.is_tray_empty(bench) for bench in self.benches):
            return False
        waiting = "SELECT count(*) FROM piece_status WHERE status IN ('in-work', 'pending')"
        return not count(self.store, waiting) and not self.outbox()

    def outbox(self) -> int:
        return count(self.store, "SELECT count(*) FROM outbox")

    def verdicts(self) -> int:
        return count(self.store, "SELECT count(*) FROM verdicts")

    def pending(self, bench: str = "b1") -> str | None:
        """Return the bin in which a piece is awaited."""
        sql = (
            "SELECT s.bin FROM piece_status s JOIN lots l ON l.id = s.lot"
            " WHERE l.bench = ? AND s.status = 'pending'"
        )
        found = rows(self.store, sql, bench)
        return found[0]["bin"] if found else None

    def events(self, bench: str = "b1") -> list[dict[str, Any]]:
        """Return the events of the store in their order."""
        sql = "SELECT body FROM events WHERE bench = ? ORDER BY seq"
        return [json.loads(row["body"]) for row in rows(self.store, sql, bench)]


def _broker(kind: BrokerKind, folder: Path) -> AbstractContextManager[Mosquitto | OldBroker]:
    if kind == "old":
        return running_old_broker()
    if kind == "mosquitto":
        return running_mosquitto()
    memory = folder / "broker"
    memory.mkdir()
    return running_mosquitto(SAVES_AT_ONCE, persistence=memory)


@contextmanager
def running_shop(
    folder: Path,
    speed: float,
    pieces: Mapping[str, int],
    *replacements: Replacement,
    seed: int = 1,
    words: tuple[str, ...] = (),
    sees_mqtt: bool = True,
    broker: BrokerKind = "mosquitto",
    disk: Path | None = None,
) -> Iterator[Shop]:
    """Run everything but the service for the length of the context.

    Args:
        folder: An empty folder.
        speed: Rate of the simulated benches; the service is started with the same.
        pieces: How many lie in the tray of which bench.
        replacements: For the bench file.
        seed: Of the simulated benches.
        words: Further words for the simulated benches, such as mistakes.
        sees_mqtt: Whether the simulated operator follows prompt and lamps; without, the
            bench runs by its own truth and tells no bin.
        broker: ``durable`` is a mosquitto that knows its listener again after a death;
            ``old`` speaks MQTT 3.1.1 only.
        disk: Folder of the store, if it is not to lie beside the bench file.
    """
    print(f"seed {seed}, speed {speed:g}, pieces {dict(pieces)}")
    with ExitStack() as stack:
        process = stack.enter_context(_broker(broker, folder))
        listener = stack.enter_context(listening(process.port, *_OPTIONS[broker]))
        changes = [('path = "millrace.db"', f'path = "{disk}/millrace.db"')] if disk else []
        path = bench_file(folder, process.url, tuple(pieces), *changes, *replacements)
        shop = Shop(folder, path, (disk or folder) / "millrace.db", speed, process, listener)
        for bench, quantity in pieces.items():
            (folder / bench).mkdir()
            given = ["--bench", bench, "--speed", f"{speed:g}", "--seed", str(seed)]
            given += ["--pieces", str(quantity), *words]
            given += ["--mqtt", process.url] if sees_mqtt else []
            shop.benches[bench] = stack.enter_context(running_bench(folder / bench, *given))
        yield shop
