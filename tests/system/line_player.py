"""A simulated bench at the far end of a line, and the times at which its frames left.

with playing(folder / "indicator", speed=20, pieces=1000) as left_ns:
    ... waited_ms(left_ns, message.at_s)
"""

import json
import subprocess
import sys
import threading
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.system.service_process import ROOT

__all__ = ["percentile", "playing", "waited_ms"]

NS_PER_S = 1_000_000_000


@contextmanager
def playing(link: Path, speed: float, pieces: int) -> Iterator[list[int]]:
    """Play a bench into a line; yield the times of its index frames, growing."""
    words = ["-m", "tests.system.frame_player", str(link), f"{speed:g}", "9", str(pieces)]
    process = subprocess.Popen(
        [sys.executable, *words], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    stream = process.stdout
    assert json.loads(stream.readline()) == {"ready": True}
    left_ns: list[int] = []
    reader = threading.Thread(
        target=lambda: left_ns.extend(json.loads(line)["at_ns"] for line in stream), daemon=True
    )
    reader.start()
    try:
        yield left_ns
    finally:
        process.kill()
        process.wait()
        reader.join()
        stream.close()


def waited_ms(left_ns: Sequence[int], at_s: float) -> float:
    """Return how long before a time of the day the last index frame had left."""
    at_ns = round(at_s * NS_PER_S)
    return (at_ns - left_ns[bisect_right(left_ns, at_ns) - 1]) / 1e6


def percentile(values: Sequence[float], percent: int) -> float:
    return sorted(values)[min(len(values) - 1, len(values) * percent // 100)]
