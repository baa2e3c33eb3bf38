"""Who may open a device, and what a person must be allowed to for it."""

import grp
import os
import pwd
import stat
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Access:
    """Rights on a device.

    Attributes:
        may_open: True if whoever asks may read and write it.
        group: The group that may, "" if no group may.
        hint: What to do, in words; "" where nothing needs doing.
    """

    may_open: bool
    group: str
    hint: str


def read_access(path: str) -> Access:
    """Return who may open a device."""
    try:
        status = os.stat(path)
    except OSError as error:
        return Access(may_open=False, group="", hint=f"{path}: {error.strerror}")
    may_open = os.access(path, os.R_OK | os.W_OK, effective_ids=True)
    group = _group_allowed(status)
    return Access(may_open, group, "" if may_open else _hint(status))


def _group_allowed(status: os.stat_result) -> str:
    needed = stat.S_IRGRP | stat.S_IWGRP
    return _group_name(status.st_gid) if status.st_mode & needed == needed else ""


def _hint(status: os.stat_result) -> str:
    user, group = _user_name(os.geteuid()), _group_allowed(status)
    if not group:
        return f"only {_user_name(status.st_uid)} may open it"
    if user in _members(status.st_gid):
        return f"{user} is in group {group}, but not since log-in: log in anew"
    return f"needs group {group}: sudo usermod -aG {group} {user}, then log in anew"


def _group_name(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)


def _members(number: int) -> list[str]:
    try:
        return grp.getgrgid(number).gr_mem
    except KeyError:
        return []


def _user_name(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)
