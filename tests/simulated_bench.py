"""The simulated bench as a process of its own, for the tests that need a real line.

with running_bench(folder, "--speed", "60") as bench:
    ... bench.link ... bench.tell("unplug") ... bench.truth() ... bench.end()
"""

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import Queue

__all__ = ["SimulatedBench", "running_bench"]

_WAIT_S = 20.0


class SimulatedBench:
    """One bench process; ready when the context begins.

    Attributes:
        link: The name under which its line can be opened.
        popen: The process.
    """

    def __init__(self, folder: Path, *words: str) -> None:
        self.link = folder / "indicator"
        self._truth = folder / "truth.jsonl"
        command = [sys.executable, "-m", "daemon.simulate.bench_process"]
        command += ["--link", str(self.link), "--truth", str(self._truth), *words]
        self.popen = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._said: Queue[str] = Queue()
        self._reader = threading.Thread(target=self._collect, daemon=True)
        self._reader.start()

    def said(self) -> dict[str, object]:
        """Return the next object from its standard output."""
        answer: dict[str, object] = json.loads(self._said.get(timeout=_WAIT_S))
        return answer

    def tell(self, word: str) -> None:
        """Say a control word; needs ``--control``."""
        assert self.popen.stdin is not None
        self.popen.stdin.write(word + "\n")
        self.popen.stdin.flush()

    def truth(self) -> list[dict[str, object]]:
        """Return the facts so far."""
        return [json.loads(line) for line in self._truth.read_text().splitlines()]

    def end(self, sign: signal.Signals = signal.SIGTERM) -> dict[str, object]:
        """End it in order; return its summary."""
        self.popen.send_signal(sign)
        return self.ended()

    def ended(self) -> dict[str, object]:
        """Wait until it has ended by itself; return its summary."""
        summary = self.said()
        assert self.popen.wait(_WAIT_S) == 0
        return summary

    def close(self) -> None:
        """End it whatever it does."""
        self.popen.kill()
        self.popen.wait()
        self._reader.join()
        for stream in (self.popen.stdin, self.popen.stdout):
            if stream is not None:
                stream.close()

    def _collect(self) -> None:
        assert self.popen.stdout is not None
        for text in self.popen.stdout:
            self._said.put(text)


@contextmanager
def running_bench(folder: Path, *words: str) -> Iterator[SimulatedBench]:
    """Run a simulated bench for the length of the context."""
    bench = SimulatedBench(folder, *words)
    try:
        assert "ready" in bench.said()
        yield bench
    finally:
        bench.close()
