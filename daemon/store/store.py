"""The store: one SQLite file, one service, one transaction a step of a bench.

WAL with synchronous=FULL: what is committed survives a power cut. A verdict and its events
are committed together, before any lamp is commanded.
"""

import fcntl
import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from sqlite_utils import Database

from daemon.errors import StoreError
from daemon.store import instruments, lot_query, rest_query, rest_rows
from daemon.store.assurance import Assurance
from daemon.store.assurance_facts import facts_of_checks, moment_of
from daemon.store.note import Note
from daemon.store.noting import Noting
from daemon.store.record import Provenance, Record, Stamp, with_lot
from daemon.store.schema import APPLICATION_ID, migrations
from daemon.store.standing import Standing
from daemon.store.versions import is_ours, why_too_new
from rules.assurance_model import AssuranceFact, Identity
from rules.check_facts import DisturbanceFact
from rules.facts import DrawFact, Fact, LotFact
from rules.instruments import InstrumentFact, Register
from rules.lot import LotView, OpenWork
from rules.lot_instruments import LotInstruments
from rules.moment import Trusted
from rules.rest_plan import RestPlan
from rules.separation import PinMoves
from rules.switching import Switching

__all__ = ["LotOpening", "Store"]

Following = Callable[[LotView, Callable[[], tuple[int, ...]]], tuple[Fact, ...]]
"""Facts that follow: asked with the lot, and with what gives the cells still holding one."""

_BUSY_WAIT_S = 1.0
"""How long a person who writes in the file with a browser may hold the service up."""
_CHECKPOINT_AFTER = 32
"""Transactions (of some 5 to 40 pages) after which the log is copied into the file: together
about what SQLite itself takes for enough."""
_CHECKPOINT_PAGES = 8000
"""Where SQLite does it in a commit after all, because no broker has taken anything: 32 MB."""


@dataclass(frozen=True, slots=True)
class LotOpening:
    """What a lot is opened with.

    Attributes:
        code: Its name, used once a bench.
        article: What is in it.
        quantity: Pieces delivered; None when nobody counted.
        order: Pieces ordered, by grade.
        boxes: Label of the box that stands in each bin.
        capacities: Pieces each of them holds, where somebody said so.
        holder: Master holder in use.
        pins: Master pins in use.
        role: Who opened it, by role.
        cells: Numbered cells of the tray, from 1; None where they are not numbered.
        seed: Seed given for the draws; "" lets one be made.
        rest: How the rest is to be judged; None without a plan.
        draw: The draw of the order of measuring, where it is drawn.
        pin_moves: What the pin goes along with when a collet is rotated; None: not said.
        torque_tool: What its nut is tightened with, "" where none is named.
        torque_nmm: What that is set to, in N·mm; None: nobody said.
    """

    code: str
    article: str
    quantity: int | None = None
    order: dict[str, int] = field(default_factory=dict)
    boxes: dict[str, str] = field(default_factory=dict)
    holder: str = ""
    pins: tuple[str, ...] = ()
    role: str = "operator"
    cells: int | None = None
    seed: str = ""
    rest: RestPlan | None = None
    draw: DrawFact | None = None
    capacities: dict[str, int] = field(default_factory=dict)
    pin_moves: PinMoves | None = None
    torque_tool: str = ""
    torque_nmm: int | None = None

    @property
    def instruments(self) -> LotInstruments:
        """Return what it is measured with."""
        return LotInstruments(self.holder, self.pins, self.torque_tool, self.torque_nmm)


def _nothing(_: str) -> None:
    """The write points of production: nobody listens."""


class Store:
    """The record of all benches of one service.

    Attributes:
        path: The SQLite file.
    """

    def __init__(self, path: Path, reached: Callable[[str], None] = _nothing) -> None:
        """Open or make the store, and lock it against a second service.

        Args:
            path: The SQLite file; its folder must exist.
            reached: Told the name of every write point as it is passed, for tests that
                kill the service there.

        Raises:
            StoreError: If it can't be opened, is locked, or is no store of ours.
        """
        self.path = path
        self._reached = reached
        self._standings: dict[str, Standing] = {}
        self._touched: dict[str, set[int]] = {}
        self._assured: dict[str, Assurance] = {}
        self._identity: dict[str, Identity] = {}
        self._news: dict[str, list[AssuranceFact]] = {}
        self._committed: dict[str, LotView] = {}
        self.register_changes = 0
        self._since_checkpoint = 0
        self._lock = _locked(path.resolve())
        try:
            self._db = self._opened()
        except StoreError:
            self._lock.close()
            raise
        self._noting = Noting(
            path, self._db.conn, self._transaction, lambda at: self._reached(at)
        )

    def _opened(self) -> Database:
        try:
            connection = sqlite3.connect(self.path, isolation_level=None, timeout=_BUSY_WAIT_S)
        except sqlite3.Error as error:
            raise StoreError(self.path, str(error)) from error
        try:
            db = Database(connection)
            self._refuse_strangers(db)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
            connection.execute("PRAGMA foreign_keys = ON")
            migrations.apply(db)
        except (sqlite3.Error, OSError) as error:
            connection.close()
            raise StoreError(self.path, str(error)) from error
        except StoreError:
            connection.close()
            raise
        return db

    def _refuse_strangers(self, db: Database) -> None:
        """Lay no table into anybody else's file, nor write into one from a later release."""
        is_marked = is_ours(db.conn)
        (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if not is_marked and tables:
            raise StoreError(self.path, "this SQLite file is no store of reclamp's")
        if why := why_too_new(db.conn):
            raise StoreError(self.path, why)
        if not is_marked:
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")

    def close(self) -> None:
        """Close the file and let the lock go."""
        self._db.close()
        self._lock.close()

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """One transaction, all or nothing; any trouble is a StoreError."""
        connection = self._db.conn
        self._committed.clear()
        try:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                self._reached("before-commit")
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
        except (sqlite3.Error, OverflowError) as error:  # a number beyond 64 bits
            raise StoreError(self.path, str(error)) from error
        self._since_checkpoint += 1
        self._reached("after-commit")

    # --- writing -------------------------------------------------------------------------

    def keep_texts(self, texts: Sequence[tuple[str, str, str, str]], utc: str) -> None:
        """Keep the text of files in use: (sha256, kind, name, text) each, once.

        Raises:
            StoreError: If it can't be kept.
        """
        with self._transaction() as db:
            for sha256, kind, name, text in texts:
                db.execute(
                    "INSERT OR IGNORE INTO texts (sha256, kind, name, text, first_utc)"
                    " VALUES (?, ?, ?, ?, ?)",
                    (sha256, kind, name, text, utc),
                )

    def commit(
        self,
        facts: Sequence[Fact],
        by: Provenance,
        at: Stamp,
        inbound: str | None = None,
        following: Following | None = None,
        noted: int | None = None,
    ) -> tuple[Fact, ...]:
        """Keep the facts of one step and their events, all or none.

        Args:
            facts: What a step of the bench gave.
            by: The bench and what is in force there.
            at: When.
            inbound: Id of the inbound message that caused it: never taken twice.
            following: Asked, of the lot as it is after these facts, which facts follow from
                them: kept in the same transaction.
            noted: Number of the note that holds these facts: they take its place.

        Returns:
            The facts that followed.

        Raises:
            StoreError: If it can't be kept; nothing of it is.
        """
        try:
            with self._transaction() as db:
                standing = self._standing(db, by.bench)
                lot_id = standing.lot_id if standing is not None else None
                assured = self._taken_out(db, by, lot_id)
                record = Record(db, by, at, lot_id, _view(db, standing, assured))
                news = self._write(record, facts, assured)
                followed, more = self._follow(db, by, at, following, assured)
                if inbound is not None:
                    _keep_inbound(db, by.bench, inbound, at.utc)
                if noted is not None:
                    db.execute("DELETE FROM noted WHERE id = ?", (noted,))
        except BaseException:
            # what was counted within the transaction never was
            self._standings.pop(by.bench, None)
            self._committed.clear()
            raise
        self._assured[by.bench] = assured
        self._news.setdefault(by.bench, []).extend((*news, *more))
        return followed

    def note(self, note: Note) -> int:
        """Make a verdict durable in one row, to be written out by a commit right after.

        Args:
            note: Of a step that gave a verdict, see ``is_verdict``.

        Returns:
            Its number, for the commit.

        Raises:
            StoreError: If it can't be kept.
        """
        self._since_checkpoint += 1
        return self._noting.note(note)

    def rehearse_note(self, note: Note) -> None:
        """Go the way of a note up to its commit and take it back: nothing is written of it.

        Raises:
            StoreError: If it can't be gone now; the note itself will meet that, too.
        """
        self._noting.rehearse(note)

    def notes(self, bench: str) -> list[tuple[int, Note]]:
        """Return what was noted and never written out, with its number, oldest first.

        Raises:
            StoreError: If it can't be read.
        """
        with self._reading() as db:
            return self._noting.notes(db, bench)

    def _write(
        self, record: Record, facts: Sequence[Fact], assured: Assurance
    ) -> list[AssuranceFact]:
        """Write facts and what they make of the pieces; return those on fitness."""
        for fact in facts:
            record.write(fact)
        marked = record.fitness.settle(assured)
        self._touched.setdefault(record.by.bench, set()).update(_pieces_of(facts) | marked)
        return record.fitness.news

    def _follow(
        self,
        db: sqlite3.Connection,
        by: Provenance,
        at: Stamp,
        following: Following | None,
        assured: Assurance,
    ) -> tuple[tuple[Fact, ...], list[AssuranceFact]]:
        if following is None or (standing := self._standing(db, by.bench)) is None:
            return (), []
        view = _view(db, standing, assured)
        assert view is not None  # its lot is open
        walk = standing.rest.walk
        facts = following(view, walk.rest if walk is not None else lambda: ())
        if not facts:
            self._committed[by.bench] = view  # asked for next: the lamp waits for it
            return (), []
        record = Record(db, by, at, standing.lot_id, view)
        return facts, self._write(record, facts, assured)

    def _taken_out(
        self, db: sqlite3.Connection, by: Provenance, lot_id: int | None
    ) -> Assurance:
        """Return the fold, out of the cache: it goes back once its facts are committed."""
        known = self._assured.pop(by.bench, None)
        identity = by.assurance.identity
        if known is not None and known.lot_id == lot_id and known.identity == identity:
            return known
        return _assurance(db, by.bench, lot_id, identity)

    def open_lot(self, opening: LotOpening, by: Provenance, at: Stamp) -> None:
        """Open a lot on a bench that has none open.

        Raises:
            StoreError: If it can't be kept, if a lot is open on the bench, or if it had a
                lot of this code.
        """
        with self._transaction() as db:
            if lot_query.open_lot_id(db, by.bench) is not None:
                raise StoreError(self.path, f"bench {by.bench} has a lot open")
            cursor = db.execute(
                "INSERT INTO lots (bench, code, article, quantity, holder, pins, role,"
                " rules_sha256, bench_sha256, opened_utc, pin_moves, torque_tool, torque_nmm)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (by.bench, opening.code, opening.article, opening.quantity, opening.holder,
                 json.dumps(opening.pins), opening.role, by.rules.sha256, by.bench_sha256,
                 at.utc, opening.pin_moves, opening.torque_tool, opening.torque_nmm),
            )  # fmt: skip
            lot_id = cursor.lastrowid or 0
            db.executemany(
                "INSERT INTO orders (lot, grade, quantity, role, at_utc)"
                " VALUES (?, ?, ?, ?, ?)",
                [(lot_id, g, n, opening.role, at.utc) for g, n in opening.order.items()],
            )
            db.executemany(
                "INSERT INTO boxes (lot, bin, label, capacity, role, at_utc)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (lot_id, name, label, opening.capacities.get(name), opening.role, at.utc)
                    for name, label in opening.boxes.items()
                ],
            )
            _keep_rest(db, lot_id, opening)
            record = Record(db, by, at, None, None)
            standing = Standing(lot_id)
            standing.load(db)
            before = self._last_lot(db, by.bench, lot_id)
            assured = _assurance(db, by.bench, lot_id, by.assurance.identity)
            view = _view(db, standing, assured)
            assert view is not None  # it was opened just now
            record = with_lot(record, lot_id, view)
            record.write(LotFact("opened", role=opening.role))
            if opening.draw is not None:
                record.write(opening.draw)
            for cause, text in lot_query.changes(before, opening.holder, opening.pins):
                record.write(DisturbanceFact(cause, text, opening.role))
            record.fitness.settle(assured)
        self._assured[by.bench] = assured
        self._news.setdefault(by.bench, []).extend(record.fitness.news)

    def _last_lot(
        self, db: sqlite3.Connection, bench: str, but: int
    ) -> tuple[str, tuple[str, ...]] | None:
        """Return holder and pins of the lot before."""
        row = db.execute(
            "SELECT holder, pins FROM lots WHERE bench = ? AND id != ?"
            " ORDER BY id DESC LIMIT 1",
            (bench, but),
        ).fetchone()
        return (row[0], tuple(json.loads(row[1]))) if row is not None else None

    def close_lot(
        self,
        reason: str,
        role: str,
        account: Mapping[str, int],
        by: Provenance,
        at: Stamp,
        inbound: str | None = None,
    ) -> None:
        """Close the open lot with its account.

        Args:
            reason: Why, for the record.
            role: Who asked, by role.
            account: Pieces by where they are.
            by: The bench and what is in force there.
            at: When.
            inbound: Id of the inbound message that caused it: never taken twice.

        Raises:
            StoreError: If it can't be kept, or no lot is open.
        """
        with self._transaction() as db:
            lot_id = lot_query.open_lot_id(db, by.bench)
            if lot_id is None:
                raise StoreError(self.path, f"bench {by.bench} has no open lot")
            self._assured.pop(by.bench, None)
            view = _view(db, self._standing(db, by.bench), None)
            Record(db, by, at, lot_id, view).write(LotFact("closed", reason, role))
            db.execute(
                "INSERT INTO lot_ends (lot, closed_utc, reason, role, counts)"
                " VALUES (?, ?, ?, ?, ?)",
                (lot_id, at.utc, reason, role, json.dumps(dict(account))),
            )
            if inbound is not None:
                _keep_inbound(db, by.bench, inbound, at.utc)

    def keep_instrument(
        self, fact: InstrumentFact, by: Provenance, at: Stamp, inbound: str | None = None
    ) -> None:
        """Add an entry to the register of instruments; earlier ones stay.

        Raises:
            InstrumentError: If it does not fit the register.
            StoreError: If it can't be kept.
        """
        with self._transaction() as db:
            instruments.write(db, fact, by.bench, at)
            if inbound is not None:
                _keep_inbound(db, by.bench, inbound, at.utc)
        self.register_changes += 1

    # --- reading -------------------------------------------------------------------------

    def register(self) -> Register:
        """Return the register of instruments; uses are not counted here."""
        with self._reading() as db:
            return instruments.register_of(db)

    def instruments_of_lot(self, bench: str) -> LotInstruments | None:
        """Return what the open lot was opened with; None when none is open."""
        with self._reading() as db:
            row = db.execute(
                "SELECT holder, pins, torque_tool, torque_nmm FROM lots WHERE id = ?",
                (lot_query.open_lot_id(db, bench),),
            ).fetchone()
        if row is None:
            return None
        holder, pins, torque_tool, torque_nmm = row
        return LotInstruments(holder, (*json.loads(pins),), torque_tool, torque_nmm)

    def last_trusted(self, bench: str) -> Trusted | None:
        """Return the time of day of the last event whose clock nothing spoke against."""
        with self._reading() as db:
            row = db.execute(
                "SELECT at_utc, boot, mono_ns, json_extract(body, '$.clocksync') AS synced"
                " FROM events WHERE bench = ? AND synced <> 'no' ORDER BY seq DESC LIMIT 1",
                (bench,),
            ).fetchone()
        if row is None:
            return None
        utc, boot, mono_ns, synced = row
        return Trusted(moment_of(utc, True, boot, mono_ns), synced)

    def lot(self, bench: str) -> LotView | None:
        """Return the open lot of a bench as the facts have it; None when none is open."""
        known = self._committed.pop(bench, None)
        if known is not None:
            return known
        with self._reading() as db:
            standing = self._standing(db, bench)
            return _view(db, standing, self._assured_of(db, bench, standing))

    def known_by(self, bench: str, identity: Identity) -> None:
        """Take note how a bench knows a binned piece; by its box until this is said."""
        self._identity[bench] = identity

    def assurance(self, bench: str) -> Assurance:
        """Return where the pieces of the open lot stand, and the spans they belong to."""
        with self._reading() as db:
            return self._assured_of(db, bench, self._standing(db, bench))

    def fitness_facts(self, bench: str) -> list[AssuranceFact]:
        """Return the facts that make a check due, since the last but one good check."""
        self._news.pop(bench, None)  # they are among them
        with self._reading() as db:
            return [fact for fact, _ in facts_of_checks(db, bench)]

    def fitness_news(self, bench: str) -> list[AssuranceFact]:
        """Return the facts on fitness that were kept since this was asked last."""
        return self._news.pop(bench, [])

    def _assured_of(
        self, db: sqlite3.Connection, bench: str, standing: Standing | None
    ) -> Assurance:
        lot_id = standing.lot_id if standing is not None else None
        known = self._assured.get(bench)
        if known is None or known.lot_id != lot_id:
            identity = self._identity.get(bench, "box")
            known = self._assured[bench] = _assurance(db, bench, lot_id, identity)
        return known

    def standing(self, bench: str) -> Standing | None:
        """Return what the pieces of the open lot count as; None when none is open."""
        with self._reading() as db:
            return self._standing(db, bench)

    def _standing(self, db: sqlite3.Connection, bench: str) -> Standing | None:
        lot_id = lot_query.open_lot_id(db, bench)
        if lot_id is None:
            return None
        # Kept again only once it is whole: a query that fails leaves nothing half-known.
        known, touched = self._standings.pop(bench, None), self._touched.pop(bench, set())
        if known is None or known.lot_id != lot_id:
            known = Standing(lot_id)
            known.load(db)
        else:
            known.ask_again(db, touched)
        self._standings[bench] = known
        return known

    def series(self, article: str, edition: str, aql: str, level: str) -> Switching:
        """Return where the series of lots of an article stands, under an AQL plan."""
        with self._reading() as db:
            return rest_query.series_of(db, article, edition, aql, level)

    def resume_sampling(
        self, article: str, reason: str, role: str, by: Provenance, at: Stamp, inbound: str
    ) -> None:
        """Keep that the cause was dealt with for which an article's sampling was stopped.

        Raises:
            StoreError: If it can't be kept.
        """
        with self._transaction() as db:
            standing = self._standing(db, by.bench)
            lot_id = standing.lot_id if standing is not None else None
            record = Record(db, by, at, lot_id, _view(db, standing, None))
            record.resume_sampling(article, reason, role)
            _keep_inbound(db, by.bench, inbound, at.utc)

    def cell_is_done(self, bench: str, cell: int) -> bool:
        """Return whether a tray cell of the open lot holds no unmeasured piece any more."""
        with self._reading() as db:
            standing = self._standing(db, bench)
            walk = standing.rest.walk if standing is not None else None
            return walk is not None and cell in walk.done

    def had_lot(self, bench: str, code: str) -> bool:
        """Return whether the bench has or had a lot of this code."""
        with self._reading() as db:
            sql = "SELECT 1 FROM lots WHERE bench = ? AND code = ?"
            return db.execute(sql, (bench, code)).fetchone() is not None

    def open_work(self, bench: str) -> OpenWork | None:
        """Return the piece that was begun and not put away; None when the bench is clear."""
        with self._reading() as db:
            lot_id = lot_query.open_lot_id(db, bench)
            return lot_query.open_work(db, lot_id) if lot_id is not None else None

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Lend the connection for a query; no transaction is open.

        Raises:
            StoreError: If the query fails.
        """
        with self._reading() as db:
            yield db

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        try:
            yield self._db.conn
        except sqlite3.Error as error:
            raise StoreError(self.path, str(error)) from error

    def knows_inbound(self, bench: str, message_id: str) -> bool:
        """Return whether an inbound message of this id was taken before."""
        with self._reading() as db:
            sql = "SELECT 1 FROM inbound WHERE bench = ? AND id = ?"
            return db.execute(sql, (bench, message_id)).fetchone() is not None

    # --- outbox --------------------------------------------------------------------------

    def unsent(self, bench: str, limit: int) -> list[tuple[int, str, str]]:
        """Return (seq, kind, body) of the oldest events no broker has acknowledged."""
        with self._reading() as db:
            sql = (
                "SELECT e.seq, e.kind, e.body FROM outbox o JOIN events e"
                " ON e.bench = o.bench AND e.seq = o.seq"
                " WHERE o.bench = ? ORDER BY o.seq LIMIT ?"
            )
            return db.execute(sql, (bench, limit)).fetchall()

    def sent(self, bench: str, seqs: Sequence[int]) -> None:
        """Take events out of the outbox: a broker has them.

        Raises:
            StoreError: If it can't be kept; they will be sent again under the same ids.
        """
        with self._transaction() as db:
            db.executemany(
                "DELETE FROM outbox WHERE bench = ? AND seq = ?", [(bench, s) for s in seqs]
            )
        self._copy_log()

    def _copy_log(self) -> None:
        """Copy the write-ahead log into the file now that no lamp waits for it.

        SQLite would do it at the end of some commit, and now and then that of a verdict. It
        has to wait for nobody: a reader that holds the log only makes it longer.
        """
        if self._since_checkpoint < _CHECKPOINT_AFTER:
            return
        self._since_checkpoint = 0
        with self._reading() as db:
            db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()

    def events_after(self, bench: str, seq: int, limit: int) -> list[tuple[int, str, str]]:
        """Return (seq, kind, body) of events after ``seq``, for a consumer that saw a gap."""
        with self._reading() as db:
            sql = (
                "SELECT seq, kind, body FROM events WHERE bench = ? AND seq > ?"
                " ORDER BY seq LIMIT ?"
            )
            return db.execute(sql, (bench, seq, limit)).fetchall()

    def newest_seq(self, bench: str) -> int:
        """Return the sequence number of a bench's last event; 0 before the first."""
        with self._reading() as db:
            sql = "SELECT coalesce(max(seq), 0) FROM events WHERE bench = ?"
            return int(db.execute(sql, (bench,)).fetchone()[0])


def _keep_rest(db: sqlite3.Connection, lot_id: int, opening: LotOpening) -> None:
    """Keep how the rest is judged, and the tray."""
    if opening.cells is not None or opening.seed:
        db.execute(
            "INSERT INTO trays (lot, cells, given_seed) VALUES (?, ?, ?)",
            (lot_id, opening.cells, opening.seed),
        )
    if opening.rest is not None:
        values = {"lot": lot_id, **rest_rows.plan_row(opening.rest)}
        marks = ", ".join("?" * len(values))
        db.execute(
            f"INSERT INTO rest_plans ({', '.join(values)}) VALUES ({marks})",
            tuple(values.values()),
        )
        db.executemany(
            "INSERT INTO rest_limits (lot, position, tolerance_nm, acceptance_nm)"
            " VALUES (?, ?, ?, ?)",
            [
                (lot_id, one.position, one.tolerance_limit_nm, one.acceptance_limit_nm)
                for one in opening.rest.positions
            ],
        )


def _view(
    db: sqlite3.Connection, standing: Standing | None, assured: Assurance | None
) -> LotView | None:
    if standing is None:
        return None
    is_released = assured is not None and bool(assured.state.pieces) and not assured.unreleased
    return lot_query.lot_view(
        db, standing.lot_id, standing.last, standing.counts(), standing.rest,
        is_released=is_released,
        held_boxes=assured.state.held_boxes if assured is not None else frozenset(),
        unproved=assured.left_unproved() if assured is not None else None,
    )  # fmt: skip


def _assurance(
    db: sqlite3.Connection, bench: str, lot_id: int | None, identity: Identity
) -> Assurance:
    code = ""
    if lot_id is not None:
        (code,) = db.execute("SELECT code FROM lots WHERE id = ?", (lot_id,)).fetchone()
    found = Assurance(bench, lot_id, code, identity)
    found.load(db)
    return found


def _pieces_of(facts: Sequence[Fact]) -> set[int]:
    """Return the pieces whose standing the facts may change: those they name."""
    numbers = (getattr(fact, "piece", None) for fact in facts)
    return {number for number in numbers if number is not None}


def _keep_inbound(db: sqlite3.Connection, bench: str, message_id: str, at_utc: str) -> None:
    db.execute(
        "INSERT INTO inbound (bench, id, at_utc) VALUES (?, ?, ?)", (bench, message_id, at_utc)
    )


def _locked(path: Path) -> IO[str]:
    """Hold the store's lock file; the system lets it go when the process dies.

    Raises:
        StoreError: If another service holds it, or the folder can't be written.
    """
    lock_path = path.with_name(path.name + ".lock")
    try:
        handle = lock_path.open("a")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise StoreError(path, f"can't lock it: {why} ({lock_path})") from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        handle.close()
        raise StoreError(path, "another service has this store open") from error
    return handle
