"""A broker that speaks MQTT 3.1.1 and nothing newer: the demo's own, as a process."""

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress

from tests.system.deadline import until
from tests.system.service_process import ROOT

__all__ = ["OldBroker", "running_old_broker"]


class OldBroker:
    """Where it listens.

    Attributes:
        port: On this machine only.
    """

    def __init__(self, port: int) -> None:
        self.port = port

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    def answers(self) -> bool:
        with suppress(OSError), closing(socket.create_connection(("127.0.0.1", self.port), 1)):
            return True
        return False


@contextmanager
def running_old_broker() -> Iterator[OldBroker]:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        broker = OldBroker(probe.getsockname()[1])
    words = ["-m", "daemon.demo.broker_process", str(broker.port)]
    process = subprocess.Popen([sys.executable, *words], cwd=ROOT)
    try:
        until(broker.answers, "a broker", 20)
        yield broker
    finally:
        process.terminate()
        process.wait(10)
