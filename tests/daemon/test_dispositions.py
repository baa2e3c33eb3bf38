"""Decisions on pieces and boxes at a running bench: counts follow, the verdict stays."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest

from daemon.commands import carry_out
from daemon.config import load
from daemon.messages import Command, Reply
from daemon.recompute.cycles import recompute
from daemon.store.as_of import as_of
from daemon.store.assurance import Assurance
from daemon.store.lot_query import status_counts
from daemon.store.stored import lots
from rules.assurance import counted
from rules.bench import Abandoned
from tests.daemon.bench_of_values import ValueBench, value_bench

BY_CELL = ("[bench.lot]\ncode = \"W-2611-A\"", "[bench.put_away]\nidentity = \"tray\"\n\n"
    "[bench.lot]\ncode = \"W-2611-A\"")  # fmt: skip
ACTIONS = ("re-measure", "regrade", "scrap", "concession", "release")
IN_H = "bin H of W-2611-A"


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    """A bench whose binned pieces are known by their box."""
    made = value_bench(bench_folder)
    yield made
    made.close()


@pytest.fixture
def by_cell(bench_folder: Callable[..., Path]) -> Iterator[ValueBench]:
    """A bench whose binned pieces are known by themselves."""
    made = value_bench(bench_folder, BY_CELL)
    yield made
    made.close()


def send(bench: ValueBench, command: str, **values: Any) -> Reply:
    bench.clock.seconds += 1
    body = {"id": f"{bench.clock.seconds}", "command": command, "role": "quality", **values}
    asked = Command.model_validate_json(json.dumps({"reason": "looked at it", **body}))
    return carry_out(asked, bench.runner, bench.store)


def dispose_box(bench: ValueBench, box: str, action: str, **more: Any) -> Reply:
    return send(bench, "box-dispose", box=box, action=action, **more)


def dispose_piece(bench: ValueBench, piece: int, action: str, **more: Any) -> Reply:
    return send(bench, "piece-dispose", piece=piece, action=action, **more)


def grade_one(bench: ValueBench) -> None:
    bench.values("2.0", "2.0", "2.0")
    assert bench.placed("1")


def hold_one(bench: ValueBench) -> None:
    bench.values("-3.0", "-3.0", "-3.0")
    assert bench.placed("H")


def reject_one(bench: ValueBench) -> None:
    bench.value("13.0")
    assert bench.placed("N")


def status(bench: ValueBench) -> list[tuple[object, ...]]:
    return bench.rows("SELECT number, status, grade FROM piece_status ORDER BY number")


def top(bench: ValueBench) -> int:
    assert bench.runner.lot is not None
    return bench.runner.lot.put_away.get("grade-1", 0)


def test_the_prompt_names_a_piece_that_has_to_be_fetched(by_cell: ValueBench) -> None:
    bench = by_cell
    hold_one(bench)
    grade_one(bench)
    assert dispose_piece(bench, 2, "regrade", grade="grade-2").ok
    assert bench.runner.shown.signals.text == (
        "Piece 2 is regraded: take it from where it lies. Put the collet into bin 2"
    )
    assert bench.placed("2")
    assert dispose_piece(bench, 1, "re-measure").ok
    asked = bench.runner.shown.signals
    assert asked.text.startswith("Piece 1 is measured again: take it from where it lies. ")
    assert (asked.prompt, asked.cell) == ("clamp", None)
    bench.values("2.0")
    assert "Piece 1" not in bench.runner.shown.signals.text


def adds_up(bench: ValueBench) -> None:
    """Close the lot by the books: in = out, whatever was decided."""
    closed = send(bench, "lot-close", unproved="not sold")
    assert closed.ok, closed.text
    (row,) = bench.rows("SELECT quantity, accounted, difference FROM lot_balance")
    assert row == (120, 120, 0)


# --- boxes of pieces that can't be told apart ------------------------------------------------


def test_a_box_measured_again_closes_its_pieces_and_numbers_them_anew(
    bench: ValueBench,
) -> None:
    grade_one(bench)
    grade_one(bench)
    assert (top(bench), bench.runner.open_lot_or_refuse().unmeasured) == (2, 118)
    reply = dispose_box(bench, "A-1-001", "re-measure")
    assert (reply.ok, reply.text) == (True, "box A-1-001 is to be measured again")
    assert (top(bench), bench.runner.open_lot_or_refuse().unmeasured) == (0, 120)
    grade_one(bench)
    assert status(bench) == [
        (1, "replaced", "grade-1"), (2, "replaced", "grade-1"), (3, "put-away", "grade-1")
    ]  # fmt: skip
    assert bench.rows("SELECT grade FROM verdicts ORDER BY id") == [("grade-1",)] * 3
    adds_up(bench)


@pytest.mark.parametrize("action", ["release", "scrap", "concession"])
def test_a_held_box_is_decided_on_as_a_whole_and_the_lot_still_adds_up(
    bench: ValueBench, action: str
) -> None:
    grade_one(bench)
    hold_one(bench)
    hold_one(bench)
    assert dispose_box(bench, IN_H, action).ok
    left = {row[0]: row[1] for row in status(bench)}
    assert left[1] == "put-away"
    assert left[2] == left[3]
    assert left[2] != "hold"
    assert bench.rows("SELECT action, box, role, reason FROM dispositions") == [
        (action, IN_H, "quality", "looked at it")
    ]
    changed = bench.rows("SELECT piece, what, role FROM grade_changes ORDER BY piece")
    assert changed == [(2, action, "quality"), (3, action, "quality")]
    assert bench.rows("SELECT grade, why FROM verdicts WHERE id > 1") == [
        (None, "invalid"), (None, "invalid")
    ]  # fmt: skip
    adds_up(bench)


def test_a_box_is_regraded_by_the_rule_and_by_nothing_else(bench: ValueBench) -> None:
    grade_one(bench)
    refused = dispose_box(bench, "A-1-001", "regrade", grade="grade-9")
    assert (refused.ok, "its verdict meets grade-1, grade-2" in refused.text) == (False, True)
    assert dispose_box(bench, "A-1-001", "regrade", grade="grade-2").ok
    assert status(bench) == [(1, "put-away", "grade-2")]
    changed = bench.rows("SELECT grade_before, grade_after, reason FROM grade_changes")
    assert changed == [("grade-1", "grade-2", "looked at it")]
    assert top(bench) == 0
    adds_up(bench)


def test_nonconforming_pieces_go_by_concession_or_are_scrapped(bench: ValueBench) -> None:
    reject_one(bench)
    assert dispose_box(bench, "bin N of W-2611-A", "concession").ok
    assert status(bench)[0][:2] == (1, "concession")
    refused = dispose_box(bench, "bin N of W-2611-A", "scrap")
    assert not refused.ok
    adds_up(bench)


@pytest.mark.parametrize(
    ("values", "says"),
    [
        ({"box": "BX-9", "action": "scrap"}, "no box 'BX-9' with pieces; accepted are A-1-001"),
        ({"box": "A-1-001"}, "box-dispose needs action"),
        ({"box": "A-1-001", "action": "release"}, "a release is for pieces on hold"),
        ({"box": "A-1-001", "action": "scrap", "reason": ""}, "needs a role and a reason"),
        ({"box": "A-1-001", "action": "scrap", "role": ""}, "needs a role and a reason"),
        ({"box": "A-1-001", "action": "regrade"}, "names the grade"),
    ],
)
def test_a_decision_that_makes_no_sense_is_refused_and_leaves_no_trace(
    bench: ValueBench, values: dict[str, str], says: str
) -> None:
    grade_one(bench)
    reply = send(bench, "box-dispose", **values)
    assert (reply.ok, says in reply.text) == (False, True), reply.text
    assert bench.rows("SELECT count(*) FROM dispositions") == [(0,)]


def test_a_piece_among_others_can_not_be_decided_on_alone(bench: ValueBench) -> None:
    grade_one(bench)
    reply = dispose_piece(bench, 1, "scrap")
    assert (reply.ok, "accepted is a decision on the whole box A-1-001" in reply.text) == (
        False, True
    )  # fmt: skip


# --- pieces that can be told from others ------------------------------------------------------


def test_an_identified_piece_keeps_its_number_and_gets_a_new_cycle(by_cell: ValueBench) -> None:
    grade_one(by_cell)
    by_cell.value("5.0")
    assert by_cell.placed("2")
    assert dispose_piece(by_cell, 1, "re-measure").ok
    assert status(by_cell)[0][:2] == (1, "in-work")
    assert top(by_cell) == 0
    by_cell.restart()  # nobody has to remember whose turn it is
    by_cell.value("6.0")
    assert by_cell.lamps["2"] == "on"
    assert by_cell.placed("2")
    assert status(by_cell) == [(1, "put-away", "grade-2"), (2, "put-away", "grade-2")]
    cycles = by_cell.rows(
        "SELECT c.number, c.kind, c.role, v.grade FROM cycles c JOIN pieces p ON p.id = c.piece"
        " JOIN verdicts v ON v.cycle = c.id WHERE p.number = 1 ORDER BY c.number"
    )
    assert cycles == [(1, "first", "", "grade-1"), (2, "re-measured", "quality", "grade-2")]
    changed = by_cell.rows("SELECT piece, grade_before, grade_after, role FROM grade_changes")
    assert changed == [(1, "grade-1", "grade-2", "quality")]
    grade_one(by_cell)
    assert status(by_cell)[2] == (3, "put-away", "grade-1")
    adds_up(by_cell)


def test_a_piece_that_was_taken_out_of_its_box_lies_in_none(by_cell: ValueBench) -> None:
    def boxes() -> list[tuple[object, ...]]:
        return by_cell.rows("SELECT piece, box FROM piece_boxes ORDER BY piece")

    grade_one(by_cell)
    grade_one(by_cell)
    assert boxes() == [(1, "A-1-001"), (2, "A-1-001")]
    assert dispose_piece(by_cell, 1, "re-measure").ok
    assert boxes() == [(2, "A-1-001")]
    by_cell.value("6.0")
    assert by_cell.placed("2")
    assert boxes() == [(1, "A-2-001"), (2, "A-1-001")]
    assert dispose_piece(by_cell, 2, "regrade", grade="grade-2").ok
    assert boxes() == [(1, "A-2-001")]
    assert by_cell.placed("2")
    assert dispose_piece(by_cell, 1, "scrap").ok
    assert boxes() == [(2, "A-2-001")]


def test_a_piece_measured_again_whose_verdict_is_hold_is_on_hold(by_cell: ValueBench) -> None:
    by_cell.value("5.0")
    assert by_cell.placed("2")
    assert dispose_piece(by_cell, 1, "re-measure").ok
    hold_one(by_cell)
    assert status(by_cell) == [(1, "hold", None)]
    assert dispose_piece(by_cell, 1, "release").ok
    assert status(by_cell) == [(1, "released", None)]


@pytest.mark.parametrize("is_killed", [True, False])
def test_a_regraded_piece_had_its_put_away_and_gets_no_retry(
    by_cell: ValueBench, is_killed: bool
) -> None:
    grade_one(by_cell)
    assert dispose_piece(by_cell, 1, "regrade", grade="grade-2").ok
    if is_killed:
        by_cell.restart()
    refused = send(by_cell, "piece-retry")
    assert (refused.ok, "was put away" in refused.text) == (False, True)
    assert by_cell.placed("2")
    assert status(by_cell) == [(1, "put-away", "grade-2")]


def test_a_piece_is_taken_again_between_pieces_only(by_cell: ValueBench) -> None:
    grade_one(by_cell)
    by_cell.value("2.0")
    reply = dispose_piece(by_cell, 1, "re-measure")
    assert (reply.ok, "piece 2 is in work: put it away first" in reply.text) == (False, True)
    assert by_cell.rows("SELECT count(*) FROM dispositions") == [(0,)]
    assert not dispose_piece(by_cell, 2, "scrap").ok


def test_a_held_piece_is_released_scrapped_or_given_up(by_cell: ValueBench) -> None:
    for _ in range(3):
        hold_one(by_cell)
    assert dispose_piece(by_cell, 1, "scrap").ok
    assert dispose_piece(by_cell, 2, "release").ok
    assert dispose_piece(by_cell, 3, "concession").ok
    again = dispose_piece(by_cell, 1, "release")
    assert (again.ok, "is scrapped already" in again.text) == (False, True)
    assert [row[1] for row in status(by_cell)] == ["scrapped", "released", "concession"]
    adds_up(by_cell)


def test_a_regraded_piece_is_carried_to_the_bin_of_its_new_grade(by_cell: ValueBench) -> None:
    grade_one(by_cell)
    assert dispose_piece(by_cell, 1, "regrade", grade="grade-2").ok
    assert (top(by_cell), status(by_cell)[0][1]) == (0, "hold")
    assert by_cell.lamps["2"] == "on"
    by_cell.value("2.0")
    assert by_cell.rows("SELECT count(*) FROM clampings") == [(3,)]
    assert by_cell.placed("2")
    assert status(by_cell) == [(1, "put-away", "grade-2")]
    assert by_cell.rows("SELECT grade FROM verdicts") == [("grade-1",)]
    changed = by_cell.rows("SELECT grade_before, grade_after FROM grade_changes")
    assert changed == [("grade-1", "grade-2")]
    adds_up(by_cell)


def shown(bench: ValueBench) -> tuple[object, ...]:
    """Return what the bench shows, and which piece it holds in hand as what."""
    signals, at = bench.runner.shown.signals, bench.runner._state
    return (
        signals.word, signals.prompt, signals.text, signals.reason, bench.lamps, at.piece,
        at.grade, at.put_away, dict(bench.runner.alarms),
    )  # fmt: skip


@pytest.mark.parametrize("wrong", [False, True], ids=["in hand", "in a wrong bin"])
def test_a_restart_before_a_regraded_piece_lies_in_its_bin_lights_that_bin_again(
    by_cell: ValueBench, wrong: bool
) -> None:
    grade_one(by_cell)
    grade_one(by_cell)
    assert dispose_piece(by_cell, 1, "regrade", grade="grade-2").ok
    if wrong:
        assert by_cell.placed("N")
    before = shown(by_cell)
    assert before[:2] == (("blocked", "right-the-bin") if wrong else ("put-away", "put-away"))
    assert by_cell.lamps["2"] == "on"
    by_cell.restart()
    assert shown(by_cell) == before
    asked_again = dispose_piece(by_cell, 1, "regrade", grade="grade-2")
    assert (asked_again.ok, "is in work" in asked_again.text) == (False, True)
    by_cell.value("2.0")  # the next piece waits, as it did before
    assert by_cell.rows("SELECT count(*) FROM clampings") == [(6,)]
    assert by_cell.placed("2")
    assert (by_cell.lamps, by_cell.runner.alarms) == ({}, {})
    assert status(by_cell) == [(1, "put-away", "grade-2"), (2, "put-away", "grade-1")]
    by_cell.restart()
    assert by_cell.runner.piece_in_work is None
    grade_one(by_cell)
    assert status(by_cell)[2] == (3, "put-away", "grade-1")
    adds_up(by_cell)


def test_a_regraded_piece_that_is_given_up_is_in_hand_no_more(by_cell: ValueBench) -> None:
    grade_one(by_cell)
    assert dispose_piece(by_cell, 1, "regrade", grade="grade-2").ok
    assert by_cell.handle(Abandoned("it fell", "lead"))
    by_cell.restart()
    assert (by_cell.runner.piece_in_work, by_cell.lamps) == (None, {})
    assert status(by_cell)[0][1] == "abandoned"
    adds_up(by_cell)


def test_a_disk_that_fails_before_a_regraded_piece_is_put_away_leaves_it_in_hand(
    by_cell: ValueBench,
) -> None:
    grade_one(by_cell)
    assert dispose_piece(by_cell, 1, "regrade", grade="grade-2").ok
    by_cell.break_disk()
    assert not by_cell.placed("2")
    assert by_cell.lamps == {}
    by_cell.mend_disk()
    assert by_cell.runner.recover()
    assert by_cell.lamps == {"2": "on"}
    assert by_cell.placed("2")
    adds_up(by_cell)


def test_a_regraded_piece_in_hand_goes_by_the_rules_of_that_decision_after_a_restart(
    by_cell: ValueBench,
) -> None:
    grade_one(by_cell)
    rules = by_cell.config.source.path.with_name("mr-10-med.rules.toml")
    text = rules.read_text(encoding="utf-8").replace('revision = "7"', 'revision = "8"')
    rules.write_text(text, encoding="utf-8")
    by_cell.config = load(by_cell.config.source.path)
    by_cell.restart()
    assert send(by_cell, "lot-rules", revision="8").ok
    assert dispose_piece(by_cell, 1, "regrade", grade="grade-2").ok
    for _ in range(2):
        assert by_cell.runner.config.rules.grading.revision == "8"
        by_cell.restart()
    assert by_cell.lamps == {"2": "on"}


def test_the_record_tells_where_a_regraded_piece_had_to_be_carried(by_cell: ValueBench) -> None:
    grade_one(by_cell)
    assert dispose_piece(by_cell, 1, "regrade", grade="grade-2").ok
    with by_cell.store.reading() as db:
        then = as_of(db, "b1", "2026-11-24T07:00:00.000Z")
    assert then.work is not None
    assert (then.work.piece, then.work.bin, then.work.grade) == (1, "2", "grade-2")
    assert by_cell.rows("SELECT bin FROM dispositions") == [("2",)]


# --- whatever comes ---------------------------------------------------------------------------


def _something(bench: ValueBench, rng: Random, *, is_by_cell: bool) -> None:
    """Grade a piece, decide on one or on a box (it may be refused), or be killed."""
    if bench.runner.piece_in_work is None and rng.random() < 0.4:
        rng.choice((grade_one, hold_one, reject_one))(bench)
    elif rng.random() < 0.2:
        bench.restart()
    elif is_by_cell:
        piece = rng.randrange(1, 1 + max(1, len(status(bench))))
        grade = "grade-2" if (action := rng.choice(ACTIONS)) == "regrade" else None
        dispose_piece(bench, piece, action, grade=grade)
    else:
        box = rng.choice(("A-1-001", "A-2-001", IN_H, "bin N of W-2611-A"))
        grade = "grade-2" if (action := rng.choice(ACTIONS)) == "regrade" else None
        dispose_box(bench, box, action, grade=grade)
    if bench.runner.piece_in_work is not None:
        if rng.random() < 0.3:
            bench.restart()
        _finish(bench)


def _finish(bench: ValueBench) -> None:
    """Clamp what is to be measured again, and put away what is in hand."""
    while not (lit := [bin_id for bin_id, word in bench.lamps.items() if word == "on"]):
        assert bench.value("2.0")
    assert bench.placed(lit[0])


@pytest.mark.parametrize("is_by_cell", [True, False], ids=["by cell", "by box"])
@pytest.mark.parametrize("seed", range(2))
def test_after_every_decision_and_kill_each_piece_is_somewhere_once(
    bench_folder: Callable[..., Path], seed: int, is_by_cell: bool
) -> None:
    rng = Random(seed)
    bench = value_bench(bench_folder, *([BY_CELL] if is_by_cell else []))
    for _ in range(30):
        _something(bench, rng, is_by_cell=is_by_cell)
        standing, lot = bench.store.standing("b1"), bench.runner.open_lot_or_refuse()
        assert standing is not None
        with bench.store.reading() as db:
            assert standing.counts() == status_counts(db, standing.lot_id)
            fresh = Assurance(
                "b1", standing.lot_id, lot.code, bench.runner.by.assurance.identity
            )
            fresh.load(db)
        for grade in ("grade-1", "grade-2"):
            assert lot.put_away.get(grade, 0) == counted(fresh.state, lot.code, grade)
        (row,) = bench.rows("SELECT quantity, begun, set_aside, unmeasured FROM lot_balance")
        assert row == (120, 120 - (lot.unmeasured or 0), 0, lot.unmeasured)
    ended = bench.rows("SELECT cycle FROM cycle_ends WHERE how <> 'interrupted' ORDER BY 1")
    assert bench.rows("SELECT cycle FROM verdicts ORDER BY 1") == ended
    with bench.store.reading() as db:
        assert recompute(db, lots(db), lambda: None).is_fine
    adds_up(bench)
    bench.close()
