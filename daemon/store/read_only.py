"""The store for those who only read it: open beside the running service, change nothing.

A reader sees one state of the record from its first question to its last, whatever the
service writes meanwhile.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from daemon.errors import StoreError
from daemon.store.versions import is_ours, why_too_new, why_too_old

__all__ = ["reading_only"]

_BUSY_WAIT_S = 1.0


@contextmanager
def reading_only(path: Path, *, of_any_release: bool = False) -> Iterator[sqlite3.Connection]:
    """Lend a connection that can't write; one snapshot of the record.

    Args:
        path: The file.
        of_any_release: Lend one that an earlier release laid as well: tables and views that
            came later are not in it.

    Raises:
        StoreError: If the file is missing, is no store of ours, was written by a later
            release, was not brought up to this one, or can't be read.
    """
    if not path.is_file():
        raise StoreError(path, "no such file; accepted is the store of a bench file")
    try:
        with closing(_opened(path)) as db:
            _refuse_strangers(path, db, of_any_release=of_any_release)
            db.execute("BEGIN")
            yield db
    except sqlite3.Error as error:
        raise StoreError(path, str(error)) from error


def _opened(path: Path) -> sqlite3.Connection:
    db = _connected(path, "mode=ro")
    try:
        db.execute("SELECT count(*) FROM sqlite_master")
    except sqlite3.OperationalError:
        db.close()
        if path.with_name(path.name + "-wal").exists():
            raise
        # A copy where nothing can be written, not even the reader's own marks.
        return _connected(path, "mode=ro&immutable=1")
    return db


def _connected(path: Path, how: str) -> sqlite3.Connection:
    name = f"file:{quote(str(path.resolve()))}?{how}"
    return sqlite3.connect(name, uri=True, isolation_level=None, timeout=_BUSY_WAIT_S)


def _refuse_strangers(path: Path, db: sqlite3.Connection, *, of_any_release: bool) -> None:
    if not is_ours(db):
        raise StoreError(path, "this SQLite file is no store of reclamp's")
    why = why_too_new(db) or ("" if of_any_release else why_too_old(db))
    if why:
        raise StoreError(path, why)
