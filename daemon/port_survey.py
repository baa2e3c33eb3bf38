"""What is plugged in, who uses it, and who may open it; nothing is opened to find that out.

Opening a serial port raises DTR and RTS, and an isolated indicator cable lives off them. So
use is read from the system instead: open descriptors in ``/proc/PID/fd``, and the lock that
an exclusive opener holds in ``/proc/locks``.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from daemon.port_access import Access, read_access
from daemon.port_users import User, read_users

SERIAL_NAMES = Path("/dev/serial")


@dataclass(frozen=True, slots=True)
class Adapter:
    """What the port hangs on, as its USB descriptors say.

    Attributes:
        about: Description, "" if it has none.
        vendor_id: USB vendor id; None for a port that is no USB adapter.
        product_id: USB product id.
        serial_number: Its serial number, "" if it has none.
    """

    about: str = ""
    vendor_id: int | None = None
    product_id: int | None = None
    serial_number: str = ""

    @property
    def is_one_of_a_kind(self) -> bool:
        """True if its serial number tells it from another of its make."""
        return bool(self.serial_number)


@dataclass(frozen=True, slots=True)
class PortFound:
    """One port.

    Attributes:
        path: Device path; it may be another one after plugging in again.
        adapter: What it hangs on.
        by_id: Names that follow the adapter from socket to socket.
        by_path: Names that stay with the socket, whatever is plugged into it.
        is_twin: True if another adapter says the same of itself.
        users: Processes that have it open, as far as they can be seen.
        is_free: None if nobody is seen, but not every process may be looked at.
        access: Who may open it.
    """

    path: str
    adapter: Adapter
    by_id: Sequence[str]
    by_path: Sequence[str]
    is_twin: bool
    users: Sequence[User]
    is_free: bool | None
    access: Access

    @property
    def best_name(self) -> str:
        """The name that a bench file should use."""
        if self.by_id and self.adapter.is_one_of_a_kind and not self.is_twin:
            return self.by_id[0]
        return next(iter([*self.by_path, *self.by_id]), self.path)

    @property
    def why_that_name(self) -> str:
        """Why it is the best one, in words."""
        if self.is_twin:
            return "two adapters bear the same id: only the socket tells them apart"
        if self.best_name in self.by_id:
            return "follows the adapter to any socket"
        if self.best_name in self.by_path:
            return "stays with the socket; the adapter has no serial number"
        if self.adapter.vendor_id is None:
            return "its only name"
        return "no lasting name: it may change when plugged in again"


def plugged_in() -> list[ListPortInfo]:
    """Return the ports that the system lists, by path."""
    return sorted(list_ports.comports())


def survey(
    ports: Iterable[ListPortInfo] | None = None,
    further: Sequence[str] = (),
    names: Path = SERIAL_NAMES,
) -> list[PortFound]:
    """Return the ports with their names, users and rights.

    Args:
        ports: What is plugged in; what the system lists if left out.
        further: Paths to look at besides.
        names: Folder with ``by-id`` and ``by-path``.

    Raises:
        FileNotFoundError: If a path of ``further`` is not there.
    """
    listed = plugged_in() if ports is None else list(ports)
    adapters = {info.device: _adapter(info) for info in listed}
    for path in further:
        real = os.path.realpath(path, strict=True)
        if real not in adapters:
            adapters[real] = Adapter()
    return [_found(path, adapters, names) for path in adapters]


def _adapter(info: ListPortInfo) -> Adapter:
    about = "" if info.description in (None, "n/a") else info.description
    return Adapter(about, info.vid, info.pid, info.serial_number or "")


def _found(path: str, adapters: dict[str, Adapter], names: Path) -> PortFound:
    adapter = adapters[path]
    users = read_users(path)
    is_free = False if users.seen or users.is_locked else (True if users.sees_all else None)
    return PortFound(
        path=path,
        adapter=adapter,
        by_id=_links(names / "by-id", path),
        by_path=_links(names / "by-path", path),
        is_twin=adapter.vendor_id is not None and list(adapters.values()).count(adapter) > 1,
        users=users.seen,
        is_free=is_free,
        access=read_access(path),
    )


def _links(folder: Path, path: str) -> list[str]:
    """Return the links in a folder that lead to a device."""
    if not folder.is_dir():
        return []
    real = os.path.realpath(path)
    return sorted(str(link) for link in folder.iterdir() if os.path.realpath(link) == real)
