"""`reclamp watch`: the board's truth in a terminal of any width."""

from datetime import timedelta, timezone

import pytest
from rich.cells import cell_len

from daemon.board.bench_view import STALE_S
from daemon.messages import AlarmData, CheckStatus, Lot, OrderForecast, State, WaitsFor
from daemon.watching import Seen, screen, snapshot
from tests.bench_publisher import brief, work
from tests.daemon.test_board_shop import Hall, about, at
from tests.daemon.test_board_shop import state as state_payload

BERLIN = timezone(timedelta(hours=1))
"""In November."""


GOOD = {"last_good": "2026-11-24T05:12:00.000Z"}


class Terminal(Hall):
    """A hall that somebody looks at in a terminal."""

    def lines(self, width: int = 120, height: int | None = None) -> list[str]:
        now = at(self.now_s)
        seen = Seen(now.mono_s, now.utc.astimezone(BERLIN), width, height)
        is_up = self.shop.session.ended is None
        shown = screen(snapshot(self.shop), "broker:1883", "no route", is_up, seen)
        return shown.plain.split("\n")

    def text(self, width: int = 120, height: int | None = None) -> str:
        return "\n".join(self.lines(width, height))

    def clamp(self, bench: str = "b1", check: CheckStatus | None = None) -> None:
        state = State(
            state="clamping",
            since="2026-11-24T09:00:00.000Z",
            waits_for="operator",
            piece=32,
            clamping=3,
            clampings=3,
            tirs=[brief(2.1), brief(None)],
            check=check,
        )
        self.hear(f"{bench}/link", "online")
        self.hear(f"{bench}/about", about())
        self.hear(f"{bench}/state", state.model_dump_json())
        self.hear(f"{bench}/prompt", '{"word": "clamp", "text": "Turn the collet a third"}')

    def lot(self, **more: object) -> None:
        payload = work(1, 31).lot_payload().model_dump() | more
        self.hear("b1/lot", Lot.model_validate(payload).model_dump_json())

    def alarm(self, code: str, text: str, **more: object) -> None:
        fields = {
            "code": code,
            "text": text,
            "state": "raised",
            "since": "2026-11-24T08:42:00Z",
        }
        self.hear(f"b1/alarm/{code}", AlarmData.model_validate(fields | more).model_dump_json())


@pytest.fixture
def hall() -> Terminal:
    return Terminal()


def test_a_bench_is_told_with_state_piece_counts_forecast_and_age(hall: Terminal) -> None:
    hall.clamp()
    hall.lot()
    hall.later(3.0)
    done = work(1, 31)
    share = round(100 * done.count("1") / 31)
    first, order, lot, check, waits = hall.lines()[1:]
    assert first == "▶ North bench   clamping 3/3   piece 32  2.1  –   3 s   heard 3 s ago"
    assert order.startswith(
        f"  {done.count('1')} of 36 grade 1   yield {share} %, n 31   about "
    )
    assert lot.startswith(f"  W-2611-A MR-10-MED   grade 2 {done.count('2')}")
    assert lot.endswith("131 s a piece, takt 150 s")
    assert check == "  master check not told"
    assert waits == "  Operator: Turn the collet a third"


@pytest.mark.parametrize(
    ("check", "told"),
    [
        ({"level": "off"}, "no master check asked for"),
        ({"level": "due"}, "no good check yet   check due"),
        (
            {"level": "good", "pieces_left": 12, "minutes_left": 135, **GOOD},
            "checked 06:12   next in 12 pieces or 2 h 15",
        ),
        ({"level": "soon", "pieces_left": 1, **GOOD}, "checked 06:12   next in 1 piece"),
        ({"level": "due", "held": 3, **GOOD}, "checked 06:12   check due   3 held"),
    ],
)
def test_the_last_good_check_and_the_next_due_are_told(
    hall: Terminal, check: dict[str, object], told: str
) -> None:
    status = CheckStatus.model_validate({"asked": ["run-out"], **check})
    hall.clamp(check=status)
    assert hall.lines()[3] == f"  {told}"


def test_the_early_warning_and_a_pace_behind_demand_are_told_in_words(hall: Terminal) -> None:
    hall.clamp()
    short = OrderForecast(
        grade="grade-1",
        missing=19,
        unmeasured=20,
        measured=40,
        expected_pieces=20,
        pieces_5=None,
        pieces_50=None,
        pieces_95=None,
        expected_found=7.2,
        runs_out=0.99,
        short=True,
        model="m",
    )
    hall.lot(forecast=short.model_dump(), cycle_s_median=171.0)
    assert "LOT RUNS OUT: about 7 of 19 to come" in hall.text()
    assert "171 s a piece, slower than takt 150 s" in hall.text()


def test_alarms_come_unanswered_first_each_with_its_state(hall: Terminal) -> None:
    hall.clamp()
    hall.alarm("a", "Battery low", state="acknowledged")
    hall.alarm("b", "Check overdue", state="shelved", until="2026-11-24T10:30:00.000Z")
    hall.alarm("c", "Wrong bin")
    alarms = [line.strip() for line in hall.lines() if "since" in line]
    assert alarms == [
        "! Wrong bin, since 09:42",
        "(Battery low, since 09:42; acknowledged)",
        "(Check overdue, since 09:42; shelved until 11:30)",
    ]
    assert "1 of 1 needs help" in hall.text()


def test_of_unanswered_alarms_the_newest_comes_first(hall: Terminal) -> None:
    hall.clamp()
    hall.alarm("a", "Check soon", since="2026-11-24T08:30:00.000Z")
    hall.alarm("b", "Wrong bin", since="2026-11-24T08:50:00.000Z")
    alarms = [line.strip() for line in hall.lines() if "since" in line]
    assert alarms == ["! Wrong bin, since 09:50", "! Check soon, since 09:30"]


@pytest.mark.parametrize(
    ("whom", "alarm", "said"),
    [
        ("operator", "", "Operator: Do this"),
        ("indicator", "", "Indicator: IND-21: silent"),
        ("indicator", "IND-21: silent (battery was low)", "Operator: Do this"),
        ("lead", "something else", "Lead: IND-21: silent"),
    ],
)
def test_the_operator_is_told_what_to_do_and_no_reason_is_told_twice(
    hall: Terminal, whom: WaitsFor, alarm: str, said: str
) -> None:
    hall.clamp()
    since = "2026-11-24T09:00:00.000Z"
    state = State(state="blocked", since=since, waits_for=whom, reason="IND-21: silent")
    hall.hear("b1/state", state.model_dump_json())
    hall.hear("b1/prompt", '{"word": "wait", "text": "Do this"}')
    if alarm:
        hall.alarm("a", alarm)
    assert said in [line.strip() for line in hall.lines()]


def test_nothing_of_a_silent_bench_is_shown_as_present(hall: Terminal) -> None:
    hall.clamp()
    hall.lot()
    hall.alarm("c", "Wrong bin")
    hall.later(STALE_S + 1)
    (told,) = hall.lines()[1:]
    known = f"{work(1, 31).count('1')} of 36 grade 1"
    assert told == f"? North bench   NO DATA SINCE 10:00   last known {known}"


def test_a_bench_that_went_offline_and_a_lost_broker_say_so(hall: Terminal) -> None:
    hall.clamp()
    hall.later(60.0)
    hall.hear("b1/link", "offline")
    assert "OFFLINE SINCE 10:01" in hall.text()
    hall.drop()
    assert "NO BROKER at broker:1883: no route" in hall.text()
    assert "NO DATA SINCE" in hall.text()


@pytest.mark.parametrize("width", [20, 32, 40, 60, 80, 120, 200])
def test_every_width_shows_the_same_words_within_it(hall: Terminal, width: int) -> None:
    hall.clamp()
    hall.lot()
    hall.alarm("c", "Piece 32 was put into bin 2")
    lines = hall.lines(width)
    assert max(map(cell_len, lines)) <= width
    assert " ".join(hall.text(width).split()) == " ".join(hall.text(400).split())


def test_where_lines_are_few_each_bench_has_one_and_those_in_need_come_before_the_rest(
    hall: Terminal,
) -> None:
    for number in range(1, 31):
        hall.clamp(f"b{number:02}")
    hall.hear("b29/state", state_payload("fault"))
    assert len(hall.lines(height=31)) == 31
    few = hall.lines(height=12)
    assert len(few) == 12
    assert sum("fault" in line for line in few) == 1
    assert few[-1] == "… 20 more benches, 0 of them need help"


def test_what_a_stranger_says_is_only_ever_text(hall: Terminal) -> None:
    hall.clamp()
    hall.hear("b1/prompt", '{"word": "call", "text": "[bold]red[/bold] \\u001b[31mred"}')
    assert "[bold]red[/bold]" in hall.text()
    assert "\x1b" not in hall.text()


def test_no_bench_is_told_as_such(hall: Terminal) -> None:
    assert hall.lines()[1:] == ["no bench heard on this broker yet"]
