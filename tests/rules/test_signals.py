"""What the bench shows: word, prompt and lamps of one look at one state."""

from dataclasses import replace

import pytest

from rules.bench import BenchState, Placed
from rules.capture_model import LineLost, Seen
from rules.lot import LotView
from rules.reading import Reading
from rules.signals import Signals, show
from tests.rules.bench_hand import Operator
from tests.rules.bench_tape import INDEX, S
from tests.rules.shop_log import LOT, Shop, bench_rules

TWO = replace(INDEX, indicators=(INDEX.indicators[0], replace(INDEX.indicators[0], id="IND-2")))
SINGLE = replace(INDEX, mode="single-value")


def shown(hand: Operator, fault: str | None = None) -> Signals:
    return show(hand.shop.state, hand.shop.rules, hand.shop.lot, fault)


def look(hand: Operator) -> tuple[str, str, int | None]:
    signals = shown(hand)
    return signals.word, signals.prompt, signals.clamping


def test_a_piece_is_led_from_loosening_to_put_away() -> None:
    hand = Operator()
    seen = [look(hand)]
    for tir_um in (2.0, 2.0, 2.0):
        hand.do(hand.tape.lift, 5.0)
        seen.append(look(hand))
        hand.tape.clamp(tir_um)
        hand.do(hand.tape.rest, 1.0)
        seen.append(look(hand))
        hand.do(hand.tape.turn, 3.4)
        seen.append(look(hand))
    assert seen == [
        ("loosen", "loosen", 1), ("clamping", "clean", 1), ("clamping", "turn", 1),
        ("loosen", "loosen", 2), ("clamping", "clamp", 2), ("clamping", "turn", 2),
        ("loosen", "loosen", 3), ("clamping", "clamp", 3), ("clamping", "turn", 3),
        ("put-away", "put-away", None),
    ]  # fmt: skip
    assert shown(hand).lamps == {"1": "on"}
    assert shown(hand).clampings is None


def test_the_number_of_clampings_follows_the_grade_in_reach_and_the_invalid_ones() -> None:
    hand = Operator()
    assert shown(hand).clampings == 3
    hand.do(hand.tape.reclamp, 2.0)
    hand.do(hand.tape.turn, 1.2)
    hand.do(hand.tape.rest, 7.0)
    assert hand.shop.clampings()[0].assessed.result == "invalid"
    signals = shown(hand)
    assert (signals.clamping, signals.clampings) == (2, 4)
    assert "no whole turns were swept" in signals.text


def test_a_fault_of_the_store_darkens_every_lamp() -> None:
    hand = Operator()
    hand.clamp(9.0)
    assert shown(hand).lamps == {"2": "on"}
    signals = shown(hand, "disk full")
    assert (signals.word, signals.prompt, signals.lamps) == ("fault", "call", {})
    assert signals.reason == "disk full"


def test_a_wrong_bin_flashes_beside_the_right_one() -> None:
    hand = Operator()
    hand.clamp(9.0)
    hand.shop.step(Placed("N"))
    signals = shown(hand)
    assert (signals.word, signals.prompt) == ("blocked", "right-the-bin")
    assert signals.lamps == {"2": "on", "N": "fast"}
    assert "N" in signals.text


def test_a_lost_line_blocks_the_bench_but_a_verdict_in_hand_is_still_shown() -> None:
    hand = Operator()
    hand.lose_line()
    assert look(hand)[:2] == ("blocked", "wait")
    assert "unplugged" in shown(hand).reason
    hand.regain_line()
    hand.clamp(9.0)
    hand.lose_line()
    signals = shown(hand)
    assert (signals.word, signals.lamps) == ("put-away", {"2": "on"})
    assert "unplugged" in signals.reason


def test_a_bench_comes_up_when_every_indicator_has_spoken() -> None:
    shop = Shop(bench_rules(capture=TWO))
    assert show(shop.state, shop.rules, LOT).word == "coming-up"
    shop.step(Seen("IND-1", Reading(0), 10 * S))
    signals = show(shop.state, shop.rules, LOT)
    assert (signals.word, signals.waits_for) == ("coming-up", "indicator")
    assert signals.reason.endswith("IND-2")
    shop.step(Seen("IND-2", Reading(0), 11 * S))
    assert show(shop.state, shop.rules, LOT).word == "loosen"


def test_an_indicator_with_a_print_key_need_not_speak_first() -> None:
    signals = show(BenchState(), bench_rules(capture=SINGLE), LOT)
    assert (signals.word, signals.prompt, signals.clamping) == ("clamping", "clamp", 1)


@pytest.mark.parametrize(
    ("lot", "word", "waits_for"),
    [
        pytest.param(None, "no-lot", "lead", id="no lot"),
        pytest.param(
            replace(LOT, put_away={"top": 4}), "order-filled", "lead", id="order filled"
        ),
        pytest.param(
            replace(LOT, put_away={"top": 3}, pending={"top": 1}), "order-filled", "lead",
            id="order covered by what is graded",
        ),
        pytest.param(
            replace(LOT, next_piece=41, ordered={}), "blocked", "lead", id="lot exhausted"
        ),
    ],
)  # fmt: skip
def test_what_stops_the_next_piece_is_said(
    lot: LotView | None, word: str, waits_for: str
) -> None:
    hand = Operator()
    hand.shop.lot = lot
    signals = shown(hand)
    assert (signals.word, signals.waits_for) == (word, waits_for)
    assert signals.reason
    assert signals.lamps == {}


def test_a_filled_order_asks_for_its_closing_check_until_there_is_one() -> None:
    hand = Operator()
    hand.shop.lot = replace(LOT, put_away={"top": 4})
    assert shown(hand).reason == "filled, check due"
    hand.shop.lot = replace(LOT, put_away={"top": 4}, is_released=True)
    signals = shown(hand)
    assert (signals.word, signals.reason) == ("order-filled", "filled")
    assert "to close the lot" in signals.text


def test_a_piece_in_work_is_finished_though_the_order_was_filled_meanwhile() -> None:
    hand = Operator()
    hand.clamp(2.0)
    hand.shop.lot = replace(LOT, next_piece=2, put_away={"top": 4})
    assert look(hand) == ("loosen", "loosen", 2)


def test_no_state_but_put_away_lights_a_lamp() -> None:
    hand = Operator()
    for action in (hand.tape.lift, hand.tape.rest, hand.tape.turn):
        hand.do(action, 3.0)
        assert shown(hand).lamps == {}
    hand.shop.step(LineLost("IND-1", hand.tape.now_ns, "silent"))
    assert shown(hand).lamps == {}
