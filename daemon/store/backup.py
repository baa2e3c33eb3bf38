"""A copy of the record, made beside the running service and proved before it gets its name.

SQLite's own online backup, inside one read transaction: the copy is the record at one moment,
and the service is not held up (WAL). What lies at the name afterwards is whole, or nothing.
"""

import contextlib
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

from daemon.errors import StoreError
from daemon.store.read_only import reading_only

__all__ = ["backup"]


def backup(store: Path, copy: Path) -> Mapping[str, int]:
    """Write the record into a new file; return how many rows of each table it holds.

    Args:
        store: The record; its service may run.
        copy: Where to; its folder must exist, the name must be free.

    Raises:
        StoreError: If the name is taken, the copy can't be written, or it is not what the
            record holds. No file is left at ``copy`` then.
    """
    if copy.exists() or copy.is_symlink():
        raise StoreError(copy, "there is a file already; accepted is a free name")
    with reading_only(store, of_any_release=True) as source, _partial(copy) as partial:
        expected = _rows(source)  # its first question: from here on the reader's moment stands
        with closing(sqlite3.connect(partial, isolation_level=None)) as target:
            source.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
            _prove(copy, target, expected)
        _give_name(partial, copy)
    return expected


@contextmanager
def _partial(copy: Path) -> Iterator[Path]:
    """Lend a name beside the copy's; whatever lies there is gone afterwards."""
    partial = copy.with_name(f".{copy.name}.{os.getpid()}.partial")
    try:
        yield partial
    except OSError as error:
        raise StoreError(copy, error.strerror or str(error)) from error
    except sqlite3.Error as error:
        raise StoreError(copy, str(error)) from error
    finally:
        for name in (partial, partial.with_name(partial.name + "-journal")):
            with contextlib.suppress(OSError):
                name.unlink(missing_ok=True)


def _rows(db: sqlite3.Connection) -> dict[str, int]:
    names = db.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table'"
        " AND substr(name, 1, 1) <> '_' AND name NOT LIKE 'sqlite%' ORDER BY name"
    ).fetchall()
    return {
        name: int(db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0])
        for (name,) in names
    }


def _prove(copy: Path, target: sqlite3.Connection, expected: Mapping[str, int]) -> None:
    found = target.execute("PRAGMA integrity_check").fetchall()
    if found != [("ok",)]:
        raise StoreError(copy, f"the copy is damaged: {found[0][0]}")
    if target.execute("PRAGMA foreign_key_check").fetchone() is not None:
        raise StoreError(copy, "the copy has rows that belong to nothing")
    if _rows(target) != expected:
        raise StoreError(copy, "the copy does not hold as many rows as the record")


def _give_name(partial: Path, copy: Path) -> None:
    """Let the name appear only once everything is on the disk, and never over another file."""
    _sync(partial)
    try:
        os.link(partial, copy)
    except FileExistsError:
        raise StoreError(copy, "there is a file already; accepted is a free name") from None
    _sync(copy.parent)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
