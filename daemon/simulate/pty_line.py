"""A serial line that is a pseudo-terminal, reachable by a name that outlives unplugging."""

import os
import pty
import tty
from contextlib import suppress
from pathlib import Path

from daemon.errors import PortError

_CHUNK = 4096


class PtyLine:
    """The indicator's end of the line. Unplugged until :meth:`plug` is called.

    The far end opens ``link``, a symbolic link to the present pseudo-terminal. Like a cable
    with nobody listening, the line loses what the far end doesn't take in time.

    Attributes:
        link: The name the far end opens.
        lost_bytes: What nobody took.
    """

    def __init__(self, link: Path) -> None:
        self.link = link
        self.lost_bytes = 0
        self._master: int | None = None
        self._slave: int | None = None
        self._tty = ""

    @property
    def is_plugged(self) -> bool:
        """Return whether the line exists at present."""
        return self._master is not None

    @property
    def tty(self) -> str:
        """Return the path of the present pseudo-terminal."""
        return self._tty

    @property
    def descriptor(self) -> int:
        """Return the descriptor that becomes readable when the far end sends."""
        if self._master is None:
            raise PortError(f"{self.link}: unplugged")
        return self._master

    def plug(self) -> None:
        """Make a new pseudo-terminal and let the link point to it.

        Raises:
            PortError: If something stands at the link's place that is no link.
        """
        if self._master is not None:
            return
        if self.link.exists() and not self.link.is_symlink():
            raise PortError(f"{self.link}: there is a file already, accepted is a free name")
        self._master, self._slave = pty.openpty()
        # Our own hold on the far side keeps the master from ending when a reader leaves.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._tty = os.ttyname(self._slave)
        try:
            self._point_link()
        except OSError as error:
            self.unplug()
            raise PortError(f"{self.link}: {error.strerror}") from error

    def unplug(self) -> None:
        """Remove link and pseudo-terminal; a reader gets an error."""
        if self._master is None or self._slave is None:
            return
        with suppress(OSError):
            if os.readlink(self.link) == self._tty:
                self.link.unlink()
        os.close(self._slave)
        os.close(self._master)
        self._master = self._slave = None

    def write(self, data: bytes) -> None:
        """Send bytes; what doesn't fit is lost, as on a cable."""
        if self._master is None:
            self.lost_bytes += len(data)
            return
        try:
            written = os.write(self._master, data)
        except BlockingIOError:
            written = 0
        self.lost_bytes += len(data) - written

    def read(self) -> bytes:
        """Return what the far end sent since the last call; empty if nothing."""
        if self._master is None:
            return b""
        try:
            return os.read(self._master, _CHUNK)
        except OSError:  # nothing there, or the far end closed in this moment
            return b""

    def _point_link(self) -> None:
        fresh = self.link.with_name(f".{self.link.name}.{os.getpid()}")
        fresh.symlink_to(self._tty)
        os.replace(fresh, self.link)
