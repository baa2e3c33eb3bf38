"""The service with a death of its own choosing.

``python -m tests.system.killable_service BENCH.toml SPEED POINT NTH`` serves like ``reclamp
run`` and ends itself with SIGKILL at the NTH passing of write point POINT. SIGKILL can't be
caught: nothing is flushed, closed or said, as in a power cut of the process.
"""

import logging
import os
import signal
import sys
from pathlib import Path

from daemon.clock import SystemClock
from daemon.config import load
from daemon.service import serve

WRITE_POINTS = (
    "before-note", "after-note", "before-commit", "after-commit", "before-publish",
    "after-puback", "before-lamp", "after-lamp",
)  # fmt: skip


class Death:
    """Counts the passings of one write point and strikes at one of them."""

    def __init__(self, point: str, nth: int) -> None:
        assert point in WRITE_POINTS, f"{point!r}; accepted are {', '.join(WRITE_POINTS)}"
        self._point = point
        self._left = nth

    def __call__(self, reached: str) -> None:
        assert reached in WRITE_POINTS, f"the service names a point nobody knows: {reached}"
        self._left -= reached == self._point
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    bench_file, speed, point, nth = sys.argv[1:]
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(name)s: %(message)s")
    serve(load(Path(bench_file)), SystemClock(float(speed)), reached=Death(point, int(nth)))
