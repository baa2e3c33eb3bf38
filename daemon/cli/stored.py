"""Options of the commands that read the record itself: which store, which lot, which bench."""

import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer

from daemon.cli.answers import refuse
from daemon.config import store_path as stated_store_path
from daemon.store.stored import StoredLot, lots

StoreFile = Annotated[
    Path | None, typer.Option("--store", help="The record itself, in place of a bench file.")
]
LotCode = Annotated[str | None, typer.Option("--lot", help="Code of the lot, open or closed.")]


def store_path(config: Path, store: Path | None) -> Path:
    """Return the file of the record.

    Raises:
        ConfigError: If the bench file that should name it doesn't.
    """
    return store if store is not None else stated_store_path(config)


def lots_of(
    db: sqlite3.Connection, code: str | None, bench: str | None = None
) -> list[StoredLot]:
    """Return the lots asked for, newest first; refuse a code or bench nobody has."""
    found = lots(db, code, bench)
    if found or (code is None and bench is None):
        return found
    known = lots(db)
    if bench is not None and bench not in {lot.bench for lot in known}:
        refuse(f"--bench: got {bench!r}, accepted are {_named(lot.bench for lot in known)}")
    of_bench = [lot.code for lot in known if bench in (None, lot.bench)]
    refuse(f"--lot: got {code!r}, accepted are {_named(of_bench)}")


def one_lot(db: sqlite3.Connection, code: str | None, bench: str | None) -> StoredLot:
    """Return the lot asked for; without a code the open one, else the newest of its bench."""
    found = lots_of(db, code, bench)
    if not found:
        refuse("the store has no lot yet")
    benches = {lot.bench for lot in found}
    if len(benches) > 1:
        refuse(f"--bench: say which one, accepted are {_named(benches)}")
    return next((lot for lot in found if lot.is_open), found[0])


def _named(names: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(names)) or "none: there is no lot"
