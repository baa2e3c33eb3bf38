"""A real mosquitto on a loopback port of its own, for the tests that need a broker.

with running_mosquitto() as broker:
    ... broker.port ... broker.stop() ... broker.start() ... broker.log()
"""

import os
import random
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

__all__ = ["Mosquitto", "mosquitto_program", "running_mosquitto"]

OPEN_LISTENER = "listener {port} 127.0.0.1\nallow_anonymous true\n"
"""Anybody on this machine, nobody from outside."""

_PORTS = range(20_000, 32_000)
"""Below Linux' ephemeral ports: an outgoing connection can't take ours while we restart."""

_START_WAIT_S = 10.0
_STOP_WAIT_S = 5.0


class Mosquitto:
    """One broker process; keeps its port over ``stop`` and ``start``.

    Attributes:
        port: The loopback port; valid once the broker is running.
        folder: Configuration and log lie here, and go with the context.
    """

    def __init__(self, program: str, folder: Path, config: str) -> None:
        self.port = 0
        self.folder = folder
        self._program = program
        self._config = config
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        assert self._process is not None, "the broker is not running"
        return self._process.pid

    def log(self) -> str:
        """Return all that the broker has logged since its first start."""
        path = self.folder / "mosquitto.log"
        return path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""

    def start(self) -> None:
        """Start on the port of the last start, or on a free one.

        Binding is left to the broker itself: whoever was faster makes it exit, and
        the next port is tried. So there is no gap between finding a port and having it.
        """
        assert self._process is None, "the broker is running already"
        ports = [self.port] if self.port else random.SystemRandom().sample(_PORTS, 20)
        for port in ports:
            if self._started_on(port):
                self.port = port
                return
        raise RuntimeError(f"mosquitto did not start:\n{self.log()}")

    def stop(self) -> None:
        """End the broker in order; retained messages survive only with a persistence folder."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End the broker at once, as a power cut does."""
        self._end(signal.SIGKILL)

    def freeze(self) -> None:
        """Let the broker hang with its connections open."""
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        os.kill(self.pid, signal.SIGCONT)

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        process.send_signal(signal.SIGCONT)  # a frozen process gets no other signal
        try:
            process.wait(_STOP_WAIT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(_STOP_WAIT_S)

    def _started_on(self, port: int) -> bool:
        config = self.folder / "mosquitto.conf"
        config.write_text(self._config.replace("{port}", str(port)), encoding="utf-8")
        before = len(self.log())
        with (self.folder / "mosquitto.log").open("ab") as log:
            process = subprocess.Popen(
                [self._program, "-c", str(config)], stdout=log, stderr=log
            )
        deadline = time.monotonic() + _START_WAIT_S
        while time.monotonic() < deadline and process.poll() is None:
            if " running" in self.log()[before:] and _answers(port):
                self._process = process
                return True
            time.sleep(0.01)
        process.kill()
        process.wait()
        if "Address already in use" in self.log()[before:]:
            return False
        raise RuntimeError(f"mosquitto did not start:\n{self.log()[before:]}")


def _answers(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=1.0):
            return True
    except OSError:
        return False


def mosquitto_program() -> str:
    """Return the path of mosquitto; skip the test, naming what is missing, if there is none."""
    path = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))
    program = shutil.which("mosquitto", path=path)
    if program is None:
        pytest.skip("mosquitto is missing (Debian: apt install mosquitto)")
    return program


@contextmanager
def running_mosquitto(
    config: str = "", persistence: Path | None = None, listener: str = OPEN_LISTENER
) -> Iterator[Mosquitto]:
    """Run a mosquitto for the length of the context.

    Args:
        config: Further lines of mosquitto.conf; ``{port}`` stands for the port.
        persistence: Folder in which retained messages survive a restart; None for memory only.
        listener: The lines that open the port; replace them for users, ACLs or TLS.
    """
    program = mosquitto_program()
    lines = ["user root", "log_dest stderr", "log_type all", "log_timestamp true", listener]
    if persistence is not None:
        lines += ["persistence true", f"persistence_location {persistence}/"]
    with tempfile.TemporaryDirectory(prefix="reclamp-mosquitto-") as folder:
        broker = Mosquitto(program, Path(folder), "\n".join([*lines, config, ""]))
        broker.start()
        try:
            yield broker
        finally:
            broker.stop()
