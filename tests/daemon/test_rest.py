"""The proof of the rest at the bench: draws, looks, cells, from rule file to topic."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from daemon import snapshot
from daemon.commands import carry_out
from daemon.config import load
from daemon.errors import ConfigError
from daemon.messages import Command, Reply, RestState
from rules.draw import draw_order
from rules.facts import CorrectionFact
from rules.finite_lot import most_nonconforming, sample_plan
from rules.tray import from_ranges
from tests.daemon.bench_of_values import ValueBench, value_bench

Make = Callable[..., Path]

SAMPLE = 'plan = "sample"\nlimiting_quality = 0.10\nconsumers_risk = 0.10'
MEASURED = 'plan = "measured"\nlimiting_quality = 0.30\nconsumers_risk = 0.10\nfurther = 4'
ORDER = (
    'quantity = 120\norder = { "grade-1" = 36 }\ncells = 120\n'
    'seed = "demo"                   # of the draws; left out, nobody can foresee them'
)
CELLS = 'quantity = 40\ncells = 42\norder = { "grade-1" = 1 }'


@pytest.fixture
def make(bench_folder: Make, request: pytest.FixtureRequest) -> Callable[..., ValueBench]:
    def made(lot: str = CELLS, rest: str = SAMPLE, *more: tuple[str, str]) -> ValueBench:
        bench = value_bench(bench_folder, (ORDER, lot), *more, rest=rest)
        request.addfinalizer(bench.close)
        return bench

    return made


def events(bench: ValueBench, what: str) -> list[dict[str, Any]]:
    rows = bench.rows("SELECT body FROM events WHERE kind = 'lot' ORDER BY seq")
    data = [json.loads(str(body))["data"] for (body,) in rows]
    return [one for one in data if one["what"] == what]


def rest(bench: ValueBench) -> RestState:
    found = snapshot.lot(bench.runner, bench.store).rest
    assert found is not None
    return found


def top(bench: ValueBench) -> None:
    bench.values("1.0", "2.0", "3.0")
    assert bench.placed("1")


def ordinary(bench: ValueBench, um: str = "5.0") -> None:
    bench.values(um)
    assert bench.placed("2")


def bad(bench: ValueBench) -> None:
    bench.values("12.1")
    assert bench.placed("N")


def ask(bench: ValueBench, command: str, **values: Any) -> Reply:
    bench.clock.seconds += 1
    body = {"id": f"c{bench.clock.seconds}", "command": command, "role": "lead", **values}
    return carry_out(Command.model_validate(body), bench.runner, bench.store)


def cell(bench: ValueBench) -> int | None:
    return bench.runner.shown.signals.cell


# --- the sample ------------------------------------------------------------------------------


def test_a_filled_order_draws_a_sample_that_the_record_repeats(
    make: Callable[..., ValueBench],
) -> None:
    bench = make()
    assert cell(bench) == 1
    top(bench)
    (drawn,) = events(bench, "drawn")
    draw = drawn["draw"]
    # 39 pieces in 41 cells: nobody knows yet which two are empty
    assert (draw["purpose"], draw["pieces"], draw["by_record"]) == ("sample", 39, True)
    assert draw["cells"] == "2-42"
    assert draw["size"] == sample_plan(39, 0.10, 0.10).size
    order = draw_order(draw["seed"], from_ranges(draw["cells"]))
    assert (bench.word, cell(bench)) == ("sampling", order[0])
    assert f"take the piece from cell {order[0]}" in bench.runner.shown.signals.text
    for number in range(draw["size"]):
        assert cell(bench) == order[number]
        if number == 3:
            bench.restart()
            bench.tick()
            assert cell(bench) == order[number]
        ordinary(bench)
    assert bench.word == "order-filled"
    taken = [int(str(c)) for (c,) in bench.rows("SELECT tray_cell FROM pieces ORDER BY number")]
    assert taken == [1, *order[: draw["size"]]]
    (look,) = events(bench, "look")
    found = rest(bench)
    assert look["rest"]["outcome"] == found.outcome == "proved"
    assert found.rest == 39 - draw["size"]
    assert found.at_most == most_nonconforming(39, draw["size"], 0, 0.10)
    assert "drawn at random" in found.text
    assert any("recorded before its first piece was measured" in s for s in found.assumptions)
    assert look["rest"]["assumptions"] == found.assumptions
    assert not any("master" in s and "WARNING" in s for s in found.assumptions)
    assert bench.rows("SELECT outcome, pieces, beyond FROM looks") == [
        ("proved", draw["size"], 0)
    ]


def test_draw_and_put_away_are_one_transaction(make: Callable[..., ValueBench]) -> None:
    """The seed can't be shopped for: a draw that was not kept leaves no put-away either."""
    bench = make()
    bench.values("1.0", "2.0", "3.0")
    bench.break_disk()
    assert not bench.placed("1")
    bench.mend_disk()
    assert bench.rows("SELECT count(*) FROM draws") == [(0,)]
    assert bench.rows("SELECT count(*) FROM put_aways") == [(0,)]
    assert bench.runner.recover()
    assert bench.placed("1")
    assert bench.rows("SELECT count(*) FROM draws") == [(1,)]
    assert bench.word == "sampling"


def test_one_beyond_holds_the_rest_and_nothing_regrades_itself(
    make: Callable[..., ValueBench],
) -> None:
    bench = make()
    top(bench)
    ordinary(bench)
    bad(bench)
    found = rest(bench)
    assert (found.outcome, found.beyond, found.rest) == ("hold", 1, 37)
    assert bench.runner.shown.signals.prompt == "call"
    assert "37 pieces are not measured" in bench.runner.alarms["rest-held"]
    bench.values("5.0")  # nothing more is taken
    assert bench.rows("SELECT count(*) FROM pieces") == [(3,)]
    bench.restart()
    assert rest(bench).outcome == "hold"


def test_the_first_clamping_counts_not_the_grade(make: Callable[..., ValueBench]) -> None:
    """A sample piece that goes on to three clampings counts by its first one only."""
    bench = make()
    top(bench)
    bench.values("2.0", "2.0", "12.1")
    bench.placed("N")
    found = rest(bench)
    assert (found.outcome, found.pieces, found.beyond) == ("under-way", 1, 0)


def test_a_sample_piece_may_overfill_the_order(make: Callable[..., ValueBench]) -> None:
    bench = make()
    top(bench)
    top(bench)
    lot = snapshot.lot(bench.runner, bench.store)
    assert (lot.grades[0].put_away, lot.grades[0].ordered) == (2, 1)
    assert bench.word == "sampling"


def test_a_sample_taken_by_hand_is_called_so(make: Callable[..., ValueBench]) -> None:
    bench = make('quantity = 20\norder = { "grade-1" = 1 }')
    top(bench)
    assert "without choosing" in bench.runner.shown.signals.text
    (drawn,) = events(bench, "drawn")
    assert (drawn["draw"]["by_record"], drawn["draw"]["seed"]) == (False, "")
    while bench.word == "sampling":
        ordinary(bench)
    found = rest(bench)
    assert (found.outcome, found.drawn) == ("proved", False)
    assert "taken by hand" in found.text


def test_a_given_seed_is_on_record_as_given(make: Callable[..., ValueBench]) -> None:
    bench = make(CELLS + '\nseed = "lot A"')
    top(bench)
    (drawn,) = events(bench, "drawn")
    assert (drawn["draw"]["seed"], drawn["draw"]["seed_given"]) == ("lot A/sample", True)


def test_a_rest_below_the_sample_is_measured_to_its_end(
    make: Callable[..., ValueBench],
) -> None:
    bench = make('quantity = 4\ncells = 4\norder = { "grade-1" = 1 }')
    top(bench)
    for _ in range(3):
        ordinary(bench)
    assert rest(bench).outcome == "nothing-left"


def test_a_lot_used_up_before_the_order_is_filled_has_no_rest(
    make: Callable[..., ValueBench],
) -> None:
    bench = make('quantity = 2\ncells = 2\norder = { "grade-1" = 2 }')
    ordinary(bench)
    ordinary(bench)
    assert rest(bench).outcome == "nothing-left"
    assert rest(bench).rest == 0


# --- corrected data --------------------------------------------------------------------------


def take_back(bench: ValueBench, piece: int) -> None:
    """Let a piece lose its verdict, as a withdrawal does."""
    bench.runner.change_lot(
        (CorrectionFact(piece, 1, "abandoned", "marked by the wrong pin", "lead"),), f"t{piece}"
    )


def test_a_piece_taken_back_changes_the_look_by_itself(
    make: Callable[..., ValueBench],
) -> None:
    bench = make()
    top(bench)
    while bench.word == "sampling":
        ordinary(bench)
    size = rest(bench).pieces
    take_back(bench, 1)  # no piece of the sample
    assert rest(bench).outcome == "proved"
    take_back(bench, 5)
    found = rest(bench)
    assert (found.outcome, found.beyond, found.doubtful) == ("hold", 1, 1)
    assert [one["rest"]["outcome"] for one in events(bench, "look")] == ["proved", "hold"]
    assert bench.rows("SELECT look, pieces FROM looks") == [(1, size), (1, size)]
    bench.restart()
    assert rest(bench).model_copy(update={"text": ""}) == found.model_copy(update={"text": ""})


def test_what_is_kept_up_is_what_a_start_reads(make: Callable[..., ValueBench]) -> None:
    bench = make('quantity = 40\ncells = 40\norder = { "grade-1" = 3 }', MEASURED)
    for number in range(9):
        (top if number % 3 == 0 else ordinary)(bench)
        if number == 4:
            assert ask(bench, "lot-visual", finding="burr", cell=cell(bench)).ok
    kept = bench.runner.lot
    bench.restart()
    assert bench.runner.lot == kept


# --- the measured pieces ---------------------------------------------------------------------


def test_measured_is_refused_for_an_undrawn_tray(bench_folder: Make) -> None:
    undrawn = 'quantity = 40\norder = { "grade-1" = 1 }'
    with pytest.raises(ConfigError, match=r"bench\.0\.lot\.cells") as refused:
        value_bench(bench_folder, (ORDER, undrawn), rest=MEASURED)
    assert "plan measured needs a drawn order" in str(refused.value)


def test_a_lot_opened_by_command_without_cells_is_refused(
    make: Callable[..., ValueBench],
) -> None:
    bench = make(rest=MEASURED)
    assert ask(bench, "lot-close", reason="r", unproved="moved").ok
    opening = {"lot": "W-2", "article": "MR-10-MED", "quantity": 9, "bins_empty": True}
    refused = ask(bench, "lot-open", **opening)
    assert not refused.ok
    assert "plan measured needs a drawn order" in refused.text
    assert ask(bench, "lot-open", **opening, cells=9).ok


def test_the_order_of_measuring_is_drawn_and_looks_come_as_planned(
    make: Callable[..., ValueBench],
) -> None:
    bench = make('quantity = 40\ncells = 40\norder = { "grade-1" = 1 }', MEASURED)
    (drawn,) = events(bench, "drawn")
    assert drawn["draw"]["purpose"] == "order"
    (opened,) = events(bench, "opened")
    assert (opened["rest_plan"]["looks"], opened["rest_plan"]["further"]) == (2, 4)
    order = draw_order(drawn["draw"]["seed"], range(1, 41))
    for number in range(5):
        assert cell(bench) == order[number]
        ordinary(bench)
    top(bench)  # fills the order: the first look, at half the risk
    first = rest(bench)
    assert (first.outcome, first.look, first.pieces) == ("short", 1, 6)
    assert first.at_most == most_nonconforming(40, 6, 0, 0.05)
    assert first.next_look is not None
    assert (first.next_look.more, first.next_look.beyond_left) == (4, 0)
    assert bench.word == "sampling"
    for _ in range(3):
        ordinary(bench)
    assert rest(bench).look == 1  # no look but the planned ones
    ordinary(bench)
    second = rest(bench)
    assert (second.look, second.pieces) == (2, 10)
    assert second.at_most == most_nonconforming(40, 10, 0, 0.05)
    assert bench.word == "order-filled"
    assert [one["rest"]["look"] for one in events(bench, "look")] == [1, 2]


def test_a_second_look_that_can_prove_nothing_is_not_measured_for(
    make: Callable[..., ValueBench],
) -> None:
    bench = make('quantity = 40\ncells = 40\norder = { "grade-1" = 1 }', MEASURED)
    for _ in range(4):
        ordinary(bench)
    bad(bench)
    top(bench)
    found = rest(bench)
    assert found.next_look is not None
    assert found.next_look.beyond_left < 0
    assert bench.word == "order-filled"
    assert "can't prove it any more" in found.what_next


def test_the_figure_of_today_is_a_forecast_beside_the_look(
    make: Callable[..., ValueBench],
) -> None:
    bench = make('quantity = 40\ncells = 40\norder = { "grade-1" = 1 }', MEASURED)
    ordinary(bench)
    found = rest(bench)
    assert (found.outcome, found.look, found.at_most) == (None, 0, None)
    assert found.at_most_now == most_nonconforming(40, 1, 0, 0.05)


# --- cells -----------------------------------------------------------------------------------


def test_an_empty_cell_is_passed_over_by_record(make: Callable[..., ValueBench]) -> None:
    bench = make()
    top(bench)
    (drawn,) = events(bench, "drawn")
    order = draw_order(drawn["draw"]["seed"], range(2, 43))
    reply = ask(bench, "lot-cell", cell=order[0], reason="no piece there")
    assert reply.ok, reply.text
    assert cell(bench) == order[1]
    assert events(bench, "cell-empty")[0]["cell"] == order[0]
    again = ask(bench, "lot-cell", cell=order[0], reason="no piece there")
    assert "begun, set aside or missed before" in again.text
    size = drawn["draw"]["size"]
    for _ in range(size):
        ordinary(bench)
    assert rest(bench).outcome == "proved"
    assert rest(bench).pieces == size  # the empty cell is no piece of the sample


def test_a_drawn_piece_set_aside_counts_as_beyond(make: Callable[..., ValueBench]) -> None:
    bench = make()
    top(bench)
    before = rest(bench)
    assert ask(bench, "lot-visual", finding="burr", cell=cell(bench)).ok
    found = rest(bench)
    assert (found.outcome, found.beyond, found.doubtful) == ("hold", 1, 1)
    assert found.judged == before.judged == 39


def test_a_piece_set_aside_before_the_draw_is_no_part_of_what_is_judged(
    make: Callable[..., ValueBench],
) -> None:
    bench = make()
    assert "accepted is one piece and its cell" in ask(bench, "lot-visual", finding="burr").text
    assert ask(bench, "lot-visual", finding="burr", cell=30).ok
    top(bench)
    (drawn,) = events(bench, "drawn")
    assert (drawn["draw"]["pieces"], drawn["draw"]["cells"]) == (38, "2-29 31-42")


def test_a_put_away_tells_the_cell_of_its_piece(make: Callable[..., ValueBench]) -> None:
    bench = make()
    top(bench)
    cells = [cell(bench)]
    ordinary(bench)
    (last,) = bench.rows(
        "SELECT body FROM events WHERE kind = 'put-away' ORDER BY seq DESC LIMIT 1"
    )
    data = json.loads(str(last[0]))["data"]
    assert ([data["cell"]], data["box"]) == (cells, "A-2-001")


def test_pieces_known_by_their_cells_need_numbered_ones(bench_folder: Make) -> None:
    by_cell = ("[bench.lot]", '[bench.put_away]\nidentity = "tray"\n\n[bench.lot]')
    path = bench_folder(by_cell, ("cells = 120\n", ""))
    with pytest.raises(
        ConfigError, match=r"bench\.0\.lot\.cells: put_away\.identity = \"tray\""
    ):
        load(path)
    bench = value_bench(bench_folder, by_cell)
    assert ask(bench, "lot-close", reason="r", unproved="moved").ok
    opening = {"lot": "W-2", "article": "MR-10-MED", "quantity": 9, "bins_empty": True}
    assert "known by its tray cell" not in ask(bench, "lot-open", **opening, cells=9).text
    assert ask(bench, "lot-close", reason="r", unproved="moved").ok
    refused = ask(bench, "lot-open", **{**opening, "lot": "W-3"})
    assert "accepted are numbered cells" in refused.text
    bench.close()


# --- AQL, boxes, the files -------------------------------------------------------------------

AQL = 'plan = "aql"\nedition = "mil-std-105e-1989"\naql = 1.0'


def aql_lot(bench: ValueBench, code: str, *, is_good: bool) -> RestState:
    opened = ask(
        bench, "lot-open", lot=code, article="MR-10-MED", quantity=40, cells=40,
        order={"grade-1": 1}, bins_empty=True,
    )  # fmt: skip
    assert opened.ok, opened.text
    top(bench)
    while bench.word == "sampling":
        (ordinary if is_good else bad)(bench)
    found = rest(bench)
    assert ask(bench, "lot-close", reason="done", unproved="held").ok
    return found


def test_an_aql_plan_is_switched_by_the_lots_on_record(
    make: Callable[..., ValueBench],
) -> None:
    """39 pieces are letter D at level II; AQL 1.0 leads to E: 13, 0; tightened to F: 20, 0."""
    bench = make('quantity = 1\ncells = 1\norder = { "grade-2" = 1 }', AQL)
    ordinary(bench)
    ask(bench, "lot-close", reason="trial")
    first = aql_lot(bench, "L1", is_good=True)
    assert (first.outcome, first.plan.severity, first.plan.aql) == ("accepted", "normal", "1")
    assert (first.sample_size, first.at_most, first.rest) == (13, None, 26)
    assert "bounds no single lot" in first.text
    for number in (2, 3):
        found = aql_lot(bench, f"L{number}", is_good=False)
        assert (found.outcome, found.plan.severity) == ("hold", "normal")
    for number in range(4, 9):
        found = aql_lot(bench, f"L{number}", is_good=False)
        assert (found.plan.severity, found.sample_size) == ("tightened", 20)
    refused = ask(
        bench, "lot-open", lot="L9", article="MR-10-MED", quantity=40, cells=40, bins_empty=True
    )
    assert "sampling of MR-10-MED is discontinued" in refused.text
    path = bench.config.source.path  # a start with such a lot in the file has to be mendable
    path.write_text(path.read_text("utf-8").replace("W-2611-A", "W-2612-A"), "utf-8")
    bench.config = load(path)
    bench.restart()
    assert (bench.runner.lot, bench.word) == (None, "no-lot")
    assert "MR-10-MED is discontinued" in bench.runner.shown.signals.reason
    bench.runner.look_at_instruments()
    assert (bench.runner.lot, bench.word) == (None, "no-lot")
    assert ask(bench, "lot-resume-sampling", article="MR-10-MED", reason="new taper tool").ok
    assert bench.runner.lot is not None
    assert bench.runner.lot.code == "W-2612-A"
    assert ask(bench, "lot-close", reason="done", unproved="held").ok
    severities = [aql_lot(bench, f"M{n}", is_good=True).plan.severity for n in range(6)]
    assert severities == ["tightened"] * 5 + ["normal"]


def test_a_full_box_is_an_alarm_until_it_is_changed(make: Callable[..., ValueBench]) -> None:
    bench = make(CELLS, SAMPLE, ('box = "A-2-001"', 'box = "A-2-001"\ncapacity = 2'))
    ordinary(bench)
    assert "box-full" not in bench.runner.alarms
    ordinary(bench)
    assert "change the box of bin 2" in bench.runner.alarms["box-full"]
    bench.values("5.0")
    assert bench.runner.shown.signals.text.startswith("Change the box of bin 2")
    lot = snapshot.lot(bench.runner, bench.store)
    assert [(b.bin, b.pieces, b.full) for b in lot.boxes] == [("1", 0, False), ("2", 2, True)]
    assert ask(bench, "box-change", bin="2", box="A-2-002", capacity=50).ok
    assert "box-full" not in bench.runner.alarms
    bench.placed("2")
    lot = snapshot.lot(bench.runner, bench.store)
    assert [(b.box, b.pieces) for b in lot.boxes][1] == ("A-2-002", 1)


@pytest.mark.parametrize(
    ("rest_keys", "fault"),
    [
        ('plan = "sample"\nlimiting_quality = 0.1', "consumers_risk"),
        (SAMPLE + "\nfurther = 3", "plan sample has none"),
        (MEASURED + "\nacceptance_number = 1", "plan measured has none"),
        ('plan = "aql"\nedition = "today"\naql = 1.0', "mil-std-105e-1989"),
        ('plan = "aql"\nedition = "mil-std-105e-1989"\naql = 0.9', "accepted are 0.010"),
        (AQL + '\nlevel = "IV"', "accepted are S-1"),
    ],
)
def test_a_plan_with_a_wrong_key_is_told_what_is_accepted(
    bench_folder: Make, rest_keys: str, fault: str
) -> None:
    with pytest.raises(ConfigError, match=fault):
        value_bench(bench_folder, rest=rest_keys)


def test_cells_below_the_quantity_are_a_fault_of_the_file(bench_folder: Make) -> None:
    path = bench_folder((ORDER, 'quantity = 40\ncells = 39\norder = { "grade-1" = 1 }'))
    with pytest.raises(ConfigError, match="accepted is quantity or more"):
        load(path)
