"""The last sweeps of a bench, for whoever looks at it closely.

They stand in no retained topic: what the board has not heard itself, it can't draw.
"""

import json
from collections import deque

from daemon.board.inbox import ClampingEvent

__all__ = ["SWEEPS_KEPT", "TEXT_MAX", "Sweeps"]

SWEEPS_KEPT = 12
"""Four pieces of three clampings."""

TEXT_MAX = 16 * 1024
"""Bytes a clamping: two positions of 200 points take about 6000. A larger one is none of the
contract's, and a stranger may send any number of them."""

_SHOWN = {
    "lot", "piece", "cycle", "clamping", "counts", "result", "reason",
    "tir_um", "seen_um", "meets", "points",
}  # fmt: skip


class Sweeps:
    """The newest clampings of one bench as JSON texts, newest last.

    Attributes:
        taken: Clampings taken so far: it changes when there is something new to draw.
    """

    def __init__(self) -> None:
        self.taken = 0
        self._kept: deque[tuple[str, str]] = deque(maxlen=SWEEPS_KEPT)

    def take(self, event: ClampingEvent) -> None:
        """Keep a clamping. At least once means that the same one may come again."""
        text = _text(event)
        if len(text) > TEXT_MAX or any(event.id == known for known, _ in self._kept):
            return
        self._kept.append((event.id, text))
        self.taken += 1

    def json(self) -> str:
        """Return the clampings as a JSON array, oldest first."""
        return f"[{','.join(text for _, text in self._kept)}]"


def _text(event: ClampingEvent) -> str:
    shown = event.data.model_dump_json(include=_SHOWN)  # not a number is null: JSON knows none
    name = json.dumps({"id": event.id, "at": event.time}, separators=(",", ":"))
    return f"{name[:-1]},{shown[1:]}"
