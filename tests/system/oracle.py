"""What a stranger with the store, the rule file and a pencil would say.

Nothing of drivers, rules or daemon is used here: the sweep's format is decoded from its
description (docstring of ``daemon/store/sweep_blob.py``), the run-out is largest minus
smallest reading of each whole turn (TIR, circular run-out in the sense of ISO 1101, from
memory), the verdict is the rule file's text.
"""

import json
import tomllib
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

NM_PER_UM = 1000
NM_PER_INCH = 25_400_000


@dataclass(frozen=True)
class Track:
    """The stored readings of one indicator."""

    indicator: str
    position: str
    at_ns: list[int]
    value_nm: list[int]
    index_ns: list[int]


@dataclass(frozen=True)
class Said:
    """What a cycle's clampings come to: a grade (None: none) and a bin."""

    grade: str | None
    bin: str


Known = tuple[int | None, int | None]
"""TIR and run-out seen at least, nanometres: the first is None for an invalid clamping."""


def decode(blob: bytes) -> list[Track]:
    """Return the tracks of a sweep blob, version 1."""
    assert blob[0] == 1, f"sweep of version {blob[0]}"
    tracks = []
    for raw in json.loads(zlib.decompress(blob[1:])):
        at_ns, value_nm = _summed(raw["at_ns"]), _summed(raw["value_nm"])
        first = at_ns[0] if at_ns else 0
        index_ns = [first + at for at in raw["index_ns"]]
        tracks.append(Track(raw["indicator"], raw["position"], at_ns, value_nm, index_ns))
    return tracks


def _summed(differences: Sequence[int]) -> list[int]:
    total, found = 0, []
    for difference in differences:
        total += difference
        found.append(total)
    return found


def turns_nm(track: Track, capture: dict[str, Any], turns: int) -> list[int]:
    """Return largest minus smallest reading of each of the first whole turns.

    By index: from one passing of the flag to the next. By known speed: a turn is swept for
    its time at the slowest the speed may be (``speed_tolerance_percent``, 5 by default).
    """
    if capture["proof"] == "index":
        marks = track.index_ns[: turns + 1]
    else:
        tolerance = 100 + capture.get("speed_tolerance_percent", 5)
        turn_ns = int(Decimal(str(capture["turn_s"])) * 10**9) * tolerance // 100
        marks = [track.at_ns[0] + turn_ns * i for i in range(turns + 1)]
    found = []
    for start, end in pairwise(marks):
        inside = [
            value
            for at, value in zip(track.at_ns, track.value_nm, strict=True)
            if start <= at <= end
        ]
        found.append(max(inside) - min(inside))
    return found


class RuleText:
    """A rule file, read as it stands."""

    def __init__(self, path: Path) -> None:
        self.raw = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)

    @property
    def turns(self) -> int:
        return int(self.raw["cycle"]["turns"])

    @property
    def limits_nm(self) -> list[int]:
        """Return every number that a run-out is compared with: it settles a verdict."""
        accepted = {self._accepted_nm(grade) for grade in self.raw["grade"]}
        return sorted({*accepted, max(_nm(grade, "limit") for grade in self.raw["grade"])})

    def _accepted_nm(self, grade: dict[str, Any]) -> int:
        return _nm(grade, "limit") - _nm(grade, "guard")

    def verdict(self, clampings: Sequence[Known]) -> Said | None:
        """Return what these clampings settle; None while another one is needed."""
        known = [tir if tir is not None else seen for tir, seen in clampings]
        worst = max((value for value in known if value is not None), default=0)
        valid = sum(tir is not None for tir, _ in clampings)
        grades = self.raw["grade"]
        open_to_it = [g for g in grades if worst <= self._accepted_nm(g)]
        if not open_to_it:
            is_hold = worst <= max(_nm(grade, "limit") for grade in grades)
            return Said(None, self.raw["hold" if is_hold else "nonconforming"]["bin"])
        best = open_to_it[0]
        if valid >= best["clampings"]:
            return Said(best["id"], best["bin"])
        too_many = len(clampings) - valid > self.raw["cycle"]["invalid_max"]
        return Said(None, self.raw["hold"]["bin"]) if too_many else None

    def settled(self, clampings: Sequence[Known]) -> Said | None:
        """Return the verdict, if exactly all of these clampings were needed for it."""
        for count in range(len(clampings)):
            if self.verdict(clampings[:count]) is not None:
                return None
        return self.verdict(clampings)


def _nm(grade: dict[str, Any], key: str) -> int:
    if f"{key}_in" in grade:
        return int(Decimal(grade[f"{key}_in"]) * NM_PER_INCH)
    return int(Decimal(grade.get(f"{key}_um", 0)) * NM_PER_UM)
