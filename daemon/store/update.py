"""A record that an earlier release laid, brought up to this one."""

from pathlib import Path

from daemon.store.read_only import reading_only
from daemon.store.store import Store
from daemon.store.versions import newest, state_of

__all__ = ["update"]


def update(path: Path) -> tuple[str, str]:
    """Do what the start of the service does; return the states of the schema before and after.

    Raises:
        StoreError: If there is no such file, it is no store of ours or of a later release, a
            service has it open, or it can't be written.
    """
    with reading_only(path, of_any_release=True) as db:
        before = state_of(db)
    Store(path).close()
    return before, newest()
