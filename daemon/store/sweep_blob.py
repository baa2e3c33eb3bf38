"""The readings of a clamping as one compact, versioned blob.

Byte 0 is the version. Version 1: zlib over UTF-8 JSON, a list with one object an
indicator: ``indicator``, ``position``, ``cut``, first time and first value, then the
differences, ``index_ns`` relative to the first time. Version 2 adds ``angle_udeg`` (first
angle and differences) and ``second_ns`` (relative to the first time); it is written only
where there are such. Lengths are nanometres, times
monotonic nanoseconds. Anybody with Python reads it in three lines.
"""

import json
import zlib
from collections.abc import Sequence
from itertools import accumulate, pairwise
from typing import Any

from rules.clamping import PositionRunOut
from rules.run_out import Sweep

VERSIONS = (1, 2)


def encode(positions: Sequence[PositionRunOut]) -> bytes:
    """Return the sweeps of a clamping as stored."""
    tracks = [_track(position) for position in positions]
    text = json.dumps(tracks, separators=(",", ":"))
    has_more = any("angle_udeg" in track for track in tracks)
    return bytes([VERSIONS[has_more]]) + zlib.compress(text.encode("utf-8"), 6)


def decode(blob: bytes) -> list[tuple[str, str, Sweep]]:
    """Return indicator, position and sweep of each track.

    Raises:
        ValueError: If the blob is of a version this release doesn't know.
    """
    if not blob or blob[0] not in VERSIONS:
        known = ", ".join(str(version) for version in VERSIONS)
        raise ValueError(f"sweep of version {blob[:1].hex() or 'none'}, known are {known}")
    tracks = json.loads(zlib.decompress(blob[1:]))
    return [(t["indicator"], t["position"], _sweep(t)) for t in tracks]


def _track(position: PositionRunOut) -> dict[str, Any]:
    sweep = position.sweep
    first = sweep.at_ns[0] if sweep.at_ns else 0
    more: dict[str, Any] = {}
    if sweep.angle_udeg or sweep.second_ns:
        more["angle_udeg"] = _differences(sweep.angle_udeg)
        more["second_ns"] = [at - first for at in sweep.second_ns]
    return more | {
        "indicator": position.indicator,
        "position": position.position,
        "cut": sweep.cut,
        "at_ns": _differences(sweep.at_ns),
        "value_nm": _differences(sweep.value_nm),
        "index_ns": [at - first for at in sweep.index_ns],
    }


def _differences(values: Sequence[int]) -> list[int]:
    return [*values[:1], *(later - earlier for earlier, later in pairwise(values))]


def _sweep(track: dict[str, Any]) -> Sweep:
    at_ns = tuple(accumulate(track["at_ns"]))
    first = at_ns[0] if at_ns else 0
    return Sweep(
        at_ns,
        tuple(accumulate(track["value_nm"])),
        tuple(first + at for at in track["index_ns"]),
        track["cut"],
        tuple(accumulate(track.get("angle_udeg", ()))),
        tuple(first + at for at in track.get("second_ns", ())),
    )
