"""A backup beside the running service, and one lot as files for an archive."""

import csv
import json
import sqlite3
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.errors import StoreError
from daemon.store import Store, sweep_blob
from daemon.store.backup import backup
from tests.daemon.measured import Bench, Shop, measured

PIECES = 12


@pytest.fixture
def shop(bench_folder: Callable[..., Path]) -> Shop:
    return measured(bench_folder(), PIECES, kind=Bench(retried=frozenset({3})))


def ask(path: Path, sql: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return db.execute(sql).fetchall()


def told(shop: Shop, *words: str) -> tuple[int, str]:
    store = ["--store", str(shop.config.store_path)]
    done = CliRunner().invoke(app, ["store", *words, *store])
    return done.exit_code, done.output


def dump(path: Path) -> list[str]:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        return list(db.iterdump())


# --- backup ----------------------------------------------------------------------------------


def test_a_backup_is_the_record_in_one_file_that_a_service_can_take_up(
    shop: Shop, tmp_path: Path
) -> None:
    copy = tmp_path / "copies" / "monday.db"
    copy.parent.mkdir()
    assert told(shop, "backup", str(copy))[0] == 0
    assert [path.name for path in copy.parent.iterdir()] == ["monday.db"]
    assert dump(copy) == dump(shop.config.store_path)
    with closing(Store(copy)) as store:
        lot = store.lot("b1")
        assert lot is not None
        assert lot.next_piece == PIECES + 1
    recomputed = CliRunner().invoke(app, ["recompute", "--store", str(copy)])
    assert recomputed.exit_code == 0, recomputed.output


def test_a_backup_beside_the_running_service_is_one_moment_and_holds_nothing_up(
    shop: Shop, tmp_path: Path
) -> None:
    """The service goes on committing while the copy is made; the copy adds up all the same."""
    path, copy = shop.config.store_path, tmp_path / "copy.db"
    written = 0
    with closing(Store(path)) as store, ThreadPoolExecutor(1) as aside:
        making = aside.submit(backup, path, copy)
        while not making.done():
            text = (f"{written:064d}", "rules", "later.toml", "later" * 100)
            store.keep_texts([text], "2026-11-25T00:00:00Z")
            written += 1
        rows = making.result()
    assert written
    assert rows["pieces"] == PIECES
    assert len(ask(copy, "SELECT 1 FROM texts")) == rows["texts"]


def test_a_backup_never_overwrites(shop: Shop, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    copy.write_text("mine")
    code, said = told(shop, "backup", str(copy))
    assert (code, "free name" in said) == (2, True)
    with pytest.raises(StoreError, match="free name"):
        backup(shop.config.store_path, copy)
    assert copy.read_text() == "mine"
    assert sorted(path.name for path in tmp_path.glob("*.partial")) == []


def test_a_damaged_record_gives_no_backup(shop: Shop, tmp_path: Path) -> None:
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.execute("DELETE FROM pieces WHERE number = 2")  # its cycles belong to nothing now
    copy = tmp_path / "copy.db"
    code, said = told(shop, "backup", str(copy))
    assert (code, "belong to nothing" in said) == (3, True)
    assert not copy.exists()
    assert list(tmp_path.glob(".*partial*")) == []


# --- export ----------------------------------------------------------------------------------


def exported(shop: Shop, target: Path, *words: str) -> dict[str, list[dict[str, Any]]]:
    code, said = told(shop, "export", str(target), *words)
    assert code == 0, said
    found: dict[str, list[dict[str, Any]]] = {}
    for line in target.read_text(encoding="utf-8").splitlines():
        record = json.loads(line)
        found.setdefault(record.pop("record"), []).append(record)
    return found


def test_an_export_holds_every_fact_of_the_lot_in_micrometres_and_utc(
    shop: Shop, tmp_path: Path
) -> None:
    records = exported(shop, tmp_path / "lot.jsonl")
    path = shop.config.store_path
    for kind, table in {
        "piece": "pieces", "cycle": "cycles", "clamping": "clampings", "verdict": "verdicts",
        "put-away": "put_aways", "position": "clamping_positions", "text": "texts",
    }.items():  # fmt: skip
        if kind != "text":
            assert len(records[kind]) == len(ask(path, f"SELECT 1 FROM {table}")), kind
    stored = ask(path, "SELECT tir_nm FROM clampings ORDER BY id")
    assert [round(c["tir_um"] * 1000) for c in records["clamping"]] == [n for (n,) in stored]
    assert all(c["at_utc"].endswith("Z") for c in records["clamping"])
    assert not any(name.endswith("_nm") for r in records.values() for name in r[0])
    retried = [c for c in records["cycle"] if c["opened_as"] == "retry"]
    assert [(c["piece"], c["opened_because"]) for c in retried] == [(3, "chip in the taper")]
    assert records["lot"][0]["lot"] == "W-2611-A"
    assert records["export"][0]["unit"] == "um"


def test_an_export_brings_the_bench_and_rule_file_in_force_byte_for_byte(
    shop: Shop, tmp_path: Path
) -> None:
    texts = exported(shop, tmp_path / "lot.jsonl")["text"]
    assert {text["of"] for text in texts} == {"bench", "rules"}
    for text in texts:
        assert sha256(text["text"].encode()).hexdigest() == text["sha256"]
    named = {v["rules_sha256"] for v in exported(shop, tmp_path / "2.jsonl")["verdict"]}
    assert named <= {text["sha256"] for text in texts}


def test_readings_come_when_asked_for_and_are_those_of_the_record(
    shop: Shop, tmp_path: Path
) -> None:
    assert "readings" not in exported(shop, tmp_path / "without.jsonl")
    kept = exported(shop, tmp_path / "with.jsonl", "--readings")["readings"]
    ((blob,),) = ask(shop.config.store_path, "SELECT sweep FROM clampings ORDER BY id LIMIT 1")
    ((_, _, sweep),) = sweep_blob.decode(blob)
    assert [round(um * 1000) for um in kept[0]["um"]] == list(sweep.value_nm)
    assert len(kept) == len(ask(shop.config.store_path, "SELECT 1 FROM clampings"))


def test_csv_says_the_same_as_json_lines(shop: Shop, tmp_path: Path) -> None:
    lines = exported(shop, tmp_path / "lot.jsonl")
    folder = tmp_path / "lot"
    code, said = told(shop, "export", str(folder), "--format", "csv")
    assert code == 0, said
    for kind in ("piece", "clamping", "position", "verdict", "put-away", "cycle"):
        with (folder / f"{kind}.csv").open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
        assert len(rows) == len(lines[kind])
        for row, record in zip(rows, lines[kind], strict=True):
            for name, value in record.items():
                is_json = isinstance(value, list | dict)
                text = "" if value is None else json.dumps(value) if is_json else str(value)
                assert row[name] == text, (kind, name)
    with (folder / "text.csv").open(encoding="utf-8-sig", newline="") as file:
        for row in csv.DictReader(file):
            assert sha256((folder / row["file"]).read_bytes()).hexdigest() == row["sha256"]


def test_an_export_never_overwrites_and_names_lots_that_are_there(
    shop: Shop, tmp_path: Path
) -> None:
    taken = tmp_path / "taken.jsonl"
    taken.write_text("mine")
    assert told(shop, "export", str(taken))[0] == 2
    assert taken.read_text() == "mine"
    code, said = told(shop, "export", str(tmp_path / "x.jsonl"), "--lot", "W-9")
    assert (code, "W-2611-A" in said) == (2, True)
