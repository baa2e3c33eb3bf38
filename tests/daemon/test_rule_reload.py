"""A rule file changed while a lot is open: seen, told, and never within a piece."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.commands import carry_out
from daemon.messages import Command, Reply
from daemon.recompute.cycles import recompute
from daemon.rule_watch import RuleWatch
from daemon.store.read_only import reading_only
from daemon.store.stored import lots
from rules.lot_life import change_rules
from tests.daemon.bench_of_sweeps import sweep_bench
from tests.daemon.bench_of_values import ValueBench, value_bench

WIDER = (('revision = "7"', 'revision = "8"'), ("guard_um = 0.8", "guard_um = 0.2"))
"""Grade 1 accepts up to 3.8 µm in place of 3.2 µm: three times 3.5 µm tell them apart."""


class Desk:
    """A bench at work and the person who edits its rule file.

    Attributes:
        bench: The bench; it looks at the file when ``look`` is called.
        path: The rule file.
    """

    def __init__(self, bench: ValueBench) -> None:
        self.bench = bench
        self.path = bench.config.benches[0].rules_path
        self._first = self.path.read_text(encoding="utf-8")
        self._asked = 0
        self.start_watch()

    def start_watch(self) -> None:
        self._watch = RuleWatch(self.bench.config, "b1")
        self.look()

    def write(self, *replacements: tuple[str, str]) -> None:
        """Write the first state of the file with texts replaced, and let it be seen."""
        text = self._first
        for old, new in replacements:
            assert old in text
            text = text.replace(old, new)
        self.path.write_text(text, encoding="utf-8")
        self.look()

    def look(self) -> None:
        """Look twice: a file counts once it stood still from one look to the next."""
        for _ in range(2):
            news = self._watch.look()
            if news is not None:
                self.bench.runner.take_rule_file(news)

    def ask(self, command: str, **values: Any) -> Reply:
        self._asked += 1
        body = {"id": f"d{self._asked}", "command": command, "role": "lead", **values}
        return carry_out(Command.model_validate(body), self.bench.runner, self.bench.store)

    def tell(self, revision: str = "8") -> Reply:
        return self.ask("lot-rules", revision=revision, reason="guard band agreed anew")

    def alarm(self, code: str) -> str:
        return self.bench.runner.alarms.get(code, "")

    def verdicts(self) -> list[tuple[object, ...]]:
        """Return number, grade and rule revision of each verdict."""
        return self.bench.rows(
            "SELECT p.number, v.grade, v.rules_revision FROM verdicts v"
            " JOIN cycles c ON c.id = v.cycle JOIN pieces p ON p.id = c.piece ORDER BY v.rowid"
        )

    def events(self, kind: str) -> list[dict[str, Any]]:
        rows = self.bench.rows(f"SELECT body FROM events WHERE kind = '{kind}' ORDER BY seq")
        return [json.loads(str(body))["data"] for (body,) in rows]


@pytest.fixture
def desk(bench_folder: Callable[..., Path]) -> Iterator[Desk]:
    made = Desk(value_bench(bench_folder))
    yield made
    made.bench.close()


def piece(bench: ValueBench, bin_id: str, *ums: str) -> None:
    bench.values(*ums)
    assert bench.placed(bin_id)


def test_a_lot_keeps_the_rules_it_was_opened_with_and_the_lead_is_told(desk: Desk) -> None:
    desk.write(*WIDER)
    piece(desk.bench, "2", "3.5")
    assert desk.verdicts() == [(1, "grade-2", "7")]
    text = desk.alarm("rules-differ")
    assert text.startswith("mr-10-med.rules.toml is revision '8' (")
    assert ") now; lot W-2611-A goes by revision '7' (" in text
    assert "revision not" not in text
    assert [e["state"] for e in desk.events("alarm")] == ["raised"]


def test_told_between_pieces_it_holds_from_the_next_clamping_on(desk: Desk) -> None:
    desk.write(*WIDER)
    reply = desk.tell()
    assert reply.ok
    assert "from now on revision '8' in place of '7'" in reply.text
    assert not desk.alarm("rules-differ")
    piece(desk.bench, "1", "3.5", "3.5", "3.5")
    assert desk.verdicts() == [(1, "grade-1", "8")]


def test_never_within_a_piece(desk: Desk) -> None:
    """Begun under revision 7: its third clamping, 3.5 µm, is beyond grade 1 there."""
    desk.write(*WIDER)
    desk.bench.values("3.0")
    reply = desk.tell()
    assert "once piece 1 is put away revision '8'" in reply.text
    assert not desk.alarm("rules-differ")
    desk.bench.values("3.0", "3.5")
    assert desk.tell().text.endswith("the lot goes by revision '8' already")
    assert desk.bench.placed("2")
    piece(desk.bench, "1", "3.0", "3.0", "3.5")
    assert desk.verdicts() == [(1, "grade-2", "7"), (2, "grade-1", "8")]


def test_the_record_shows_the_change(desk: Desk) -> None:
    desk.write(*WIDER)
    desk.bench.values("3.0")
    desk.tell()
    rows = desk.bench.rows(
        "SELECT revision, before_revision, piece, reason, role FROM lot_rules"
    )
    assert rows == [("8", "7", 1, "guard band agreed anew", "lead")]
    event = desk.events("lot")[-1]
    assert event["what"] == "rules-changed"
    assert (event["rules"]["revision"], event["rules_before"]["revision"]) == ("8", "7")
    kept = desk.bench.rows("SELECT text FROM texts WHERE kind = 'rules' ORDER BY rowid")
    assert (desk.path.read_text(encoding="utf-8"),) in kept


def test_the_lot_s_report_goes_by_the_rules_it_was_told_last(desk: Desk) -> None:
    piece(desk.bench, "2", "3.5")
    desk.write(*WIDER)
    desk.tell()
    command = ["lot", "report", "--store", str(desk.bench.config.store_path), "--json"]
    report = json.loads(CliRunner().invoke(app, command).output)
    assert report["rules"]["revision"] == "8"
    assert [(c["before"], c["after"]) for c in report["rules_changed"]] == [("7", "8")]
    assert 3.8 in [share["limit_um"] for share in report["positions"][0]["shares"]]


def test_a_restart_within_the_piece_changes_nothing(desk: Desk) -> None:
    desk.write(*WIDER)
    desk.bench.values("3.0")
    desk.tell()
    desk.bench.restart()
    desk.bench.values("3.0", "3.0", "3.5")
    desk.bench.restart()  # its verdict is there, its put-away is not
    assert desk.bench.runner.by.rules.revision == "7"
    assert desk.bench.placed("2")
    assert desk.bench.runner.by.rules.revision == "8"
    desk.bench.restart()
    piece(desk.bench, "1", "3.5", "3.5", "3.5")
    assert desk.verdicts() == [(1, "grade-2", "7"), (2, "grade-1", "8")]


def test_a_piece_that_was_not_clamped_before_the_restart_keeps_what_it_is_begun_with(
    desk: Desk,
) -> None:
    """Told while its first sweep ran, which a restart cut off: nothing of it is on record."""
    desk.write(*WIDER)
    runner = desk.bench.runner
    lot, book = runner.open_lot_or_refuse(), runner.rules.newest.book
    facts = change_rules(lot, runner.by.rules, book.of(lot.article), 1, "told", "lead")
    runner.change_rules(facts, "d-early")
    desk.bench.restart()
    desk.bench.values("3.5")
    desk.bench.restart()
    desk.bench.values("3.5", "3.5", "3.5")
    assert desk.bench.placed("1")
    assert desk.verdicts() == [(1, "grade-1", "8")]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("limit_um = 4.0", "limit_um = -4.0", "mr-10-med.rules.toml: grade.0.limit_um: "),
        ("guard_um = 0.8", "guard_mu = 0.8", "mr-10-med.rules.toml: grade.0.guard_mu: "),
        ("limit_um = 4.0", "limit_um = ", "mr-10-med.rules.toml: "),
        ('bin = "2"', 'bin = "7"', "bench.toml: bench.0.bin"),
    ],
    ids=["a limit below zero", "an unknown key", "no TOML", "a bin the bench does not have"],
)
def test_a_faulty_file_is_named_with_its_key_and_the_rules_before_stay(
    desk: Desk, old: str, new: str, said: str
) -> None:
    desk.write((old, new))
    text = desk.alarm("rule-file-fault")
    assert said in text
    assert "revision '7'" in text
    assert text.count("stays in force") == 1
    refused = desk.tell()
    assert not refused.ok
    assert said in refused.text
    piece(desk.bench, "2", "3.5")
    assert desk.verdicts() == [(1, "grade-2", "7")]
    desk.write()
    assert not desk.alarm("rule-file-fault")
    assert [e["state"] for e in desk.events("alarm")] == ["raised", "returned"]


def test_a_text_changed_under_the_same_revision_is_told_and_can_be_gone_by(
    desk: Desk,
) -> None:
    desk.write(WIDER[1])
    assert desk.alarm("rules-differ").endswith(": text changed, revision not")
    assert desk.tell("7").ok
    piece(desk.bench, "1", "3.5", "3.5", "3.5")
    assert desk.verdicts() == [(1, "grade-1", "7")]
    assert desk.bench.rows("SELECT rules_sha256 <> before_sha256 FROM lot_rules") == [(1,)]


def test_a_file_that_is_gone_is_a_fault_of_its_own(desk: Desk) -> None:
    desk.path.unlink()
    desk.look()
    assert "mr-10-med.rules.toml" in desk.alarm("rule-file-fault")
    desk.write()
    assert not desk.alarm("rule-file-fault")


def test_a_file_half_written_is_not_read(desk: Desk) -> None:
    whole = desk.path.read_text(encoding="utf-8")
    watch = RuleWatch(desk.bench.config, "b1")
    assert watch.look() is None
    for length in (100, 200, 300):  # an editor that writes in several goes
        desk.path.write_text(whole[:length], encoding="utf-8")
        assert watch.look() is None
    desk.path.write_text(whole.replace('"7"', '"8"'), encoding="utf-8")
    assert watch.look() is None
    news = watch.look()
    assert news is not None
    assert news.good is not None
    assert news.good.book.revision == "8"
    assert watch.look() is None  # said once


def test_the_next_lot_takes_the_newest(desk: Desk) -> None:
    desk.write(*WIDER)
    assert desk.ask("lot-close", reason="counted", unproved="stays unproved").ok
    assert not desk.alarm("rules-differ")
    opened = desk.ask(
        "lot-open", lot="W-2612-A", article="MR-10-MED", quantity=50, bins_empty=True
    )
    assert opened.ok
    assert desk.events("lot")[-1]["rules"]["revision"] == "8"
    piece(desk.bench, "1", "3.5", "3.5", "3.5")
    assert desk.verdicts() == [(1, "grade-1", "8")]


@pytest.mark.parametrize(
    ("changes", "revision", "said"),
    [
        (WIDER, "9", "accepted is '8'"),
        ((), "7", "the lot goes by revision '7' already"),
        ((*WIDER, ('id = "grade-1"', 'id = "grade-a"')), "8", "has no grade-1"),
        ((*WIDER, ("limit_um = 12.0", "limit_um = 14.0")), "8", "proof of the rest was fixed"),
    ],
    ids=["not the file's", "nothing new", "an ordered grade gone", "another ordinary limit"],
)
def test_what_a_lot_can_not_go_by_is_refused(
    desk: Desk, changes: tuple[tuple[str, str], ...], revision: str, said: str
) -> None:
    desk.write(*changes)
    reply = desk.tell(revision)
    assert not reply.ok
    assert said in reply.text
    assert desk.bench.rows("SELECT count(*) FROM lot_rules") == [(0,)]
    assert desk.bench.runner.by.rules.revision == "7"


def test_recompute_judges_each_piece_by_the_rules_it_was_measured_under(desk: Desk) -> None:
    piece(desk.bench, "2", "3.5")
    desk.write(*WIDER)
    desk.bench.values("3.0")
    desk.tell()
    desk.bench.values("3.0", "3.0")
    desk.bench.placed("1")
    piece(desk.bench, "1", "3.5", "3.5", "3.5")
    desk.write((WIDER[0][0], 'revision = "9"'), ("limit_um = 4.0", "limit_um = 1.0"))
    with reading_only(desk.bench.config.store_path) as db:
        found = recompute(db, lots(db), lambda: None)
    assert found.is_fine, found.differences
    assert found.verdicts == 3
    assert [row[2] for row in desk.verdicts()] == ["7", "7", "8"]


def test_a_verdict_judged_by_the_other_revision_is_found(desk: Desk) -> None:
    """The same row under the rules that came after it: recompute must not swallow that."""
    desk.write(*WIDER)
    desk.tell()
    piece(desk.bench, "1", "3.5", "3.5", "3.5")
    with desk.bench.store.reading() as db:
        db.execute("UPDATE clampings SET rules_sha256 = (SELECT rules_sha256 FROM lots)")
        db.commit()
    with reading_only(desk.bench.config.store_path) as db:
        found = recompute(db, lots(db), lambda: None)
    assert "grade" in {difference.what for difference in found.differences}


def test_limits_for_which_the_benchs_masters_prove_nothing_are_no_rules_for_it(
    bench_folder: Callable[..., Path],
) -> None:
    """Grade 1 at 2 µm wants an eccentric master of 1.6 to 3 µm; the bench has one of 5.1."""
    bench = sweep_bench(bench_folder)
    desk = Desk(bench)
    desk.write(('revision = "7"', 'revision = "8"'), ("limit_um = 4.0", "limit_um = 2.0"))
    text = desk.alarm("rule-file-fault")
    assert "bench.0.check.master.1: master EM-1: run-out 5.1 µm; accepted is 1.6 to" in text
    assert "revision '7' (" in text
    bench.check()
    bench.piece(3.0, 3.0, 3.0)
    assert desk.verdicts() == [(1, "grade-1", "7")]
    desk.write(('revision = "7"', 'revision = "9"'), ("guard_um = 0.8", "guard_um = 0.4"))
    assert desk.alarm("rule-file-fault") == ""
    assert desk.alarm("rules-differ").startswith("mr-10-med.rules.toml is revision '9'")
    bench.close()
