"""The service as a process of its own, as in production, and what the kernel says of it.

with running_service(bench_file, speed=20) as service:
    ... service.kill() ... service.stop() ... service.cpu_s() ... service.log()
"""

import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from tests.process_figures import cpu_s, resident_mb

__all__ = ["ROOT", "ServiceProcess", "running_service"]

ROOT = Path(__file__).parent.parent.parent
"""Children start here, so that ``-m`` finds the packages of this very tree."""

_END_WAIT_S = 20.0


class ServiceProcess:
    """One life of the service.

    Attributes:
        popen: The process.
        log_path: What it wrote, both streams.
    """

    def __init__(self, words: Sequence[str], log_path: Path) -> None:
        self.log_path = log_path
        with log_path.open("ab") as log:
            self.popen = subprocess.Popen(
                [sys.executable, *words],
                cwd=ROOT,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    @property
    def is_alive(self) -> bool:
        return self.popen.poll() is None

    def log(self) -> str:
        return self.log_path.read_text(encoding="utf-8", errors="replace")

    def kill(self) -> None:
        """End it as a power cut does."""
        self.popen.kill()
        self.popen.wait(_END_WAIT_S)

    def stop(self, sign: signal.Signals = signal.SIGTERM) -> int:
        """End it in order; return its exit code."""
        self.popen.send_signal(sign)
        return self.popen.wait(_END_WAIT_S)

    def cpu_s(self) -> float:
        """Return processor seconds used so far, all threads, user and system."""
        return cpu_s(self.popen.pid)

    def resident_mb(self) -> float:
        """Return resident memory in units of 10^6 bytes."""
        return resident_mb(self.popen.pid)


def run_words(bench_file: Path, speed: float, *options: str) -> list[str]:
    """Return the arguments that start ``reclamp run``."""
    return ["-m", "daemon.cli", "run", str(bench_file), "--speed", f"{speed:g}", *options]


@contextmanager
def running_service(
    bench_file: Path,
    speed: float = 1.0,
    *options: str,
    dies_at: tuple[str, int] | None = None,
) -> Iterator[ServiceProcess]:
    """Run the service for the length of the context.

    Args:
        bench_file: Its bench file; the log lies beside it.
        speed: Rate of its clock.
        options: Further options of ``reclamp run``.
        dies_at: Write point and passing at which it kills itself with SIGKILL.
    """
    words = run_words(bench_file, speed, *options)
    if dies_at is not None:
        point, nth = dies_at
        launcher = ["-m", "tests.system.killable_service", str(bench_file), f"{speed:g}"]
        words = [*launcher, point, str(nth)]
    service = ServiceProcess(words, bench_file.with_suffix(".log"))
    try:
        yield service
    finally:
        if service.is_alive:
            service.kill()
