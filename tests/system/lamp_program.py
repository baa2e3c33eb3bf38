"""README's lamp as a process of its own: the program as it stands there, and what it showed.

with running_lamp(folder, port, "reclamp/b1/lamp/2", dark_after_s=1.5) as lamp:
    ... lamp.is_lit ... lamp.changed_s
"""

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.developers_example import blocks_of
from tests.make_readme import README

HEADING = "On MQTT"


class LampProgram:
    """One lamp.

    Attributes:
        changes: When it changed, on the interval clock, and whether it was lit then.
    """

    def __init__(self, script: Path, *words: str) -> None:
        self.changes: list[tuple[float, bool]] = []
        self._popen = subprocess.Popen(
            [sys.executable, str(script), *words], stdout=subprocess.PIPE, encoding="ascii"
        )
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        assert self._popen.stdout is not None
        for line in self._popen.stdout:
            self.changes.append((time.monotonic(), line.strip() == "lit"))

    @property
    def is_lit(self) -> bool:
        return bool(self.changes) and self.changes[-1][1]

    def flashes_since(self, begun_s: float) -> int:
        """Return how often it was switched on since then."""
        return sum(is_lit for at_s, is_lit in self.changes if at_s > begun_s)

    def close(self) -> None:
        self._popen.kill()
        self._popen.wait()
        self._thread.join()
        assert self._popen.stdout is not None
        self._popen.stdout.close()


@contextmanager
def running_lamp(
    folder: Path, port: int, topic: str, dark_after_s: float
) -> Iterator[LampProgram]:
    """Run README's program for the length of the context; it is dark when this begins."""
    (block,) = [block for block in blocks_of(HEADING, README) if block.name == "lamp.py"]
    script = folder / "lamp.py"
    script.write_text(block.text, encoding="utf-8")
    lamp = LampProgram(script, "127.0.0.1", str(port), topic, f"{dark_after_s:g}")
    try:
        deadline = time.monotonic() + 10
        while not lamp.changes:
            assert time.monotonic() < deadline, "the lamp says nothing"
            time.sleep(0.01)
        yield lamp
    finally:
        lamp.close()
