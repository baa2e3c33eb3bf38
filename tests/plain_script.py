"""What a shop's engineer would write: ``python -m tests.plain_script LINE MQTT_PORT STORE``.

One bench, one indicator, one rule set, all in one loop: read a line, sum up two turns between
index marks, three clampings or one beyond, commit the piece, light the lamp. It believes the
wire, the spindle, the operator and the broker. Written to be compared with: nothing is left
out that its job needs (WAL, synchronous=FULL, a commit before the lamp, QoS 1), nothing is
slowed down.
"""

import re
import sqlite3
import sys
import time
from collections.abc import Iterator

import paho.mqtt.client as mqtt
import serial
from paho.mqtt.enums import CallbackAPIVersion

FRAME = re.compile(rb"([+-]\d{3}\.\d{4}) mm (I|\.)(F|\.)\s*")
OFF_MM, LOOSE_MM = 0.4, 0.01
LOOSE_READINGS, GONE_READINGS = 10, 80
TURNS, CLAMPINGS, TOP_MM, LOWER_MM = 2, 3, 0.0032, 0.012


def readings(line: serial.Serial) -> Iterator[tuple[float, bool]]:
    """Yield millimetres and index mark of each frame."""
    while True:
        found = FRAME.fullmatch(line.readline())
        if found:
            yield float(found[1]), found[2] == b"I"
        else:
            yield OFF_MM + 1, False


def tirs(line: serial.Serial) -> Iterator[float | None]:
    """Yield the TIR of each clamping in millimetres, None when the piece is gone."""
    sweep: list[float] = []
    marks, loose, gone, is_armed = 0, 0, 0, True
    for value, is_index in readings(line):
        off = abs(value) > OFF_MM
        gone = gone + 1 if off else 0
        loose = loose + 1 if LOOSE_MM < abs(value) <= OFF_MM else loose
        if gone == GONE_READINGS:
            is_armed = True
            yield None
        if abs(value) > LOOSE_MM:
            is_armed = is_armed or loose >= LOOSE_READINGS
            sweep, marks = [], 0
            continue
        marks += is_index
        if marks and is_armed:
            sweep.append(value)
        if marks == TURNS + 1 and is_armed:
            loose, is_armed = 0, False
            yield max(sweep) - min(sweep)


def bin_of(done: list[float]) -> str | None:
    """Return where the piece belongs, None while more clampings are needed."""
    worst = max(done)
    if worst > LOWER_MM:
        return "N"
    if worst > TOP_MM:
        return "2"
    return "1" if len(done) == CLAMPINGS else None


def main(port: str, mqtt_port: str, store: str) -> None:
    db = sqlite3.connect(store)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("CREATE TABLE pieces (at REAL, tirs TEXT, bin TEXT)")
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", int(mqtt_port))
    client.loop_start()
    line = serial.Serial(port, 9600)
    print("ready", flush=True)
    done: list[float] = []
    lit: str | None = None
    for tir in tirs(line):
        if tir is None:
            if lit:
                client.publish(f"reclamp/b1/lamp/{lit}", "off", 1, retain=True)
            done, lit = [], None
            continue
        if lit:
            continue
        done.append(tir)
        lit = bin_of(done)
        if lit:
            row = (time.time(), ",".join(f"{1000 * each:.1f}" for each in done), lit)
            db.execute("INSERT INTO pieces VALUES (?, ?, ?)", row)
            db.commit()
            client.publish(f"reclamp/b1/lamp/{lit}", "on", 1)


if __name__ == "__main__":
    main(*sys.argv[1:])
