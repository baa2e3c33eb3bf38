"""The store for those who only read it: open beside the running service, change nothing.

A reader sees one state of the record from its first question to its last, whatever the
service writes meanwhile.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from urllib.parse import quote

from sqlite_utils import Database

from daemon.errors import StoreError
from daemon.store.schema import APPLICATION_ID, migrations

__all__ = ["reading_only"]

_BUSY_WAIT_S = 1.0


@contextmanager
def reading_only(path: Path) -> Iterator[sqlite3.Connection]:
    """Lend a connection that can't write; one snapshot of the record.

    Raises:
        StoreError: If the file is missing, is no store of ours, was written by a later
            release, or can't be read.
    """
    if not path.is_file():
        raise StoreError(path, "no such file; accepted is the store of a bench file")
    try:
        with closing(_opened(path)) as db:
            _refuse_strangers(path, db)
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


def _refuse_strangers(path: Path, db: sqlite3.Connection) -> None:
    (mark,) = db.execute("PRAGMA application_id").fetchone()
    if mark != APPLICATION_ID:
        raise StoreError(path, "this SQLite file is no store of reclamp's")
    with closing(Database(memory=True)) as empty:
        known = {migration.name for migration in migrations.pending(empty)}
    newer = [m.name for m in migrations.applied(Database(db)) if m.name not in known]
    if newer:
        why = f"a later release wrote this store ({', '.join(newer)}): install that one"
        raise StoreError(path, why)
