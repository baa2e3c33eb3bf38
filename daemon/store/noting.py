"""How a verdict is noted: one row, which is a transaction by itself."""

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from daemon.errors import StoreError
from daemon.store.note import Note, NoteError, decode, encode, encode_under

_INSERT = "INSERT INTO noted (bench, body, under) VALUES (?, ?, ?)"


class Noting:
    """Keeps notes in a store's file, and what they are under."""

    def __init__(
        self,
        path: Path,
        conn: sqlite3.Connection,
        transaction: Callable[[], AbstractContextManager[sqlite3.Connection]],
        reached: Callable[[str], None],
    ) -> None:
        """Take the store's connection, its way to commit, and who is told of write points."""
        self._path = path
        self._conn = conn
        self._transaction = transaction
        self._reached = reached
        self._under: dict[str, tuple[int, object]] = {}

    def note(self, note: Note) -> int:
        """Keep a note and return its number.

        Raises:
            StoreError: If it can't be kept.
        """
        row = self._row(note)
        self._reached("before-note")
        try:
            made = self._conn.execute(_INSERT, row)
        except sqlite3.Error as error:
            raise StoreError(self._path, str(error)) from error
        self._reached("after-note")
        return made.lastrowid or 0

    def rehearse(self, note: Note) -> None:
        """Go the same way up to the commit, and take it back.

        Raises:
            StoreError: If it can't be gone.
        """
        row = self._row(note)
        try:
            self._conn.execute("BEGIN")
            self._conn.execute(_INSERT, row)
        except sqlite3.Error as error:
            raise StoreError(self._path, str(error)) from error
        finally:
            self._conn.rollback()

    def notes(self, db: sqlite3.Connection, bench: str) -> list[tuple[int, Note]]:
        """Return a bench's notes with their numbers, oldest first.

        Raises:
            StoreError: If one can't be read.
        """
        sql = (
            "SELECT n.id, n.body, u.body FROM noted n LEFT JOIN noted_under u"
            " ON u.id = n.under WHERE n.bench = ? ORDER BY n.id"
        )
        found = db.execute(sql, (bench,)).fetchall()
        try:
            return [(number, decode(body, under)) for number, body, under in found]
        except NoteError as error:
            why = f"{bench}: a verdict noted by another release can't be read: {error}"
            todo = "start the release that was in use before once; it writes it out"
            raise StoreError(self._path, f"{why}; {todo}") from error

    def _row(self, note: Note) -> tuple[str, str, int]:
        """Return the row of a note, what it is under being durable."""
        if self._conn.in_transaction:  # it would be durable with that one only
            text = "a note is a transaction by itself, and one is open"
            raise StoreError(self._path, text)
        is_under = note.by, note.indicators
        number, known = self._under.get(note.by.bench, (0, None))
        if known != is_under:
            number = self._keep_under(note)
            self._under[note.by.bench] = number, is_under
        return note.by.bench, encode(note), number

    def _keep_under(self, note: Note) -> int:
        bench = note.by.bench
        with self._transaction() as db:
            unused = "bench = ? AND id NOT IN (SELECT under FROM noted WHERE under IS NOT NULL)"
            db.execute(f"DELETE FROM noted_under WHERE {unused}", (bench,))
            row = bench, encode_under(note)
            made = db.execute("INSERT INTO noted_under (bench, body) VALUES (?, ?)", row)
        return made.lastrowid or 0
