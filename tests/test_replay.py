"""A recorded shift, replayed: the verdicts of the service that lived it, every time.

The recording in ``data/recordings/shift`` was made by ``tests/make_recording.py`` with the
real service on two simulated benches; ``verdicts.json`` is what that service graded then.
"""

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import replace as changed
from pathlib import Path
from typing import Any

import pytest

from daemon.bench import BenchRunner
from daemon.config import Config, load
from daemon.errors import RecordingError
from daemon.recording import Entry, read_recording
from daemon.replay import replay
from daemon.store import Store
from rules.bench import BenchEvent
from rules.capture_model import Tick
from tests.recorded_verdicts import verdicts

SHIFT = Path(__file__).parent / "data" / "recordings" / "shift"


@pytest.fixture(scope="module")
def config() -> Config:
    return load(SHIFT / "bench.toml")


@pytest.fixture(scope="module")
def entries() -> list[Entry]:
    return list(read_recording(SHIFT / "recording.txt"))


def replayed(entries: Iterable[Entry], config: Config, path: Path) -> Path:
    store = Store(path)
    try:
        replay(entries, config, store)
    finally:
        store.close()
    return path


def everything(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table."""
    with closing(sqlite3.connect(path)) as db:
        names = "SELECT name FROM sqlite_schema WHERE type = 'table'"
        tables = [name for (name,) in db.execute(names).fetchall()]
        return {
            table: db.execute(f"SELECT * FROM {table}").fetchall()
            for table in tables
            if table != "_sqlite_migrations"  # when a store was made is no fact of a shift
        }


def test_a_replay_grades_what_the_living_service_graded(
    tmp_path: Path, config: Config, entries: list[Entry]
) -> None:
    expected = json.loads((SHIFT / "verdicts.json").read_text(encoding="utf-8"))
    assert {v["kind"] for v in expected} == {"first", "retry", "after-interruption"}
    assert verdicts(replayed(entries, config, tmp_path / "a.db")) == expected


def test_two_replays_give_the_same_record_row_by_row(
    tmp_path: Path, config: Config, entries: list[Entry]
) -> None:
    first = everything(replayed(entries, config, tmp_path / "a.db"))
    second = everything(replayed(entries, config, tmp_path / "b.db"))
    assert len(first["verdicts"]) >= 4
    assert len(first["events"]) > 10
    assert first == second


def looked(entries: Iterable[Entry], every_ns: int, late_ns: int = 0) -> Iterator[Entry]:
    """Add the service's looks at the time, each noted as late as a busy machine takes it."""
    next_ns = None
    for entry in entries:
        next_ns = entry.at_ns if next_ns is None else next_ns
        while next_ns + late_ns <= entry.at_ns:
            yield from (Entry(next_ns, bench, "tick") for bench in ("b1", "b2"))
            next_ns += every_ns
        yield entry


def test_recorded_looks_at_the_time_take_the_place_of_ones_own(
    tmp_path: Path, config: Config, entries: list[Entry], monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = json.loads((SHIFT / "verdicts.json").read_text(encoding="utf-8"))
    noted = list(looked(entries, 100_000_000, late_ns=40_000_000))
    taken: list[int] = []
    handle = BenchRunner.handle

    def spied(self: BenchRunner, event: BenchEvent, inbound: str | None = None) -> bool:
        if isinstance(event, Tick):
            taken.append(event.at_ns)
        return handle(self, event, inbound)

    monkeypatch.setattr(BenchRunner, "handle", spied)
    assert verdicts(replayed(noted, config, tmp_path / "a.db")) == expected
    assert taken == [entry.at_ns for entry in noted if entry.what == "tick"]


def halved(entries: Iterable[Entry]) -> Iterator[Entry]:
    """Cut every chunk in two that arrived at the same time."""
    for entry in entries:
        middle = len(entry.text) // 4 * 2
        if entry.what == "<" and middle:
            yield changed(entry, text=entry.text[:middle])
            yield changed(entry, text=entry.text[middle:])
        else:
            yield entry


def test_where_chunks_were_cut_changes_no_verdict(
    tmp_path: Path, config: Config, entries: list[Entry]
) -> None:
    whole = verdicts(replayed(entries, config, tmp_path / "a.db"))
    assert verdicts(replayed(halved(entries), config, tmp_path / "b.db")) == whole


def test_a_service_killed_in_mid_shift_goes_on_where_the_record_ends(
    tmp_path: Path, config: Config, entries: list[Entry]
) -> None:
    """Two lives over one store: no piece is numbered twice, and seq has no gap."""
    half = len(entries) // 2
    store = replayed(entries[:half], config, tmp_path / "a.db")
    before = everything(store)
    opened = [e for e in entries[:half] if e.what == "opened"]
    again = [changed(e, at_ns=entries[half].at_ns) for e in opened]
    after = everything(replayed([*again, *entries[half:]], config, store))
    assert all(set(rows) <= set(after[table]) for table, rows in before.items())
    seqs: dict[str, list[int]] = {}
    for bench, seq, *_ in after["events"]:
        seqs.setdefault(bench, []).append(seq)
    assert all(found == list(range(1, len(found) + 1)) for found in seqs.values())


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        (Entry(10, "usb9", "<", "2b"), "the bench file has no line 'usb9'; it has usb1, usb2"),
        (Entry(10, "b9", "placed", "1"), "the bench file has no bench 'b9'; it has b1, b2"),
        (Entry(10, "usb1", ">", "3f"), r"line usb1 sent b'\?', its driver asks None"),
        (Entry(10, "usb2", ">", "3f"), r"line usb2 sent b'\?', its driver asks b'tell\\r'"),
        (Entry(10, "b1", "command", '{"id": "x"}'), "at 10: .* Field required"),
    ],
)
def test_a_recording_of_another_bench_file_is_refused(
    tmp_path: Path, config: Config, entry: Entry, told: str
) -> None:
    with pytest.raises(RecordingError, match=f"(?s){told}"):
        replayed([entry], config, tmp_path / "a.db")


def test_an_empty_recording_is_an_empty_record(tmp_path: Path, config: Config) -> None:
    assert everything(replayed([], config, tmp_path / "a.db"))["events"] == []


def told_new_rules(entries: Iterable[Entry], text: str) -> Iterator[Entry]:
    """Let b1 see a faulty, then a good rule file and go by it while piece 1 is in hand."""
    command = {
        "id": "r",
        "command": "lot-rules",
        "revision": "8",
        "reason": "r",
        "role": "lead",
    }
    come = [
        ("rules", json.dumps({"faults": ["a.rules.toml: grade.0.limit_um: no number"]})),
        ("rules", json.dumps({"text": text})),
        ("command", json.dumps(command)),
    ]
    is_told = False
    for entry in entries:
        if entry.what == "placed" and entry.where == "b1" and not is_told:
            is_told = True
            for what, said in come:
                yield Entry(entry.at_ns, "b1", what, said)  # type: ignore[arg-type]
        yield entry


def test_rules_changed_in_mid_shift_hold_from_the_next_piece_in_every_replay(
    tmp_path: Path, config: Config, entries: list[Entry]
) -> None:
    before = (SHIFT / "mr-10-med.rules.toml").read_text(encoding="utf-8")
    text = before.replace('revision = "7"', 'revision = "8"').replace("= 0.8", "= 1.5")
    told = list(told_new_rules(entries, text))
    first = replayed(told, config, tmp_path / "a.db")
    mine = [v for v in verdicts(first) if v["bench"] == "b1"]
    limits = [json.loads(v["decision_rule"])[0]["acceptance_limit_um"] for v in mine]
    assert [(v["piece"], limit) for v, limit in zip(mine, limits, strict=True)] == [
        (1, 3.2), (2, 2.5), (2, 2.5),
    ]  # fmt: skip
    assert len({v["rules_sha256"] for v in mine}) == 2
    rows = everything(first)
    bodies = [json.loads(row[-1]) for row in rows["events"]]
    alarms = [body["data"] for body in bodies if body["type"] == "reclamp.alarm.v1"]
    assert [a["state"] for a in alarms if a["code"] == "rule-file-fault"] == [
        "raised", "returned",
    ]  # fmt: skip
    assert rows == everything(replayed(told, config, tmp_path / "b.db"))


@pytest.mark.parametrize("text", ["{}", '{"text": 7}', '{"text": "revision = 7"}'])
def test_a_recorded_rule_file_with_faults_is_no_rule_file(
    tmp_path: Path, config: Config, text: str
) -> None:
    with pytest.raises(RecordingError, match="accepted is a rule file without faults"):
        replayed([Entry(10, "b1", "rules", text)], config, tmp_path / "a.db")
