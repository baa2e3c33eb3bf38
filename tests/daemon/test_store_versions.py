"""A record that an earlier release laid: said to who reads it, and brought up to date."""

import contextlib
import json
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlite_utils import Database
from typer.testing import CliRunner

from daemon.cli import app
from daemon.store import Store
from daemon.store.schema import APPLICATION_ID, migrations
from daemon.store.versions import newest

Make = Callable[..., Path]

BEFORE = "m008_questions"
"""Without it and what came later there is no view to ask and no check as of today."""

STANDS_AT = "m007_pin_moves"

READERS = {
    "store ask": ("store", "ask", "on-hold"),
    "store then": ("store", "then", "2026-11-24T10:42"),
    "store export": ("store", "export", "lot.jsonl"),
    "recompute": ("recompute",),
    "lot report": ("lot", "report"),
    "lot separation": ("lot", "separation"),
    "instrument list": ("instrument", "list"),
    "holder show": ("holder", "show", "--bench", "b1"),
    "hold list": ("hold", "list"),
    "master status": ("master", "status", "--bench", "b1", "--plot", "checks.svg"),
    "piece show": ("piece", "show", "1", "--plot", "piece.svg"),
    "explain": ("explain", "mr-10-med.rules.toml", "--risk", "--store", "millrace.db"),
}
"""Every command that reads the record itself, but for the backup."""

ONLY_BY_CONFIG = ("holder show", "hold list", "master status")


@pytest.fixture
def old(bench_folder: Make, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the store of a bench file, as an earlier release laid it, with a lot."""
    path = bench_folder().with_name("millrace.db")
    monkeypatch.chdir(path.parent)
    with contextlib.closing(Database(path)) as db:
        db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        migrations.apply(db, stop_before=BEFORE)
        db.execute("INSERT INTO texts VALUES ('f', 'rules', 'r.toml', '', '2026')")
        db.execute(
            "INSERT INTO lots (bench, code, article, quantity, holder, pins, role,"
            " rules_sha256, bench_sha256, opened_utc)"
            " VALUES ('b1', 'W-1', 'A', 10, '', '[]', 'lead', 'f', 'f', '2026')"
        )
        db.conn.commit()
    return path


def asked(*words: str) -> tuple[int, str]:
    told = CliRunner().invoke(app, list(words))
    return told.exit_code, " ".join(told.output.split())


@pytest.mark.parametrize("reader", READERS)
def test_who_reads_it_is_told_which_file_which_state_and_what_to_do(
    old: Path, reader: str
) -> None:
    words = READERS[reader]
    if reader not in ONLY_BY_CONFIG and "--store" not in words:
        words = (*words, "--store", str(old))
    code, text = asked(*words)
    assert (code, "no such" in text) == (3, False), text
    assert "millrace.db" in text
    assert f"it stands at {STANDS_AT}, this release reads {newest()}" in text
    assert "start the service on it once, or 'reclamp store update'" in text
    assert not Path("lot.jsonl").exists()


def test_check_says_so_beside_its_other_warnings(old: Path) -> None:
    code, text = asked("check", "bench.toml")
    assert code == 0
    assert f"it stands at {STANDS_AT}" in text


def test_a_backup_is_made_of_what_is_there(old: Path) -> None:
    code, text = asked("store", "backup", "copy.db", "--store", str(old))
    assert (code, "1 lots" in text) == (0, True), text
    with contextlib.closing(sqlite3.connect("copy.db")) as db:
        assert db.execute("SELECT code FROM lots").fetchall() == [("W-1",)]


def test_it_is_brought_up_to_date_once_with_all_it_holds(old: Path) -> None:
    code, text = asked("store", "update")
    assert (code, f"brought from {STANDS_AT} to {newest()}" in text) == (0, True), text
    code, text = asked("store", "update", "--json")
    assert json.loads(text) == {"store": old.name, "before": newest(), "after": newest()}
    code, text = asked("store", "ask", "balance", "--json")
    assert code == 0
    assert [(row["lot"], row["quantity"]) for row in json.loads(text)] == [("W-1", 10)]


def test_the_start_of_the_service_does_the_same(old: Path) -> None:
    Store(old).close()
    assert asked("store", "ask", "on-hold", "--json") == (0, "[]")


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("missing.db", "no such file"),
        ("notes.db", "file is not a database"),
        ("millrace.db", "another service has this store open"),
    ],
)
def test_what_can_not_be_brought_up_to_date_is_left_as_it_is(
    old: Path, name: str, says: str
) -> None:
    Path("notes.db").write_text("buy bread " * 100)
    with contextlib.closing(Store(old)):
        code, text = asked("store", "update", "--store", name)
    assert (code, says in text) == (3, True), text
    assert not Path("missing.db").exists()
    assert Path("notes.db").read_text() == "buy bread " * 100
