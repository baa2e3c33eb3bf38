"""The simulated operator: what the person heeds, how long it takes, what goes wrong."""

import pytest

from simulators.mistakes import Mistakes
from simulators.shown import LAMP_WATCHDOG_NS
from simulators.truth import (
    Dropped,
    NutOpened,
    SpindleSwitched,
    Taken,
    Tightened,
    TrayEmpty,
    as_record,
)
from tests.simulators.bench_runs import Hands, S, facts, free_run, readings


def test_without_a_prompt_nothing_is_touched() -> None:
    hands = Hands()
    hands.wait(300)
    assert hands.bench.truth == []


@pytest.mark.parametrize("word", ["wait", "call", "put-away"])
def test_no_piece_is_taken_at_a_prompt_that_asks_for_none(word: str) -> None:
    hands = Hands()
    hands.prompt(word)
    hands.wait(300)
    assert hands.count(Taken) == 0


def test_the_piece_comes_from_the_cell_the_prompt_names_else_from_the_first_full_one() -> None:
    hands = Hands()
    for cell in (97, None, 1, 3):  # 1 is empty by then: nobody finds a piece there
        hands.prompt("clamp", cell=cell)
        hands.wait(30)
        hands.prompt("put-away", lit="2")
        hands.wait(40)
    assert [taken.piece for taken in facts(hands.bench, Taken)] == [97, 1, 2, 3]


def _put_two_away(hands: Hands) -> None:
    for _ in range(2):
        hands.prompt("clamp")
        hands.wait(40)
        hands.prompt("put-away", lit="2")
        hands.wait(15)


def test_a_piece_that_the_sentence_names_is_fetched_from_its_bin_and_tightened_anew() -> None:
    hands = Hands()
    _put_two_away(hands)
    hands.prompt("clamp", text="Piece 1 is measured again: take it from where it lies.")
    hands.wait(40)
    hands.prompt("put-away", lit="1")
    hands.wait(15)
    assert [taken.piece for taken in facts(hands.bench, Taken)] == [1, 2, 1]
    first, _, again = facts(hands.bench, Tightened)
    assert (again.piece, again.ordinal) == (1, 2)
    assert again.run_out_um != first.run_out_um
    assert [(d.piece, d.bin) for d in facts(hands.bench, Dropped)][2:] == [(1, "1")]


def test_told_otherwise_before_the_nut_is_tight_he_puts_the_new_piece_back() -> None:
    hands = Hands(pieces=3)
    _put_two_away(hands)
    hands.prompt("clamp")
    hands.wait(4)
    hands.prompt("clamp", text="Piece 2 is measured again: take it from where it lies.")
    hands.wait(50)
    hands.prompt("put-away", lit="2")
    hands.wait(15)
    hands.prompt("clamp")
    hands.wait(20)
    assert [taken.piece for taken in facts(hands.bench, Taken)] == [1, 2, 3, 2, 3]
    assert [pin.piece for pin in facts(hands.bench, Tightened)] == [1, 2, 2, 3]


def test_a_regraded_piece_is_carried_to_the_bin_that_is_lit() -> None:
    hands = Hands()
    _put_two_away(hands)
    text = "Piece 1 is regraded: take it from where it lies. Put the collet into bin 1"
    hands.prompt("put-away", lit="1", text=text)
    hands.wait(60)
    drop = facts(hands.bench, Dropped)[2]
    assert (drop.piece, drop.bin, drop.is_repeat) == (1, "1", False)


def test_what_is_poured_back_lies_in_the_tray_once_more() -> None:
    hands = Hands(pieces=2)
    _put_two_away(hands)
    hands.prompt("wait")
    hands.wait(5)
    assert hands.count(TrayEmpty) == 1
    hands.bench.pour_back("2")
    _put_two_away(hands)
    hands.prompt("clamp")
    hands.wait(60)
    assert [taken.piece for taken in facts(hands.bench, Taken)] == [1, 2, 1, 2]
    assert hands.count(TrayEmpty) == 2


def test_a_piece_is_clamped_within_the_time_a_person_takes() -> None:
    hands = Hands()
    hands.wait(10)
    hands.prompt("clamp")
    hands.wait(60)
    (taken,), (pin,) = facts(hands.bench, Taken), facts(hands.bench, Tightened)
    assert 0.7 * S <= taken.at_ns - 10 * S <= 1.5 * S
    assert 8 * S <= pin.at_ns - taken.at_ns <= 12 * S


def test_loosen_makes_him_stop_open_rotate_and_clamp_anew() -> None:
    hands = Hands()
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("loosen")
    hands.wait(8)
    hands.prompt("clamp")
    hands.wait(30)
    kinds = [fact.kind for fact in hands.bench.truth]
    again = ["nut-opened", "tightened", "spindle-switched"]
    assert kinds == ["taken", "tightened", "spindle-switched", "spindle-switched", *again]
    first, second = facts(hands.bench, Tightened)
    assert 90 < second.angle_deg - first.angle_deg < 150


def test_put_away_waits_for_the_lamp_and_goes_where_it_is_on() -> None:
    hands = Hands()
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("put-away")
    hands.wait(60)
    assert hands.placed() == []
    hands.prompt("put-away", lit="H")
    hands.wait(5)
    assert hands.placed() == ["H"]
    (drop,) = facts(hands.bench, Dropped)
    assert drop.lit_bin == "H"


def test_a_lit_piece_lies_in_its_bin_within_seconds() -> None:
    hands = Hands()
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("put-away", lit="2")
    hands.wait(12)
    (drop,) = facts(hands.bench, Dropped)
    # Reaction, run-down, two to four seconds of hands, reaction to the lamp.
    assert 3.5 * S < drop.at_ns - 40 * S < 8 * S


def test_a_lamp_that_is_not_heard_of_again_goes_dark() -> None:
    hands = Hands()
    hands.bench.show_lamp("1", "on", 0)
    hands.prompt("clamp")
    hands.wait(40)
    assert LAMP_WATCHDOG_NS == 15 * S
    hands.prompt("put-away")
    hands.wait(60)
    assert hands.placed() == []


def test_a_button_that_nobody_answers_is_pressed_again() -> None:
    hands = Hands()
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("put-away", lit="1")
    hands.wait(60)
    drops = facts(hands.bench, Dropped)
    assert [drop.is_repeat for drop in drops] == [False, True]
    assert hands.placed() == ["1", "1"]


def test_a_piece_in_the_wrong_bin_is_moved_when_the_bench_says_so() -> None:
    hands = Hands(mistakes=Mistakes(planned={1: frozenset({"wrong-bin"})}))
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("put-away", lit="1")
    hands.wait(12)
    assert len(hands.placed()) == 1
    assert hands.placed() != ["1"]
    hands.prompt("right-the-bin", lit="1")
    hands.wait(8)
    hands.prompt("clamp")
    hands.wait(5)
    assert hands.placed()[1:] == ["1"]
    assert hands.count(Taken) == 2


def test_a_retry_before_the_put_away_brings_the_same_piece_back() -> None:
    hands = Hands()
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("put-away")
    hands.wait(12)
    hands.prompt("loosen")
    hands.wait(20)
    assert hands.count(Taken) == 1
    assert [pin.ordinal for pin in facts(hands.bench, Tightened)] == [1, 2]


def test_asked_for_a_loosening_with_empty_hands_he_shows_one_and_goes_on() -> None:
    hands = Hands()
    hands.prompt("loosen")
    hands.wait(30)
    assert hands.count(Taken) == 1
    seen = readings(hands.emissions)
    near = [r for _, r in seen[:140] if r.value_nm is not None and r.value_nm > -400_000]
    assert near


def test_a_bench_that_does_not_see_the_clamping_gets_it_anew() -> None:
    hands = Hands()
    hands.prompt("clamp")
    hands.wait(120)
    assert hands.count(NutOpened) >= 1
    assert hands.count(Tightened) >= 2


def test_an_empty_tray_ends_the_work() -> None:
    hands = Hands(pieces=1)
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("put-away", lit="1")
    hands.wait(12)
    hands.prompt("clamp")
    hands.wait(300)
    assert hands.count(Taken) == 1
    assert hands.count(TrayEmpty) == 1


# --- mistakes ----------------------------------------------------------------------------


def test_a_three_quarter_turn_stops_before_the_index_has_come_round() -> None:
    hands = Hands(mistakes=Mistakes(planned={1: frozenset({"three-quarter-turn"})}))
    hands.prompt("clamp")
    hands.wait(30)
    on, off = facts(hands.bench, SpindleSwitched)[:2]
    assert 0.5 < off.turns - on.turns < 0.75
    passes = [at for at, r in readings(hands.emissions) if "index" in r.flags]
    assert len(passes) <= 1


def test_without_loosening_the_same_tightening_is_swept_again() -> None:
    hands = Hands(mistakes=Mistakes(planned={1: frozenset({"no-loosening"})}))
    hands.prompt("clamp")
    hands.wait(40)
    hands.prompt("loosen")
    hands.wait(9)
    switched = [(f.ordinal, f.is_on) for f in facts(hands.bench, SpindleSwitched)]
    assert switched == [(1, True), (1, False), (1, True)]
    assert hands.count(NutOpened) == 0
    hands.wait(20)
    assert hands.count(NutOpened) == 1


def test_a_forgotten_switch_is_found_after_a_while() -> None:
    hands = Hands(mistakes=Mistakes(planned={1: frozenset({"no-spindle"})}))
    hands.prompt("clamp")
    hands.wait(30)
    assert hands.count(SpindleSwitched) == 0
    hands.prompt("turn")
    hands.wait(45)
    assert hands.count(SpindleSwitched) == 1


def test_who_walks_away_lets_it_turn_for_minutes() -> None:
    hands = Hands(mistakes=Mistakes(planned={1: frozenset({"walk-away"})}))
    hands.prompt("clamp")
    hands.wait(30)
    hands.prompt("loosen")
    hands.wait(250)
    assert hands.count(NutOpened) == 0
    hands.wait(700)
    assert hands.count(NutOpened) > 0


def test_a_planned_chip_is_in_the_truth() -> None:
    hands = Hands(mistakes=Mistakes(planned={1: frozenset({"chip"})}))
    hands.prompt("clamp")
    hands.wait(30)
    (pin,) = facts(hands.bench, Tightened)
    assert pin.chip_um >= 3


def test_chance_makes_about_as_many_mistakes_as_asked() -> None:
    bench, _ = free_run(11, 60, 5400 * S, Mistakes(chance={"wrong-bin": 0.25}))
    wrong = {d.piece for d in facts(bench, Dropped) if d.bin != d.lit_bin}
    assert 6 <= len(wrong) <= 25  # binomial(60, 0.25): four standard deviations are 13


def test_every_fact_is_one_flat_json_object() -> None:
    bench, _ = free_run(12, 3, 400 * S)
    for fact in bench.truth:
        record = as_record(fact)
        assert record["kind"] == fact.kind
        assert all(isinstance(v, str | int | float | None) for v in record.values())
