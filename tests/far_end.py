"""The far end of a pseudo-terminal, for tests that need a real line."""

import os
import pty
import select
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["FarEnd", "far_end"]


class FarEnd:
    """Sends at its own pace and answers what it is asked.

    Attributes:
        path: What the near end opens.
        heard: What came from the near end so far.
    """

    def __init__(self, answer: Callable[[bytes], bytes] | None = None) -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.heard = b""
        self._answer = answer
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()
        self._sender: threading.Thread | None = None

    def send(self, data: bytes) -> None:
        os.write(self._master, data)

    def send_each(self, frames: Iterator[bytes], every_s: float) -> None:
        """Send frame by frame in a thread until they end or the line is closed."""
        self._sender = threading.Thread(target=self._send, args=(frames, every_s), daemon=True)
        self._sender.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        if self._sender is not None:
            self._sender.join()
        for descriptor in (self._master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._slave = -1

    def _send(self, frames: Iterator[bytes], every_s: float) -> None:
        for frame in frames:
            if self._stop.wait(every_s):
                return
            self.send(frame)

    def _listen(self) -> None:
        while not self._stop.is_set():
            ready, _, _ = select.select([self._master], [], [], 0.02)
            if not ready:
                continue
            data = os.read(self._master, 4096)
            self.heard += data
            if self._answer is not None and (answer := self._answer(data)):
                os.write(self._master, answer)


@contextmanager
def far_end(answer: Callable[[bytes], bytes] | None = None) -> Iterator[FarEnd]:
    """Return a far end for the length of the context."""
    end = FarEnd(answer)
    try:
        yield end
    finally:
        end.close()
