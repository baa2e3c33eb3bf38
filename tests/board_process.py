"""`reclamp board` as a process of its own, on a free port."""

import contextlib
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from queue import Empty, SimpleQueue

COMMAND = [sys.executable, "-m", "daemon.cli", "board"]

_START_WAIT_S = 20.0
_STOP_WAIT_S = 10.0


@dataclass
class BoardProcess:
    """A running board."""

    process: subprocess.Popen[str]
    url: str

    @property
    def http_port(self) -> int:
        return int(self.url.rstrip("/").rpartition(":")[2])

    def stop(self) -> int:
        """End it in order and return its exit code."""
        self.process.terminate()
        return self.process.wait(_STOP_WAIT_S)


@contextmanager
def running_board(
    broker_port: int, *options: str, http_port: int = 0, user: str = ""
) -> Iterator[BoardProcess]:
    """Run a board until the context ends; its words after the URL go to pytest's capture.

    Args:
        broker_port: Where the broker listens.
        options: Further ones of the command.
        http_port: Where the page is to be; 0: anywhere.
        user: As whom it connects; "" as nobody.
    """
    host = f"{user}@127.0.0.1" if user else "127.0.0.1"
    command = [*COMMAND, "--broker", f"mqtt://{host}:{broker_port}"]
    process = subprocess.Popen(
        [*command, "--http-port", str(http_port), *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    lines: SimpleQueue[str] = SimpleQueue()
    reader = threading.Thread(target=_read, args=(process, lines), daemon=True)
    reader.start()
    try:
        yield BoardProcess(process, _url(lines))
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait(_STOP_WAIT_S)
        reader.join()
        assert process.stdout is not None
        process.stdout.close()


def _read(process: subprocess.Popen[str], lines: "SimpleQueue[str]") -> None:
    assert process.stdout is not None
    for line in process.stdout:
        lines.put(line)
        print(line, end="")
    lines.put("")


def _url(lines: "SimpleQueue[str]") -> str:
    heard: list[str] = []
    with contextlib.suppress(Empty):
        while line := lines.get(timeout=_START_WAIT_S):
            heard.append(line)
            if found := re.search(r"http://\S+", line):
                return found[0]
    raise RuntimeError(f"the board did not start: {''.join(heard)}")
