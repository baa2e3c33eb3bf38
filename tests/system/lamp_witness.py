"""A lamp that doesn't believe what it is told: ``python -m tests.system.lamp_witness PORT DB``.

At each ``on`` it looks into the store, over a connection of its own, for the newest verdict of
that bench, noted or written out, and says on standard output what it found there, one JSON
object a line.
"""

import json
import sqlite3
import sys
from contextlib import closing

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

_NOTED = "SELECT body FROM noted WHERE bench = ? ORDER BY id DESC LIMIT 1"
_NEWEST = """SELECT p.number, c.number, v.bin FROM verdicts v JOIN cycles c ON c.id = v.cycle
    JOIN pieces p ON p.id = c.piece JOIN lots l ON l.id = p.lot
    WHERE l.bench = ? ORDER BY v.id DESC LIMIT 1"""


def look(store: str, bench: str) -> tuple[str | None, str | None]:
    """Return bench, piece and cycle of the newest verdict of a bench, and its bin."""
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as db:
        db.execute("BEGIN")  # both as of one moment: a note becomes rows in a transaction
        noted = db.execute(_NOTED, (bench,)).fetchone()
        written = db.execute(_NEWEST, (bench,)).fetchone()
    if noted is not None:
        facts = json.loads(noted[0])["facts"]
        (ended,) = [fact for kind, fact in facts if kind == "cycle-ended"]
        written = (ended["piece"], ended["cycle"], ended["decision"]["bin"])
    if written is None:
        return None, None
    piece, cycle, found = written
    return f"{bench} {piece} {cycle}", found


def say(**what: object) -> None:
    print(json.dumps(what), flush=True)


def main(port: int, store: str) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "lamp-witness", protocol=mqtt.MQTTv5)

    def heard(_client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        if message.payload != b"on":
            return
        _, bench, _, bin_id = message.topic.split("/")
        verdict, found = look(store, bench)
        say(bench=bench, bin=bin_id, verdict=verdict, found_bin=found)

    client.on_message = heard
    client.on_subscribe = lambda *_: say(ready=True)
    client.connect("127.0.0.1", port)
    client.subscribe("reclamp/+/lamp/+", qos=1)
    client.loop_forever()


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
