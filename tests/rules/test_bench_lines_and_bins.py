"""Lost lines, put-away and order: what stops the next piece, and what starts it again."""

from dataclasses import replace

from rules.bench import Placed
from rules.capture_model import LineBack, LineLost, Seen, Tick
from rules.facts import AlarmFact, PutAwayFact
from rules.reading import Reading
from tests.rules.bench_hand import Operator, numbers, wait
from tests.rules.bench_tape import INDEX, S
from tests.rules.shop_log import LOT, Shop, bench_rules


def test_a_lost_line_interrupts_the_open_cycle_and_the_piece_starts_again() -> None:
    hand = Operator()
    hand.clamp(2.0, 2.0)
    hand.lose_line()
    hand.regain_line()
    hand.do(hand.tape.turn, 6.0)
    assert len(hand.shop.clampings()) == 2  # no clamping before a loosening
    hand.clamp(2.0, 2.0, 2.0)
    assert numbers(hand.shop)[2:] == [(1, 2, 1), (1, 2, 2), (1, 2, 3)]
    kinds = [c.cycle_kind for c in hand.shop.clampings()]
    assert kinds == ["first"] * 2 + ["after-interruption"] * 3


def test_a_line_lost_in_mid_sweep_takes_the_sweep_with_it() -> None:
    hand = Operator()
    hand.begin(2.0)
    hand.lose_line()
    assert not hand.shop.state.is_measuring
    hand.regain_line()
    hand.do(hand.tape.turn, 6.0)
    wait(hand.shop, hand.tape.now_ns, 6.0)
    assert hand.shop.facts == [
        AlarmFact("indicator-lost", True, "IND-1: unplugged"),
        AlarmFact("indicator-lost", False, ""),
    ]


def test_a_verdict_waits_on_while_the_line_is_lost() -> None:
    hand = Operator()
    hand.clamp(9.0)
    hand.lose_line()
    assert hand.shop.state.put_away.pending == "2"
    facts = hand.shop.step(Placed("2"))
    assert [type(f) for f in facts] == [PutAwayFact]


TWO = replace(INDEX, indicators=(INDEX.indicators[0], replace(INDEX.indicators[0], id="IND-2")))


def test_with_one_of_two_indicators_lost_nothing_is_begun() -> None:
    hand = Operator(Shop(bench_rules(capture=TWO)))
    hand.shop.step(LineLost("IND-2", hand.tape.now_ns, "silent"))
    hand.clamp(2.0)
    hand.do(lambda: hand.tape.edge("torque"))
    hand.do(hand.tape.rest, 10.0)
    hand.do(hand.tape.turn, 4.0)
    assert [type(f) for f in hand.shop.facts] == [AlarmFact]


def test_two_lost_lines_are_one_alarm_that_names_what_is_still_lost() -> None:
    hand = Operator(Shop(bench_rules(capture=TWO)))
    at_ns = hand.tape.now_ns
    hand.shop.step(LineLost("IND-1", at_ns, "unplugged"))
    hand.shop.step(LineLost("IND-2", at_ns, "silent"))
    hand.shop.step(LineBack("IND-1", at_ns + S))
    assert dict(hand.shop.state.alarms) == {"indicator-lost": "IND-2: silent"}
    hand.shop.step(LineBack("IND-2", at_ns + S))
    wait(hand.shop, at_ns + S, 6.0)
    assert hand.shop.state.alarms == ()


def test_a_low_battery_of_one_indicator_is_raised_once_however_well_the_other_is() -> None:
    shop = Shop(bench_rules(capture=TWO))
    low = Reading(0, flags=frozenset({"low-battery"}))
    for i in range(20):
        shop.step(Seen("IND-1", low, (10 + i) * S))
        shop.step(Seen("IND-2", Reading(0), (10 + i) * S))
        shop.step(Tick((10 + i) * S))
    assert shop.facts == [AlarmFact("battery-low", True, "IND-1: battery low")]
    shop.step(Seen("IND-1", Reading(0), 60 * S))
    wait(shop, 60 * S, 29.0)
    assert shop.facts[1:] == []
    wait(shop, 89 * S, 2.0)
    assert shop.facts[1:] == [AlarmFact("battery-low", False, "")]


def test_a_wrong_bin_is_an_alarm_until_the_right_one_sees_the_piece() -> None:
    hand = Operator(Shop(bench_rules("foot")))
    hand.clamp(9.0)
    hand.shop.step(Placed("1"))
    assert "wrong-bin" in dict(hand.shop.state.alarms)
    hand.press_foot()
    assert hand.shop.state.put_away.pending == "2"
    hand.shop.step(Placed("2"))  # a witness here, and it puts the wrong bin right
    assert hand.shop.state.alarms == ()
    assert hand.shop.state.put_away.pending == "2"
    hand.press_foot()
    assert hand.shop.state.put_away.pending is None


def test_a_removal_puts_the_piece_away_where_the_bench_file_says_so() -> None:
    hand = Operator(Shop(bench_rules("removal")))
    hand.clamp(9.0)
    hand.do(hand.tape.lift, 1.5)
    assert hand.shop.state.put_away.pending == "2"
    hand.do(hand.tape.lift, 1.0)
    assert hand.shop.state.put_away.pending is None
    hand.clamp(2.0)
    assert numbers(hand.shop) == [(1, 1, 1), (2, 1, 1)]


def test_the_press_that_confirms_a_put_away_opens_no_nut() -> None:
    hand = Operator(Shop(bench_rules("foot")))
    hand.clamp(9.0)
    hand.press_foot()
    assert hand.shop.state.put_away.pending is None
    assert hand.shop.state.capture.loosening is None
    hand.do(hand.tape.rest, 9.0)
    hand.do(hand.tape.turn, 4.0)
    assert len(hand.shop.clampings()) == 1


def test_a_press_begun_in_hand_and_ended_after_the_bins_sensor_opens_no_nut() -> None:
    hand = Operator(Shop(bench_rules("bin", "foot")))
    hand.clamp(9.0)
    hand.do(lambda: hand.tape.edge("foot"))
    hand.shop.step(Placed("2"))
    hand.do(hand.tape.rest, 0.3)
    hand.do(lambda: hand.tape.edge("foot", is_on=False))
    assert hand.shop.state.capture.loosening is None


def test_a_press_begun_in_the_sweep_confirms_nothing_when_the_verdict_comes() -> None:
    hand = Operator(Shop(bench_rules("foot")))
    hand.begin(9.0)
    hand.do(lambda: hand.tape.edge("foot"))
    hand.do(lambda: hand.tape.turn(1.5, stop=False))
    assert hand.shop.state.put_away.pending == "2"
    hand.do(lambda: hand.tape.edge("foot", is_on=False))
    assert hand.shop.state.put_away.pending == "2"


def test_the_order_is_told_filled_once_and_nothing_more_is_graded() -> None:
    hand = Operator(Shop(lot=replace(LOT, ordered={"top": 1})))
    hand.clamp(2.0, 2.0, 2.0)
    facts = hand.shop.step(Placed("1"))
    assert [f.what for f in facts if hasattr(f, "what")] == ["order-filled"]
    hand.clamp(2.0)
    assert hand.shop.refusals() == ["order-filled"]


def test_more_pieces_than_the_lot_has_are_an_alarm_that_goes_with_the_next_lot() -> None:
    hand = Operator(Shop(lot=replace(LOT, quantity=1, ordered={})))
    hand.clamp(9.0)
    facts = hand.shop.step(Placed("2"))
    assert [f.what for f in facts if hasattr(f, "what")] == ["exhausted"]
    hand.clamp(9.0)
    assert hand.shop.refusals() == ["beyond-lot"]
    assert "beyond-lot" in dict(hand.shop.state.alarms)
    hand.shop.lot = replace(LOT, quantity=50, next_piece=2)
    hand.clamp(9.0)
    assert hand.shop.state.alarms == ()
