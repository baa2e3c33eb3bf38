"""The store's file: made, reopened, locked, refused; one transaction, all or nothing."""

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from sqlite_utils import Database

from daemon.errors import StoreError
from daemon.store import LotOpening, Store
from daemon.store.schema import migrations
from rules.facts import AlarmFact, ClampingFact, CorrectionFact, LotFact
from tests.daemon.pieces import BY, clamping, commit, keep_texts, measured, open_store, stamp


def rows(path: Path, sql: str) -> list[tuple[object, ...]]:
    """Ask as a person with any SQLite browser does: another connection, read-only."""
    with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as db:
        found = db.execute(sql).fetchall()
    db.close()
    return found


def dump(path: Path) -> list[str]:
    db = sqlite3.connect(path)
    text = list(db.iterdump())
    db.close()
    return text


def test_a_new_file_has_every_table_and_keeps_what_is_committed(tmp_path: Path) -> None:
    path = tmp_path / "b.db"
    Store(path).close()
    names = {name for (name,) in rows(path, "SELECT name FROM sqlite_master")}
    assert names >= {
        "lots", "boxes", "pieces", "cycles", "clampings", "clamping_positions", "verdicts",
        "put_aways", "checks", "corrections", "texts", "events", "outbox", "piece_status",
    }  # fmt: skip
    assert rows(path, "PRAGMA journal_mode") == [("wal",)]


def test_every_table_refuses_a_value_of_another_type(tmp_path: Path) -> None:
    """STRICT: a nanometre column never holds a text or a fraction."""
    path = tmp_path / "b.db"
    Store(path).close()
    tables = rows(
        path,
        "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '\\_%'"
        " ESCAPE '\\' AND name NOT LIKE 'sqlite%'",
    )
    assert len(tables) > 12
    assert [name for name, sql in tables if "STRICT" not in str(sql)] == []
    db = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="cannot store REAL value in INTEGER"):
        db.execute("INSERT INTO pieces (lot, number, began_utc) VALUES (1, 1.5, '')")
    db.close()


def test_durability_is_full_and_references_are_held(tmp_path: Path) -> None:
    store = Store(tmp_path / "b.db")
    with store.reading() as db:
        assert db.execute("PRAGMA synchronous").fetchone() == (2,)  # 2 is FULL
        assert db.execute("PRAGMA foreign_keys").fetchone() == (1,)
    store.close()


def test_a_file_is_opened_again_without_a_change(tmp_path: Path) -> None:
    path = tmp_path / "b.db"
    store = open_store(path)
    for facts in measured(1, [2_000, 2_000, 2_000]):
        commit(store, *facts)
    store.close()
    before = dump(path)
    Store(path).close()
    assert dump(path) == before


def test_every_migration_can_be_the_last_one_a_file_has_seen(tmp_path: Path) -> None:
    """A file of each earlier release is brought up to date, and then is like a new one."""
    new = tmp_path / "new.db"
    Store(new).close()
    schema = "SELECT type, name, sql FROM sqlite_master ORDER BY 1, 2"
    with contextlib.closing(Database(memory=True)) as empty:
        names = [m.name for m in migrations.pending(empty)]
    for number, name in enumerate(names[1:], start=1):
        path = tmp_path / f"{number}.db"
        db = Database(path)
        db.execute("PRAGMA application_id = 0x72636C70")
        migrations.apply(db, stop_before=name)
        db.close()
        Store(path).close()
        assert rows(path, schema) == rows(new, schema)


def test_a_start_killed_while_the_tables_are_laid_is_made_good_by_the_next(
    tmp_path: Path,
) -> None:
    path = tmp_path / "b.db"
    db = Database(path)
    db.execute("PRAGMA application_id = 0x72636C70")
    migrations.ensure_migrations_table(db)
    db.close()
    store = open_store(path)
    assert store.lot("b1") is not None
    store.close()


class TestStrangers:
    def test_a_text_file_is_refused_by_name_and_left_as_it_is(self, tmp_path: Path) -> None:
        path = tmp_path / "notes.db"
        path.write_text("buy bread " * 100)
        with pytest.raises(StoreError, match="file is not a database") as caught:
            Store(path)
        assert str(path) in str(caught.value)
        assert path.read_text() == "buy bread " * 100

    def test_another_programs_database_is_refused_and_left_as_it_is(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "books.db"
        with sqlite3.connect(path) as db:
            db.execute("CREATE TABLE books (title TEXT)")
        db.close()
        before = path.read_bytes()
        with pytest.raises(StoreError, match="this SQLite file is no store of reclamp's"):
            Store(path)
        assert path.read_bytes() == before

    def test_a_store_of_a_later_release_is_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "b.db"
        Store(path).close()
        with sqlite3.connect(path) as db:
            db.execute(
                "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
                " VALUES ('reclamp', 'm999_later', '2030')"
            )
        db.close()
        with pytest.raises(
            StoreError, match=r"a later release wrote this store \(m999_later\)"
        ):
            Store(path)

    @pytest.mark.parametrize(
        ("name", "why"),
        [("none/b.db", "No such file or directory"), (".", "Is a directory|unable to open")],
    )
    def test_a_place_where_nothing_can_be_kept_is_refused_by_name(
        self, name: str, why: str, tmp_path: Path
    ) -> None:
        with pytest.raises(StoreError, match=why) as caught:
            Store(tmp_path / name)
        assert str(tmp_path) in str(caught.value)

    def test_a_refused_file_can_be_opened_once_the_trouble_is_gone(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "b.db"
        path.write_text("no database " * 100)
        with pytest.raises(StoreError):
            Store(path)
        path.unlink()
        Store(path).close()


class TestTheLock:
    def test_a_second_service_on_one_store_is_refused(self, tmp_path: Path) -> None:
        path = tmp_path / "b.db"
        store = Store(path)
        with pytest.raises(StoreError, match="another service has this store open"):
            Store(path)
        store.close()
        Store(path).close()

    def test_a_second_name_of_the_store_is_the_same_store(self, tmp_path: Path) -> None:
        path = tmp_path / "b.db"
        store = Store(path)
        (tmp_path / "link.db").symlink_to(path)
        with pytest.raises(StoreError, match="another service has this store open"):
            Store(tmp_path / "link.db")
        store.close()

    def test_a_killed_service_holds_no_lock(self, tmp_path: Path) -> None:
        path = tmp_path / "b.db"
        code = (
            "import sys, time; from pathlib import Path; from daemon.store import Store\n"
            f"store = Store(Path({str(path)!r})); print('open', flush=True); time.sleep(60)"
        )
        with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"open\n"
            with pytest.raises(StoreError, match="another service"):
                Store(path)
            os.kill(process.pid, signal.SIGKILL)
            process.wait()
        Store(path).close()


class TestOneTransaction:
    """A step's facts are kept together or not at all."""

    def test_a_fact_that_fails_takes_the_others_of_its_step_with_it(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "b.db"
        store = open_store(path)
        (first, *_) = measured(1, [2_000, 2_000, 2_000])
        commit(store, *first)
        before = dump(path)
        (again,) = first
        assert isinstance(again, ClampingFact)
        alarm = AlarmFact("wrong-bin", True, "is written before the one that fails")
        with pytest.raises(StoreError, match="UNIQUE constraint failed"):
            commit(store, alarm, again, CorrectionFact(1, 1, "x", "y", "z"))
        assert dump(path) == before
        commit(store, alarm)
        assert [seq for seq, _, _ in store.events_after("b1", 0, 100)] == [1, 2, 3]
        store.close()

    def test_a_number_beyond_64_bits_is_store_trouble_and_keeps_nothing(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "b.db"
        store = open_store(path)
        before = dump(path)
        with pytest.raises(StoreError, match="too large"):
            commit(store, *measured(1, [10**20])[0])
        assert dump(path) == before
        store.close()

    def test_an_error_of_our_own_inside_a_step_keeps_nothing_either(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "b.db"
        store = Store(path)
        keep_texts(store)
        before = dump(path)
        with pytest.raises(AssertionError, match="a lot fact without a lot"):
            commit(store, AlarmFact("wrong-bin", True, "x"), LotFact("exhausted"))
        assert dump(path) == before
        commit(store, AlarmFact("wrong-bin", True, "no transaction was left open"))
        store.close()

    def test_a_repeated_inbound_id_keeps_nothing_of_its_step(self, tmp_path: Path) -> None:
        path = tmp_path / "b.db"
        store = open_store(path)
        commit(store, AlarmFact("wrong-bin", True, "x"), inbound="press-1")
        assert store.knows_inbound("b1", "press-1")
        assert not store.knows_inbound("b2", "press-1")
        before = dump(path)
        with pytest.raises(StoreError, match="UNIQUE"):
            commit(store, AlarmFact("wrong-bin", False, ""), inbound="press-1")
        assert dump(path) == before
        store.close()

    def test_a_second_lot_is_not_opened_beside_an_open_one(self, tmp_path: Path) -> None:
        store = open_store(tmp_path / "b.db")
        with pytest.raises(StoreError, match="bench b1 has a lot open"):
            store.open_lot(LotOpening("W-2", "MR-10-MED"), BY, stamp())
        assert not store.had_lot("b1", "W-2")
        store.close()

    def test_a_lots_code_is_used_once_a_bench(self, tmp_path: Path) -> None:
        store = open_store(tmp_path / "b.db")
        store.close_lot("done", "lead", {}, BY, stamp(), inbound="close-1")
        assert store.knows_inbound("b1", "close-1")
        with pytest.raises(StoreError, match="UNIQUE"):
            store.open_lot(LotOpening("W-1", "MR-10-MED"), BY, stamp())
        with pytest.raises(StoreError, match="bench b1 has no open lot"):
            store.close_lot("done", "lead", {}, BY, stamp())
        store.close()

    def test_a_writer_with_a_browser_holds_the_service_up_for_a_second_at_most(
        self, tmp_path: Path
    ) -> None:
        path = tmp_path / "b.db"
        store = open_store(path)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="database is locked"):
            commit(store, AlarmFact("wrong-bin", True, "x"))
        other.execute("ROLLBACK")
        commit(store, AlarmFact("wrong-bin", True, "x"))
        other.close()
        store.close()

    def test_a_reader_with_a_browser_holds_nobody_up(self, tmp_path: Path) -> None:
        path = tmp_path / "b.db"
        store = open_store(path)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN")
        assert other.execute("SELECT count(*) FROM events").fetchone() == (1,)
        commit(store, AlarmFact("wrong-bin", True, "x"))
        assert other.execute("SELECT count(*) FROM events").fetchone() == (1,)
        other.close()
        store.close()

    def test_the_log_is_copied_into_the_file_when_no_lamp_waits(self, tmp_path: Path) -> None:
        """Not at the end of a commit, as SQLite would; but when a broker has the events."""
        store = open_store(tmp_path / "b.db")
        before = store.path.stat().st_size
        for _ in range(200):
            commit(store, AlarmFact("wrong-bin", True, "x" * 5000))
        assert store.path.stat().st_size == before
        store.sent("b1", [seq for seq, _, _ in store.unsent("b1", 20)])
        assert store.path.stat().st_size > before + 200 * 5000
        store.close()

    def test_a_log_that_nobody_asks_to_copy_is_copied_all_the_same(
        self, tmp_path: Path
    ) -> None:
        """Without a broker no event leaves: then SQLite bounds it, at 32 MB."""
        store = open_store(tmp_path / "b.db")
        before = store.path.stat().st_size
        for _ in range(60):
            commit(store, AlarmFact("wrong-bin", True, "x" * 1_000_000))
        assert store.path.stat().st_size > before + 20_000_000
        assert store.path.with_name("b.db-wal").stat().st_size < 45_000_000
        store.close()

    def test_the_write_points_are_passed_in_order(self, tmp_path: Path) -> None:
        passed: list[str] = []
        store = Store(tmp_path / "b.db", passed.append)
        keep_texts(store)
        assert passed == ["before-commit", "after-commit"]
        passed.clear()
        with pytest.raises(StoreError):
            commit(store, *measured(1, [1])[0])  # no lot: its reference fails
        assert passed == []
        store.close()


def test_a_step_killed_before_its_commit_was_never_made(tmp_path: Path) -> None:
    """SIGKILL inside the transaction: the next start finds the file as it was before."""
    path = tmp_path / "b.db"
    open_store(path).close()
    before = dump(path)
    code = (
        "import os, signal; from pathlib import Path; from daemon.store import Store\n"
        "from tests.daemon.pieces import commit, measured\n"
        "def die(point): point == 'before-commit' and os.kill(os.getpid(), signal.SIGKILL)\n"
        f"store = Store(Path({str(path)!r}), die)\n"
        "commit(store, *measured(1, [9_000])[0])"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    done = subprocess.run([sys.executable, "-c", code], env=environment, timeout=60)
    assert done.returncode == -signal.SIGKILL
    assert dump(path) == before
    store = Store(path)
    commit(store, *measured(1, [9_000])[0])
    assert [seq for seq, _, _ in store.events_after("b1", 0, 9)] == [1, 2, 3]
    store.close()


def test_a_sweep_is_kept_reading_by_reading(tmp_path: Path) -> None:
    from daemon.store import sweep_blob

    path = tmp_path / "b.db"
    store = open_store(path)
    made = clamping(2_000)
    commit(store, *measured(1, [2_000, 2_000, 2_000])[0])
    store.close()
    ((blob,),) = rows(path, "SELECT sweep FROM clampings")
    assert isinstance(blob, bytes)
    ((indicator, position, sweep),) = sweep_blob.decode(blob)
    assert (indicator, position) == ("IND-21", "far")
    assert sweep.value_nm == made.positions[0].sweep.value_nm
    assert max(sweep.value_nm) - min(sweep.value_nm) == 2_000
