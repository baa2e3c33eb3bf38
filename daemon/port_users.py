"""Which processes have a device open, read from ``/proc`` without opening it."""

import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

PROC = Path("/proc")
_PSEUDO_TERMINALS = range(136, 144)
"""Their numbers are given anew in every container; the file system tells them apart."""


@dataclass(frozen=True, slots=True)
class User:
    """A process that has a port open.

    Attributes:
        pid: Its number.
        command: Its command line, "" if it may not be read.
    """

    pid: int
    command: str


@dataclass(frozen=True, slots=True)
class Users:
    """What could be found out.

    Attributes:
        seen: Processes that have the device open.
        is_locked: True if somebody holds the lock of an exclusive opener.
        sees_all: False if some processes may not be looked at.
    """

    seen: Sequence[User]
    is_locked: bool
    sees_all: bool


def read_users(path: str, proc: Path = PROC) -> Users:
    """Return who has a device open; whoever asks is left out."""
    try:
        device = os.stat(path)
    except OSError:
        return Users((), is_locked=False, sees_all=False)
    seen: list[User] = []
    sees_all = proc.is_dir()
    for folder in proc.glob("[0-9]*"):
        if int(folder.name) == os.getpid():
            continue
        opened = _has_open(folder / "fd", device)
        if opened is None:
            sees_all = False
        elif opened:
            seen.append(User(int(folder.name), _command(folder)))
    return Users(seen, _is_locked(device, proc), sees_all)


def _has_open(folder: Path, device: os.stat_result) -> bool | None:
    """Return whether one of the descriptors is the device; None if that may not be seen."""
    try:
        descriptors = list(folder.iterdir())
    except FileNotFoundError:  # the process ended in this moment
        return False
    except OSError:
        return None
    return any(_is_device(descriptor, device) for descriptor in descriptors)


def _is_device(descriptor: Path, device: os.stat_result) -> bool:
    try:
        found = os.stat(descriptor)
    except OSError:
        return False
    if not stat.S_ISCHR(found.st_mode) or found.st_rdev != device.st_rdev:
        return False
    return os.major(device.st_rdev) not in _PSEUDO_TERMINALS or found.st_dev == device.st_dev


def _is_locked(device: os.stat_result, proc: Path) -> bool:
    """Return True if ``/proc/locks`` names the device's own file: MAJOR:MINOR:INODE in hex."""
    numbers = f"{os.major(device.st_dev):02x}:{os.minor(device.st_dev):02x}:{device.st_ino}"
    try:
        locks = (proc / "locks").read_text(encoding="ascii", errors="replace")
    except OSError:
        return False
    return any(numbers in line.split() for line in locks.splitlines())


def _command(folder: Path) -> str:
    try:
        words = (folder / "cmdline").read_bytes().split(b"\0")
    except OSError:
        return ""
    return b" ".join(words).decode(errors="replace").strip()
