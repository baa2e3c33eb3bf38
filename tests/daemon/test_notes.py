"""A verdict is durable before its lamp, and becomes rows and events, come what may."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.config import load
from daemon.errors import StoreError
from daemon.store.note import Note, decode, encode, encode_under, is_verdict
from rules.facts import AlarmFact, ClampingFact, CycleEndedFact, Fact
from tests.daemon.bench_of_sweeps import sweep_bench
from tests.daemon.bench_of_values import ValueBench, value_bench

Make = Callable[..., Path]


class Killed(BaseException):
    """The service is gone at this very point."""


@pytest.fixture
def bench(bench_folder: Make) -> Iterator[ValueBench]:
    made = value_bench(bench_folder)
    yield made
    made.close()


def dies_at(bench: ValueBench, point: str, once: str | None = None) -> None:
    passed: list[str | None] = [None]

    def reached(name: str) -> None:
        if name == point and once in passed:
            raise Killed
        passed.append(name)

    bench.store._reached = reached


def in_file(bench: ValueBench, sql: str) -> list[tuple[object, ...]]:
    """Ask with a connection of one's own: what it sees is committed."""
    with closing(sqlite3.connect(bench.store.path)) as db:
        return db.execute(sql).fetchall()


def killed_between(bench: ValueBench, um: str = "5.0") -> None:
    """Let a verdict be noted and the service die before its rows are committed."""
    dies_at(bench, "before-commit", once="after-note")
    with pytest.raises(Killed):
        bench.value(um)
    assert in_file(bench, "SELECT count(*) FROM noted") == [(1,)]
    assert in_file(bench, "SELECT count(*) FROM verdicts") == [(0,)]


def test_a_lamp_waits_for_the_note_and_for_nothing_else(bench: ValueBench) -> None:
    seen = []

    def lit() -> None:
        if bench.lamps:
            rows = in_file(bench, "SELECT (SELECT count(*) FROM noted), count(*) FROM verdicts")
            seen.append((bench.lamps, *rows))

    bench.runner.lamps_for = lambda _: lit
    bench.values("5.0")
    assert seen == [({"2": "on"}, (1, 0)), ({"2": "on"}, (0, 1))]


def test_only_a_verdict_is_noted(bench: ValueBench) -> None:
    passed: list[str] = []
    bench.store._reached = passed.append
    bench.values("2.0", "2.0")
    bench.lose()
    bench.find()
    bench.tick()
    assert passed
    assert "before-note" not in passed
    passed.clear()
    bench.values("2.0", "2.0")
    assert "before-note" not in passed
    bench.values("2.0")
    noted = passed.index("before-note")
    assert passed[noted : noted + 4] == [
        "before-note", "after-note", "before-commit", "after-commit",
    ]  # fmt: skip
    assert passed.count("before-note") == 1


def test_a_verdict_noted_and_not_written_out_is_there_after_the_next_start(
    bench: ValueBench,
) -> None:
    killed_between(bench)
    at = in_file(bench, "SELECT json_extract(body, '$.at.utc') FROM noted")
    bench.clock.seconds += 3600
    bench.restart()
    assert (bench.word, bench.lamps) == ("put-away", {"2": "on"})
    assert bench.rows("SELECT count(*) FROM noted") == [(0,)]
    assert bench.rows("SELECT piece, grade, bin FROM verdicts_um") == [(1, "grade-2", "2")]
    assert bench.rows("SELECT at_utc FROM verdicts") == at  # when it was, not when it started
    told = [json.loads(str(body)) for _, _, body in bench.store.unsent("b1", 20)]
    assert [e["seq"] for e in told] == list(range(1, len(told) + 1))
    assert [e["type"] for e in told if e["time"] == at[0][0]] == [
        "reclamp.clamping.v1", "reclamp.verdict.v1",
    ]  # fmt: skip
    bench.placed("2")
    assert bench.runner.lot is not None
    assert dict(bench.runner.lot.put_away) == {"grade-2": 1}


def test_what_its_sweep_shows_besides_is_worked_out_after_a_kill_too(
    bench_folder: Make,
) -> None:
    sql = "SELECT * FROM diagnoses_um ORDER BY clamping"
    bench = sweep_bench(bench_folder)
    bench.check()
    bench.piece(20.0)
    straight = bench.rows(sql)
    dies_at(bench, "before-commit", once="after-note")
    with pytest.raises(Killed):
        bench.piece(20.0)
    assert in_file(bench, "SELECT count(*) FROM noted") == [(1,)]
    bench.restart()
    assert len(bench.rows(sql)) == len(straight) + 1
    assert bench.rows(sql)[:-1] == straight
    bench.close()


def test_a_start_that_dies_as_well_leaves_it_to_the_one_after(bench: ValueBench) -> None:
    killed_between(bench)
    for _ in range(2):
        with pytest.raises(Killed):
            bench.runner._take_up()
    bench.restart()
    assert bench.rows("SELECT count(*) FROM verdicts") == [(1,)]
    assert bench.rows("SELECT count(*) FROM clampings") == [(1,)]
    assert bench.lamps == {"2": "on"}


def test_one_killed_before_its_note_was_never_given(bench: ValueBench) -> None:
    lit: list[object] = []
    bench.runner.lamps_for = lambda _: lambda: lit.append(bench.lamps)
    dies_at(bench, "before-note")
    with pytest.raises(Killed):
        bench.value("5.0")
    bench.restart()
    assert (lit, bench.lamps) == ([], {})
    assert in_file(bench, "SELECT (SELECT count(*) FROM noted), count(*) FROM pieces") == [
        (0, 0)
    ]


def test_rows_that_cant_be_written_are_a_fault_until_they_can(bench: ValueBench) -> None:
    """The note is kept and its lamp goes out; with room again it is lit as after a restart."""
    lit: list[object] = []
    bench.runner.lamps_for = lambda _: lambda: lit.append(bench.lamps)
    with bench.store.reading() as db:
        db.execute(
            "CREATE TRIGGER full BEFORE INSERT ON verdicts"
            " BEGIN SELECT raise(ABORT, 'database or disk is full'); END"
        )
    assert not bench.value("5.0")
    assert lit == [{"2": "on"}, {}]
    assert bench.word == "fault"
    assert not bench.runner.recover()
    with bench.store.reading() as db:
        db.execute("DROP TRIGGER full")
    assert bench.runner.recover()
    assert (bench.word, bench.lamps) == ("put-away", {"2": "on"})
    assert bench.rows("SELECT count(*) FROM verdicts") == [(1,)]
    assert bench.rows("SELECT count(*) FROM noted") == [(0,)]


def test_it_is_written_out_under_the_files_of_its_time(bench: ValueBench) -> None:
    killed_between(bench)
    was = bench.runner.by
    one = bench.config.benches[0]
    path, rules = bench.config.source.path, one.rules_path
    path.write_text(path.read_text("utf-8") + "\n# another hand\n", "utf-8")
    rules.write_text(rules.read_text("utf-8").replace("12.0", "4.5"), "utf-8")
    bench.config = load(path)
    bench.restart()
    assert bench.runner.by.bench_sha256 != was.bench_sha256
    assert bench.rows("SELECT grade, rules_sha256 FROM verdicts") == [
        ("grade-2", was.rules.sha256)
    ]
    assert bench.rows("SELECT bench_sha256 FROM clampings") == [(was.bench_sha256,)]


def test_one_that_this_release_cant_read_is_named_and_nothing_is_graded(
    bench: ValueBench,
) -> None:
    killed_between(bench)
    with closing(sqlite3.connect(bench.store.path)) as db, db:
        db.execute("UPDATE noted SET body = json_set(body, '$.at.synced', 'perhaps')")
    bench.store.close()
    with pytest.raises(StoreError, match=r"can't be read: Stamp\.synced: .*yes") as told:
        bench._open()
    assert str(bench.store.path) in str(told.value)


def noted_facts(bench: ValueBench) -> list[tuple[Fact, ...]]:
    """Listen to what a bench notes from now on."""
    found: list[tuple[Fact, ...]] = []
    keep = bench.store.note

    def listening(note: Note) -> int:
        found.append(note.facts)
        return keep(note)

    bench.store.note = listening  # type: ignore[method-assign]
    return found


def test_a_note_says_every_digit_again(bench_folder: Make) -> None:
    bench = sweep_bench(bench_folder)
    bench.check()
    found = noted_facts(bench)
    for piece in ((5.0,), (1.0, 1.2, 0.9), (20.0,)):
        bench.piece(*piece)
    assert len(found) == 3
    stamp = bench.runner._stamp()
    indicators = bench.runner.config.rules.capture.indicators
    for facts in found:
        alarm = AlarmFact("clampings-alike", True, 'they "read" alike')
        note = Note((*facts, alarm), bench.runner.by, stamp, indicators)
        again = decode(encode(note), encode_under(note))
        assert again == note
        assert (
            decode(encode(again), encode_under(again)) == note
        )  # a set has no order: not by its text
        clamping = again.facts[0]
        assert isinstance(clamping, ClampingFact)
        assert clamping.clamping.positions[0].vector is not None
    bench.close()


def test_what_else_a_step_may_hold_is_committed_as_a_whole(bench: ValueBench) -> None:
    found = noted_facts(bench)
    bench.values("5.0")
    (facts,) = found
    assert is_verdict(facts)
    clamping, ended = facts
    assert not is_verdict((clamping,))
    assert isinstance(ended, CycleEndedFact)
    assert not is_verdict((clamping, CycleEndedFact(1, 1, "interrupted", "lost")))


def test_a_note_that_is_rehearsed_is_taken_back_and_the_next_one_is_durable(
    bench: ValueBench,
) -> None:
    killed_between(bench)
    ((_, note),) = bench.store.notes("b1")
    wal = Path(f"{bench.store.path}-wal").stat().st_size
    bench.store.rehearse_note(note)
    assert Path(f"{bench.store.path}-wal").stat().st_size == wal
    assert in_file(bench, "SELECT count(*) FROM noted") == [(1,)]
    assert bench.store.note(note) == 2
    assert in_file(bench, "SELECT count(*) FROM noted") == [(2,)]


def test_while_somebody_holds_the_file_a_rehearsal_says_so_and_leaves_nothing_open(
    bench: ValueBench,
) -> None:
    killed_between(bench)
    ((_, note),) = bench.store.notes("b1")
    with closing(sqlite3.connect(bench.store.path)) as db:
        db.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked"):
            bench.store.rehearse_note(note)
    assert bench.store.note(note) == 2
    assert in_file(bench, "SELECT count(*) FROM noted") == [(2,)]


def test_a_note_is_refused_where_it_would_be_durable_with_something_else_only(
    bench: ValueBench,
) -> None:
    killed_between(bench)
    ((_, note),) = bench.store.notes("b1")
    dies_at(bench, "nowhere")
    with bench.store._transaction():
        for way in (bench.store.note, bench.store.rehearse_note):
            with pytest.raises(StoreError, match="a transaction by itself"):
                way(note)


def test_what_notes_are_under_is_written_once_and_kept_while_one_names_it(
    bench: ValueBench,
) -> None:
    killed_between(bench)
    ((_, note),) = bench.store.notes("b1")
    dies_at(bench, "nowhere")
    unders = "SELECT (SELECT count(*) FROM noted_under), count(DISTINCT under) FROM noted"
    bench.store.note(note)
    assert in_file(bench, unders) == [(1, 1)]
    other = replace(note, by=replace(note.by, proof="angle"))
    bench.store.note(other)
    bench.store.note(note)
    assert in_file(bench, unders) == [(3, 3)]
    assert [one for _, one in bench.store.notes("b1")] == [note, note, other, note]
    with closing(sqlite3.connect(bench.store.path)) as db, db:
        db.execute("DELETE FROM noted WHERE id < 4")
    bench.store.note(other)
    assert in_file(bench, unders) == [(2, 2)]


def test_one_that_says_itself_what_it_is_under_is_written_out_as_well(
    bench: ValueBench,
) -> None:
    """As an earlier release noted it."""
    killed_between(bench)
    with closing(sqlite3.connect(bench.store.path)) as db, db:
        db.execute(
            "UPDATE noted SET under = NULL, body = json_patch(body,"
            " (SELECT u.body FROM noted_under u WHERE u.id = under))"
        )
    bench.restart()
    assert bench.rows("SELECT grade, rules_sha256 FROM verdicts") == [
        ("grade-2", bench.runner.by.rules.sha256)
    ]
