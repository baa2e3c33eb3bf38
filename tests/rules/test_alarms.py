"""Alarms: one root gives one, none chatters, none is lost on the shelf, nobody is hurried."""

from dataclasses import replace
from typing import get_args

import pytest

from rules.alarm_list import ALARMS, as_markdown
from rules.bench import AlarmAcked, AlarmShelved, AlarmUnshelved, Placed
from rules.capture_model import Edge, LineBack, LineLost, Seen, Tick
from rules.facts import AlarmAckFact, AlarmCode, AlarmFact, AlarmShelfFact, Shelf
from rules.put_away import PutAwayRules
from rules.reading import Reading
from tests.rules.bench_hand import Operator, wait
from tests.rules.bench_tape import S
from tests.rules.shop_log import Shop, bench_rules

LOW = Reading(0, flags=frozenset({"low-battery"}))
WITHIN_60_S = replace(bench_rules(), put_away=PutAwayRules(frozenset({"bin"}), 60 * S))


def raised(shop: Shop) -> list[tuple[str, bool]]:
    return [(fact.code, fact.is_raised) for fact in shop.facts if isinstance(fact, AlarmFact)]


def shelf(until_ns: int, code: AlarmCode = "indicator-lost") -> Shelf:
    return Shelf(code, "lead", "cable is ordered", until_ns, "2026-11-24T07:00:00.000Z")


def lost_at(shop: Shop, at_ns: int) -> None:
    shop.step(LineLost("IND-1", at_ns, "silent"))


def test_every_code_has_its_line_in_the_table() -> None:
    assert set(ALARMS) == set(get_args(AlarmCode))
    assert len(as_markdown().splitlines()) == 2 + len(ALARMS)
    assert all(one.to_do and one.meaning for one in ALARMS.values())


class TestChatter:
    def test_an_indicator_that_comes_and_goes_is_one_alarm(self) -> None:
        shop = Shop()
        at_ns = 10 * S
        for _ in range(20):
            lost_at(shop, at_ns)
            at_ns = wait(shop, at_ns, 1.0)
            shop.step(LineBack("IND-1", at_ns))
            at_ns = wait(shop, at_ns, 4.0)
        assert raised(shop) == [("indicator-lost", True)]
        wait(shop, at_ns, 1.2)
        assert raised(shop) == [("indicator-lost", True), ("indicator-lost", False)]

    def test_it_is_told_by_its_first_words_while_it_flaps(self) -> None:
        shop = Shop()
        for n, reason in enumerate(("unplugged", "no such file", "silent")):
            shop.step(LineLost("IND-1", (10 + 2 * n) * S, reason))
            shop.step(LineBack("IND-1", (11 + 2 * n) * S))
        assert dict(shop.state.alarms) == {"indicator-lost": "IND-1: unplugged"}

    def test_one_frame_that_says_the_battery_is_low_is_no_alarm(self) -> None:
        shop = Shop()
        shop.step(Seen("IND-1", LOW, 10 * S))
        shop.step(Tick(10 * S))
        shop.step(Seen("IND-1", Reading(0), 11 * S))
        wait(shop, 11 * S, 5.0)
        assert raised(shop) == []


class TestOneRoot:
    def test_a_battery_that_ends_in_silence_is_one_alarm_and_names_the_battery(self) -> None:
        shop = Shop()
        shop.step(Seen("IND-1", LOW, 10 * S))
        at_ns = wait(shop, 10 * S, 3.0)
        assert dict(shop.state.alarms).keys() == {"battery-low"}
        lost_at(shop, at_ns)
        assert dict(shop.state.alarms) == {
            "indicator-lost": "IND-1: silent (IND-1: battery was low)"
        }

    def test_a_new_battery_ends_both(self) -> None:
        shop = Shop()
        shop.step(Seen("IND-1", LOW, 10 * S))
        at_ns = wait(shop, 10 * S, 3.0)
        lost_at(shop, at_ns)
        shop.step(LineBack("IND-1", at_ns + 20 * S))
        shop.step(Seen("IND-1", Reading(0), at_ns + 20 * S))
        wait(shop, at_ns + 20 * S, 6.0)
        assert shop.state.alarms == ()

    def test_a_wrong_bin_takes_the_place_of_not_put_away(self) -> None:
        hand = Operator(Shop(WITHIN_60_S))
        hand.clamp(9.0)
        at_ns = wait(hand.shop, hand.tape.now_ns, 61.0)
        assert dict(hand.shop.state.alarms).keys() == {"not-put-away"}
        hand.shop.step(Placed("1"))
        wait(hand.shop, at_ns, 300.0)
        assert dict(hand.shop.state.alarms).keys() == {"wrong-bin"}
        hand.shop.step(Placed("2"))
        assert hand.shop.state.alarms == ()


class TestHands:
    def test_a_piece_that_nobody_confirms_is_an_alarm_after_its_time(self) -> None:
        hand = Operator(Shop(WITHIN_60_S))
        hand.clamp(9.0)
        at_ns = wait(hand.shop, hand.tape.now_ns, 59.0)
        assert hand.shop.state.alarms == ()
        wait(hand.shop, at_ns, 2.0)
        assert dict(hand.shop.state.alarms) == {
            "not-put-away": "piece 1 belongs in bin 2: not confirmed for 60 s"
        }

    def test_a_spindle_that_still_turns_is_no_waiting(self) -> None:
        hand = Operator(Shop(WITHIN_60_S))
        hand.clamp(9.0)
        for _ in range(6):
            hand.do(lambda: hand.tape.turn(10.0, stop=False))
            hand.shop.step(Tick(hand.tape.now_ns))
        assert hand.shop.state.alarms == ()

    @pytest.mark.parametrize("by", ["a lift", "a jump of the pin", "torque"])
    def test_a_hand_at_the_piece_starts_the_time_anew(self, by: str) -> None:
        hand = Operator(Shop(WITHIN_60_S))
        hand.clamp(9.0)
        hand.do(hand.tape.pause, 50.0)
        wait(hand.shop, hand.tape.now_ns - 50 * S, 50.0)
        match by:
            case "a lift":
                hand.do(hand.tape.lift, 3.0)
            case "torque":
                hand.shop.step(Edge("torque", True, hand.tape.now_ns))
            case _:
                hand.do(hand.tape.spring, 30, 0.2)
        at_ns = wait(hand.shop, hand.tape.now_ns, 55.0)
        assert hand.shop.state.alarms == ()
        wait(hand.shop, at_ns, 6.0)
        assert dict(hand.shop.state.alarms).keys() == {"not-put-away"}

    def test_a_confirmation_in_time_ends_the_waiting(self) -> None:
        hand = Operator(Shop(WITHIN_60_S))
        hand.clamp(9.0)
        at_ns = wait(hand.shop, hand.tape.now_ns, 50.0)
        hand.shop.step(Placed("2"))
        wait(hand.shop, at_ns, 200.0)
        assert hand.shop.state.alarms == ()
        assert hand.shop.state.quiet is None


class TestAnswers:
    def test_an_acknowledged_alarm_stands_on_and_new_words_need_a_new_answer(self) -> None:
        shop = Shop()
        lost_at(shop, 10 * S)
        assert shop.step(AlarmAcked("indicator-lost", "lead")) == (
            AlarmAckFact("indicator-lost", "IND-1: silent", "lead"),
        )
        assert dict(shop.state.acknowledged) == {"indicator-lost": "lead"}
        shop.step(LineLost("IND-1", 11 * S, "unplugged"))
        assert shop.state.acknowledged == ()

    def test_acknowledging_a_call_answers_it(self) -> None:
        shop = Shop()
        shop.step(Edge("foot", True, 10 * S))
        shop.step(Edge("foot", False, 12 * S))
        assert shop.step(AlarmAcked("help-called", "lead")) == (
            AlarmFact("help-called", False, "answered by lead"),
        )

    @pytest.mark.parametrize(
        ("command", "said"),
        [
            (AlarmAcked("wrong-bin", "lead"), "does not stand; standing: indicator-lost"),
            (AlarmUnshelved("wrong-bin", "lead"), "is not shelved"),
            (AlarmShelved(replace(shelf(S), code="wrong-bin")), "can't be shelved"),
            (AlarmShelved(replace(shelf(S), code="help-called")), "can't be shelved"),
            (AlarmShelved(replace(shelf(S), reason=" ")), "needs a reason"),
        ],
    )
    def test_an_answer_that_makes_no_sense_is_refused(
        self, command: AlarmAcked | AlarmUnshelved | AlarmShelved, said: str
    ) -> None:
        shop = Shop()
        lost_at(shop, 10 * S)
        before = shop.state
        assert shop.step(command) == ()
        assert said in shop.refused[-1]
        assert shop.state == before

    def test_a_second_acknowledgement_is_refused_by_the_name_of_the_first(self) -> None:
        shop = Shop()
        lost_at(shop, 10 * S)
        shop.step(AlarmAcked("indicator-lost", "lead"))
        assert shop.step(AlarmAcked("indicator-lost", "operator")) == ()
        assert shop.refused == ["indicator-lost was acknowledged by lead"]


class TestTheShelf:
    def test_a_shelved_alarm_comes_back_by_itself_at_its_end(self) -> None:
        shop = Shop()
        lost_at(shop, 10 * S)
        told = shelf(70 * S)
        assert shop.step(AlarmShelved(told)) == (AlarmShelfFact(told, True, "IND-1: silent"),)
        wait(shop, 11 * S, 58.0)
        assert told in shop.state.shelves
        assert shop.step(Tick(70 * S)) == (AlarmFact("indicator-lost", True, "IND-1: silent"),)
        assert shop.state.shelves == ()

    def test_on_the_shelf_it_comes_and_goes_and_says_that_it_is_shelved(self) -> None:
        shop = Shop()
        told = shelf(70 * S)
        shop.step(AlarmShelved(told))
        lost_at(shop, 10 * S)
        shop.step(LineBack("IND-1", 11 * S))
        wait(shop, 11 * S, 6.0)
        assert shop.facts[1:] == [
            AlarmFact("indicator-lost", True, "IND-1: silent", told),
            AlarmFact("indicator-lost", False, "", told),
        ]
        assert shop.step(Tick(70 * S)) == (
            AlarmFact("indicator-lost", False, "its time on the shelf is over"),
        )

    def test_it_can_be_taken_back_before_its_end(self) -> None:
        shop = Shop()
        lost_at(shop, 10 * S)
        shop.step(AlarmShelved(shelf(70 * S)))
        assert shop.step(AlarmUnshelved("indicator-lost", "lead")) == (
            AlarmFact("indicator-lost", True, "IND-1: silent"),
        )
        assert shop.state.shelves == ()
