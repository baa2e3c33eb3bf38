"""Which state of the schema a file has, and whether this release can use it."""

import sqlite3
from contextlib import closing

from sqlite_utils import Database

from daemon.store.schema import APPLICATION_ID, migrations

__all__ = ["is_ours", "newest", "state_of", "why_too_new", "why_too_old"]


def is_ours(db: sqlite3.Connection) -> bool:
    """Return whether the file bears our mark."""
    (mark,) = db.execute("PRAGMA application_id").fetchone()
    return bool(mark == APPLICATION_ID)


def newest() -> str:
    """Return the state of the schema that this release writes: its last migration."""
    return _known()[-1]


def state_of(db: sqlite3.Connection) -> str:
    """Return the state of a file's schema, by its last migration; "" of an empty file."""
    applied = _applied(db)
    return applied[-1] if applied else ""


def why_too_new(db: sqlite3.Connection) -> str:
    """Return why this release can't use the file: a later one wrote it; "" when it can."""
    known = _known()
    later = [name for name in _applied(db) if name not in known]
    if not later:
        return ""
    return f"a later release wrote this store ({', '.join(later)}): install that one"


def why_too_old(db: sqlite3.Connection) -> str:
    """Return why the file can't be read yet: an earlier release laid it; "" when it can."""
    applied = _applied(db)
    if all(name in applied for name in _known()):
        return ""
    return (
        f"an earlier release laid this store: it stands at {state_of(db) or 'nothing'}, this "
        f"release reads {newest()}. Copy it with 'reclamp store backup', then bring it up to "
        "date: start the service on it once, or 'reclamp store update'"
    )


def _known() -> list[str]:
    with closing(Database(memory=True)) as empty:
        return [migration.name for migration in migrations.pending(empty)]


def _applied(db: sqlite3.Connection) -> list[str]:
    return [migration.name for migration in migrations.applied(Database(db))]
