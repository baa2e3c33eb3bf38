"""How ``listen`` shows what came: a line each for people, a JSON object each for programs."""

import json
from typing import Any

import typer

from daemon.listening import Heard, Tally
from drivers import BadFrame, Reading
from rules.length import nm_to_um, um_text

_BYTES_A_ROW = 16


class Shower:
    """Prints what came, with seconds since the first thing."""

    def __init__(self, as_json: bool) -> None:
        self._as_json = as_json
        self._zero_ns: int | None = None

    def heard(self, heard: Heard) -> None:
        """Print a reading, a bad frame or bytes."""
        at_s = self._seconds(heard.at_ns)
        match heard.what:
            case Reading() as reading:
                self._say(at_s, _reading_fields(reading), _reading_text(reading))
            case BadFrame() as bad:
                fields = {"kind": "bad-frame", "reason": bad.reason, "hex": bad.raw.hex(" ")}
                text = f"bad frame: {bad.reason}\n{'':>12}{bad.raw!r}\n{'':>12}{_hex(bad.raw)}"
                self._say(at_s, fields, text)
            case bytes() as data:
                self._say(at_s, {"kind": "bytes", "hex": data.hex(" ")}, _rows(data))

    def event(self, at_ns: int, kind: str, text: str, **fields: object) -> None:
        """Print something else that happened: the port, a request, a line state."""
        self._say(self._seconds(at_ns), {"kind": kind, **fields}, f"{kind} {text}".rstrip())

    def tally(self, tally: Tally, *, with_driver: bool) -> None:
        """Print the counts."""
        if self._as_json:
            typer.echo(json.dumps({"kind": "summary", **_tally_fields(tally)}))
            return
        for line in _tally_text(tally, with_driver=with_driver):
            typer.echo(line)

    def _seconds(self, at_ns: int) -> float:
        if self._zero_ns is None:
            self._zero_ns = at_ns
        return (at_ns - self._zero_ns) / 1e9

    def _say(self, at_s: float, fields: dict[str, Any], text: str) -> None:
        if self._as_json:
            typer.echo(json.dumps({"at_s": round(at_s, 6), **fields}, ensure_ascii=False))
        else:
            typer.echo(f"{at_s:9.3f} s {text}")


def _reading_fields(reading: Reading) -> dict[str, Any]:
    return {
        "kind": "reading",
        "value_um": None if reading.value_nm is None else nm_to_um(reading.value_nm),
        "unit": reading.unit,
        "mode": reading.mode,
        "flags": sorted(reading.flags),
        "channel": reading.channel,
        "angle_deg": None if reading.angle_udeg is None else reading.angle_udeg / 1e6,
        "counter": reading.counter,
    }


def _reading_text(reading: Reading) -> str:
    value = "–" if reading.value_nm is None else um_text(reading.value_nm)
    parts = [f"{value:>10} µm", f"sent in {reading.unit}"]
    if reading.mode != "live":
        parts.append(reading.mode)
    parts += sorted(reading.flags)
    if reading.channel:
        parts.append(f"channel {reading.channel}")
    if reading.angle_udeg is not None:
        parts.append(f"angle {reading.angle_udeg / 1e6:g}°")
    if reading.counter is not None:
        parts.append(f"counter {reading.counter}")
    return "  ".join(parts)


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _rows(data: bytes) -> str:
    """Return bytes as rows of hex with what is printable beside it."""
    rows = []
    for at in range(0, len(data), _BYTES_A_ROW):
        part = data[at : at + _BYTES_A_ROW]
        shown = "".join(chr(byte) if 0x20 <= byte < 0x7F else "·" for byte in part)
        rows.append(f"{_hex(part):<{3 * _BYTES_A_ROW}} {shown}")
    return f"\n{'':>12}".join(rows)


def _tally_fields(tally: Tally) -> dict[str, Any]:
    low, high, rate = tally.lowest_nm, tally.highest_nm, tally.rate_per_s
    return {
        "bytes": tally.data_bytes,
        "readings": tally.readings,
        "bad_frames": tally.bad_frames,
        "without_value": tally.without_value,
        "lowest_um": None if low is None else nm_to_um(low),
        "highest_um": None if high is None else nm_to_um(high),
        "rate_per_s": None if rate is None else round(rate, 3),
        "apart_ms": {
            name: None if (apart := tally.apart_ns(share)) is None else round(apart / 1e6, 3)
            for name, share in (("p05", 0.05), ("median", 0.5), ("p95", 0.95), ("longest", 1))
        },
    }


def _tally_text(tally: Tally, *, with_driver: bool) -> list[str]:
    if not with_driver:
        return [f"{tally.data_bytes} bytes in {tally.chunks} chunks"]
    lines = [f"{tally.readings} readings, {tally.bad_frames} bad frames"]
    if tally.lowest_nm is not None and tally.highest_nm is not None:
        low, high = um_text(tally.lowest_nm), um_text(tally.highest_nm)
        lines.append(f"values from {low} to {high} µm")
    if tally.rate_per_s is not None:
        early, median, late, longest = (
            (tally.apart_ns(share) or 0) / 1e6 for share in (0.05, 0.5, 0.95, 1)
        )
        lines.append(
            f"{tally.rate_per_s:.1f} readings a second; apart {median:.1f} ms, nine in ten "
            f"within {early:.1f} to {late:.1f} ms, longest {longest:.1f} ms"
        )
    return lines
