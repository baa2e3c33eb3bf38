"""Every stored verdict anew: nothing on an honest record, and whatever was altered in it."""

import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.store import Store, sweep_blob
from daemon.store.read_only import reading_only
from rules.clamping import PositionRunOut
from rules.sweep import RunOut, Sweep
from tests.daemon.measured import Bench, Shop, measured
from tests.daemon.odd_pieces import BY_SPEED, PER_POSITION, odd_shop

PIECES = 20


@pytest.fixture
def shop(bench_folder: Callable[..., Path]) -> Shop:
    return measured(bench_folder(), PIECES, kind=Bench(cut="stopped"))


def recomputed(shop: Shop, *words: str) -> tuple[int, dict[str, Any]]:
    """Return exit code and answer of the command."""
    command = ["recompute", "--store", str(shop.config.store_path), "--json", *words]
    done = CliRunner().invoke(app, command)
    assert done.stdout, done.output
    return done.exit_code, json.loads(done.stdout)


def alter(shop: Shop, sql: str, *values: object) -> None:
    """Do what a person with a database browser can do."""
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        assert db.execute(sql, values).rowcount == 1


def ask(shop: Shop, sql: str) -> Any:
    with closing(sqlite3.connect(shop.config.store_path)) as db:
        return db.execute(sql).fetchone()


def named(answer: dict[str, Any]) -> list[tuple[int, int, int | None, str]]:
    """Return piece, cycle, clamping and what differs, of every difference."""
    return [(d["piece"], d["cycle"], d["clamping"], d["what"]) for d in answer["differences"]]


def test_an_honest_record_gives_no_difference(shop: Shop) -> None:
    code, answer = recomputed(shop)
    assert (code, answer["fine"], answer["differences"]) == (0, True, [])
    assert (answer["pieces"], answer["verdicts"], answer["undecided"]) == (PIECES, PIECES, 0)
    kept, invalid = ask(shop, "SELECT count(*), sum(result = 'invalid') FROM clampings")
    assert answer["clampings"] == kept
    assert invalid > 0
    grades = ask(shop, "SELECT count(DISTINCT grade) FROM verdicts")
    assert grades[0] == 2


def test_the_record_itself_is_not_touched(shop: Shop) -> None:
    path = shop.config.store_path
    before = path.read_bytes()
    recomputed(shop)
    assert path.read_bytes() == before


def test_it_works_beside_the_running_service(shop: Shop) -> None:
    with closing(Store(shop.config.store_path)):
        assert recomputed(shop)[0] == 0


def test_one_altered_reading_is_found(shop: Shop) -> None:
    row, blob = ask(shop, "SELECT id, sweep FROM clampings WHERE cycle = 3 AND number = 1")
    ((indicator, position, sweep),) = sweep_blob.decode(blob)
    values = list(sweep.value_nm)
    values[7] = max(values) + 2_000
    changed = Sweep(sweep.at_ns, tuple(values), sweep.index_ns, sweep.cut)
    place = PositionRunOut(indicator, position, changed, RunOut(None, None))
    alter(shop, "UPDATE clampings SET sweep = ? WHERE id = ?", sweep_blob.encode([place]), row)
    code, answer = recomputed(shop)
    assert code == 1
    assert (3, 1, 1, "tir_nm") in named(answer)


@pytest.mark.parametrize(
    ("sql", "found"),
    [
        ("UPDATE clampings SET tir_nm = tir_nm - 100 WHERE cycle = 2 AND number = 1",
         (2, 1, 1, "tir_nm")),
        ("UPDATE clamping_positions SET tir_nm = tir_nm - 100 WHERE clamping = 1",
         (1, 1, 1, "tir_nm")),
        ("UPDATE clamping_positions SET samples = 99 WHERE clamping = 1", (1, 1, 1, "samples")),
        ("UPDATE clamping_positions SET indicator = 'IND-9' WHERE clamping = 1",
         (1, 1, 1, "indicator")),
        ("UPDATE clamping_positions SET position = 'face' WHERE clamping = 1",
         (1, 1, 1, "indicator")),
        ("UPDATE clampings SET meets = 'grade-1' WHERE cycle = 5 AND number = 1",
         (5, 1, 1, "meets")),
        ("UPDATE clampings SET proof = 'speed' WHERE id = 1", (1, 1, 1, "proof")),
        ("UPDATE clampings SET mode = 'single-value' WHERE id = 1", (1, 1, 1, "mode")),
        ("UPDATE clampings SET loosening = 'a guess' WHERE id = 1", (1, 1, 1, "loosening")),
        ("UPDATE verdicts SET grade = 'grade-3' WHERE cycle = 4", (4, 1, None, "grade")),
        ("UPDATE verdicts SET bin = 'H' WHERE cycle = 4", (4, 1, None, "bin")),
        ("UPDATE verdicts SET why = 'guard-band' WHERE cycle = 4", (4, 1, None, "why")),
        ("UPDATE verdicts SET rules_revision = '8' WHERE cycle = 4",
         (4, 1, None, "rules_revision")),
        ("UPDATE verdicts SET loosening_observed = 0 WHERE cycle = 4",
         (4, 1, None, "loosening_observed")),
        ("UPDATE verdicts SET decision_rule = replace(decision_rule, '3.2', '3.3')"
         " WHERE cycle = 4", (4, 1, None, "decision_rule")),
        ("DELETE FROM verdicts WHERE cycle = 4", (4, 1, None, "verdict")),
        ("UPDATE cycle_ends SET how = 'interrupted' WHERE cycle = 4", (4, 1, None, "how")),
        ("UPDATE clampings SET sweep = x'09' WHERE id = 1", (1, 1, 1, "sweep")),
        ("UPDATE clampings SET sweep = x'0178' WHERE id = 1", (1, 1, 1, "sweep")),
    ],
)  # fmt: skip
def test_whatever_is_altered_is_found_and_named(
    shop: Shop, sql: str, found: tuple[int, int, int | None, str]
) -> None:
    alter(shop, sql)
    code, answer = recomputed(shop)
    assert code == 1
    assert found in named(answer), answer["differences"]


def test_a_clamping_left_out_of_a_settled_piece_is_found(shop: Shop) -> None:
    (cycle,) = ask(shop, "SELECT cycle FROM verdicts WHERE grade = 'grade-1'")
    (row,) = ask(shop, f"SELECT id FROM clampings WHERE cycle = {cycle} AND number = 2")
    alter(shop, "DELETE FROM clamping_positions WHERE clamping = ?", row)
    alter(shop, "DELETE FROM clampings WHERE id = ?", row)
    _, answer = recomputed(shop)
    assert {what for *_, what in named(answer)} == {"clampings", "verdict"}


def test_a_clamping_after_the_one_that_settled_the_verdict_is_found(shop: Shop) -> None:
    cycle, row = ask(
        shop,
        "SELECT k.cycle, max(k.id) FROM clampings k JOIN verdicts v ON v.cycle = k.cycle"
        " WHERE v.grade = 'grade-2' GROUP BY k.cycle",
    )
    names = [r[1] for r in _columns(shop) if r[1] not in ("id", "number")]
    listed = ", ".join(names)
    alter(
        shop,
        f"INSERT INTO clampings (number, {listed})"
        f" SELECT number + 1, {listed} FROM clampings WHERE id = {row}",
    )
    alter(
        shop,
        "INSERT INTO clamping_positions SELECT (SELECT max(id) FROM clampings), position,"
        " indicator, driver, driver_version, tir_nm, seen_nm, turns_nm, samples, closure_nm,"
        f" invalid FROM clamping_positions WHERE clamping = {row}",
    )
    _, answer = recomputed(shop)
    assert [(d["piece"], d["what"]) for d in answer["differences"]] == [
        (cycle, "settled by clamping")
    ]


def _columns(shop: Shop) -> list[Any]:
    with closing(sqlite3.connect(shop.config.store_path)) as db:
        return db.execute("PRAGMA table_info(clampings)").fetchall()


def test_a_limit_changed_in_a_stored_text_is_told_once_and_nothing_is_judged_by_it(
    shop: Shop,
) -> None:
    alter(
        shop,
        "UPDATE texts SET text = replace(text, 'limit_um = 4.0', 'limit_um = 9.0')"
        " WHERE kind = 'rules' AND text LIKE '%limit_um = 4.0%'",
    )
    code, answer = recomputed(shop)
    assert code == 1
    assert [text["fault"] for text in answer["texts"]] == [
        "mr-10-med.rules.toml was altered: it no longer has this hash"
    ]
    assert answer["clampings"] == 0
    assert answer["undecided"] == PIECES


def test_the_rule_file_on_disk_has_no_say(shop: Shop) -> None:
    path = shop.one.rules_path
    path.write_text(path.read_text().replace("limit_um = 4.0", "limit_um = 1.0"))
    assert recomputed(shop)[0] == 0


def test_an_evaluation_this_release_does_not_have_is_counted_apart_and_not_judged(
    shop: Shop,
) -> None:
    alter(shop, "UPDATE clampings SET evaluation = '0.9', tir_nm = 7 WHERE id = 1")
    code, answer = recomputed(shop)
    assert (code, answer["differences"]) == (0, [])
    assert answer["other_versions"] == {"0.9": 1}
    assert answer["undecided"] == 1
    assert answer["verdicts"] == PIECES - 1


def test_an_older_evaluation_is_repeated_as_it_was(shop: Shop) -> None:
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        db.execute("UPDATE clampings SET evaluation = '1'")
    code, answer = recomputed(shop)
    assert (code, answer["other_versions"]) == (0, {})


def read_again() -> Callable[[int, int, str, Sweep], Sweep]:
    """Return what shows the first sweep of every third piece again as its second."""
    first: dict[int, Sweep] = {}

    def spoil(piece: int, before: int, position: str, swept: Sweep) -> Sweep:
        if before == 0:
            first[piece] = swept
        if before != 1 or piece % 3:
            return swept
        again, later_ns = first[piece], swept.at_ns[0] - first[piece].at_ns[0]
        return Sweep(
            tuple(at + later_ns for at in again.at_ns),
            again.value_nm,
            tuple(at + later_ns for at in again.index_ns),
        )

    return spoil


def test_what_read_alike_is_found_alike_again_from_the_readings(
    bench_folder: Callable[..., Path],
) -> None:
    kind = Bench(evidence="stylus-lift", spoil=read_again())
    shop = measured(bench_folder(), PIECES, kind=kind)
    (refused,) = ask(shop, "SELECT count(*) FROM clampings WHERE invalid = 'read-alike'")
    assert refused >= 3
    assert recomputed(shop)[0] == 0
    alter(
        shop,
        "UPDATE clampings SET invalid = NULL, result = 'within', tir_nm = seen_nm WHERE id ="
        " (SELECT min(id) FROM clampings WHERE invalid = 'read-alike')",
    )
    code, answer = recomputed(shop)
    assert code == 1
    assert "invalid" in {what for *_, what in named(answer)}


def test_a_reread_of_version_three_counts_as_it_did(bench_folder: Callable[..., Path]) -> None:
    kind = Bench(spoil=read_again())  # the pin jumped: nothing is asked for again
    shop = measured(bench_folder(), PIECES, kind=kind)
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        db.execute("UPDATE clampings SET loosening = 'stylus-lift', evaluation = '3'")
    assert recomputed(shop)[0] == 0
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        db.execute("UPDATE clampings SET evaluation = '4'")
    assert "invalid" in {what for *_, what in named(recomputed(shop)[1])}


def test_people_read_it_in_lines(shop: Shop) -> None:
    alter(shop, "UPDATE verdicts SET grade = NULL WHERE cycle = 4")
    alter(shop, "UPDATE clampings SET evaluation = '0.9' WHERE id = 1")
    done = CliRunner().invoke(app, ["recompute", "--store", str(shop.config.store_path)])
    assert done.exit_code == 1
    lines = done.stdout.splitlines()
    assert lines[0].startswith(
        "b1 lot W-2611-A piece 4 cycle 1: grade: stored nothing, computed"
    )
    assert (
        "1 clamping of evaluation '0.9', which this release does not have: not judged" in lines
    )
    assert lines[-1].startswith("20 pieces: ")
    assert lines[-1].endswith(" computed anew, 1 difference")


def test_only_the_lot_asked_for_is_looked_at(shop: Shop) -> None:
    assert recomputed(shop, "--lot", "W-2611-A")[1]["pieces"] == PIECES
    done = CliRunner().invoke(
        app, ["recompute", "--store", str(shop.config.store_path), "--lot", "W-9"]
    )
    assert done.exit_code == 2
    assert "--lot: got 'W-9', accepted are W-2611-A" in done.output


def test_the_bench_file_names_the_store(shop: Shop) -> None:
    done = CliRunner().invoke(app, ["recompute", "--config", str(shop.config.source.path)])
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize(
    ("content", "said"),
    [(None, "no such file"), (b"", "no store of reclamp"), (b"x" * 5000, "not a database")],
)
def test_what_is_no_store_is_refused(tmp_path: Path, content: bytes | None, said: str) -> None:
    path = tmp_path / "other.db"
    if content is not None:
        path.write_bytes(content)
    done = CliRunner().invoke(app, ["recompute", "--store", str(path)])
    assert done.exit_code == 3
    assert said in done.output


def test_a_store_of_a_later_release_is_refused(shop: Shop) -> None:
    alter(
        shop,
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
        " VALUES ('reclamp', 'm999_later', '2030-01-01')",
    )
    done = CliRunner().invoke(app, ["recompute", "--store", str(shop.config.store_path)])
    assert done.exit_code == 3
    assert "a later release wrote this store (m999_later)" in done.output


def test_a_copy_where_nothing_can_be_written_is_read(shop: Shop) -> None:
    # Not in tmp_path: nobody else may look into that, and root may write everywhere.
    with TemporaryDirectory() as name:
        archive = Path(name)
        copy = archive / "copy.db"
        copy.write_bytes(shop.config.store_path.read_bytes())
        archive.chmod(0o555)
        user = os.geteuid()
        try:
            if user == 0:
                os.seteuid(65534)
            with pytest.raises(PermissionError):
                (archive / "new").touch()
            with reading_only(copy) as db:
                (count,) = db.execute("SELECT count(*) FROM pieces").fetchone()
        finally:
            os.seteuid(user)
            archive.chmod(0o755)
        assert count == PIECES


def test_a_terminal_sees_a_bar_and_a_pipe_does_not(shop: Shop) -> None:
    command = [sys.executable, "-m", "daemon.cli", "recompute", "--store"]
    command.append(str(shop.config.store_path))
    quiet = subprocess.run(command, capture_output=True, text=True, check=True)
    assert quiet.stderr == ""
    ours, theirs = os.openpty()
    try:
        done = subprocess.run(
            command, stdout=subprocess.PIPE, stderr=theirs, text=True, check=True,
            env={**os.environ, "TERM": "xterm"},
        )  # fmt: skip
        seen = os.read(ours, 65_536).decode()
    finally:
        os.close(theirs)
        os.close(ours)
    assert "cycles" in seen
    assert f"/{PIECES}" in seen
    assert done.stdout == quiet.stdout


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_what_sweeps_show_comes_out_as_kept_where_it_is_asked_for(
    bench_folder: Callable[..., Path], proof: str
) -> None:
    shop = measured(bench_folder(*[BY_SPEED] * (proof == "speed")), PIECES)
    assert recomputed(shop)[1]["diagnoses"] == 0
    code, answer = recomputed(shop, "--diagnoses")
    (kept,) = ask(shop, "SELECT count(*) FROM clamping_diagnoses")
    assert (code, answer["differences"], answer["diagnoses"]) == (0, [], kept)
    assert kept > PIECES


def test_an_altered_diagnosis_is_found_and_one_of_the_last_digit_is_not(shop: Shop) -> None:
    change = "UPDATE clamping_diagnoses SET {0} = {0} + {1} WHERE clamping = 1"
    for column in (
        "amplitude_nm", "direction_udeg", "form_nm", "noise_nm", "drift_nm", "gap_udeg",
        "loss_1_nm", "loss_2_nm", "loss_3_nm",
    ):  # fmt: skip
        alter(shop, change.format(column, 1))
        assert recomputed(shop, "--diagnoses")[0] == 0
        alter(shop, change.format(column, -1))
        by = 1_000_000 if column.endswith("udeg") else 20
        alter(shop, change.format(column, by))
        code, answer = recomputed(shop, "--diagnoses")
        assert (code, named(answer)) == (1, [(1, 1, 1, column)])
        alter(shop, change.format(column, -by))
    alter(shop, change.format("form_nm", 20))
    assert recomputed(shop)[0] == 0


def test_limits_per_position_are_judged_anew_each_by_its_own(
    bench_folder: Callable[..., Path],
) -> None:
    def with_limits(*changes: tuple[str, str]) -> Path:
        path = bench_folder(*changes)
        rules = path.with_name("mr-10-med.rules.toml")
        text = rules.read_text(encoding="utf-8")
        assert PER_POSITION[0] in text
        rules.write_text(text.replace(*PER_POSITION), encoding="utf-8")
        return path

    shop = odd_shop(with_limits)
    code, answer = recomputed(shop, "--diagnoses")
    assert (code, answer["differences"]) == (0, [])
    assert answer["verdicts"] > 0
    row, meets = ask(
        shop, "SELECT id, meets FROM clampings WHERE result = 'within' ORDER BY id DESC LIMIT 1"
    )
    assert meets.startswith("grade-1")
    alter(
        shop,
        "UPDATE clamping_positions SET tir_nm = 1300 WHERE clamping = ? AND position = 'face'",
        row,
    )
    assert [d["what"] for d in recomputed(shop)[1]["differences"]] == ["tir_nm"]
