"""Moments of a bench's work, published as a service says them: state, prompt, lamps, alarm."""

from daemon.messages import AlarmData, CheckStatus
from rules.alarm_list import ALARMS
from rules.facts import AlarmCode
from tests.alarm_texts import NUMBER, TEXTS
from tests.bench_publisher import BenchPublisher, brief, now_text, work

CHECKED = CheckStatus(
    asked=["run-out", "sensitivity"],
    level="good",
    last_good=now_text(5400.0),
    pieces_left=19,
    minutes_left=150,
)


def told(code: AlarmCode, text: str, back_s: float = 0.0) -> AlarmData:
    """Return an alarm as it stands on its topic."""
    return AlarmData(
        code=code,
        text=text,
        state="raised",
        since=now_text(back_s),
        waits_for=ALARMS[code].who,
        to_do=ALARMS[code].to_do,
    )


def clamping(bench: BenchPublisher, seed: int, pieces: int) -> None:
    bench.work(work(seed, pieces))
    bench.prompt("turn", "Let it turn: clamping 3 of 3")
    bench.state(
        "clamping",
        back_s=21,
        lot="W-2611-A",
        piece=pieces + 1,
        cycle=1,
        clamping=3,
        clampings=3,
        tirs=[brief(2.1), brief(2.6)],
        check=CHECKED,
    )


def put_away(bench: BenchPublisher, seed: int, pieces: int, bin_id: str = "1") -> None:
    bench.work(work(seed, pieces))
    bench.prompt("put-away", f"Put the collet into bin {bin_id}")
    bench.state(
        "put-away",
        back_s=8,
        lot="W-2611-A",
        piece=pieces + 1,
        cycle=1,
        clampings=3,
        bin=bin_id,
        tirs=[brief(1.2), brief(2.4), brief(1.9)],
        check=CHECKED,
    )
    bench.lamp(bin_id, "on")


def master_check(bench: BenchPublisher) -> None:
    bench.work(work(5, 0))
    bench.prompt("check", "Master check: loosen, turn EM-1 by half a turn, clamp it again")
    due = CHECKED.model_copy(update={"level": "due", "pieces_left": 0, "minutes_left": 0})
    bench.state("master-check", back_s=300, lot="W-2611-A", check=due)


def order_filled(bench: BenchPublisher) -> None:
    filled = next(
        done for pieces in range(36, 121) if (done := work(5, pieces)).count("1") == 36
    )
    check = CHECKED.model_copy(update={"level": "due"})
    bench.say("recent", filled.recent_payload())
    more = {"order_state": "filled-check-due", "open_pieces": 0}
    bench.say("lot", filled.lot_payload().model_copy(update=more))
    text = "The order is filled: stop measuring, call the lead for the closing check"
    bench.prompt("wait", text)
    told = "filled, check due"
    bench.state(
        "order-filled", waits_for="lead", back_s=200, lot=filled.lot, reason=told, check=check
    )


def blocked(bench: BenchPublisher) -> None:
    bench.work(work(6, 41))
    lost = TEXTS["indicator-lost"]
    bench.prompt("wait", "Wait: the indicator does not speak. Check its cable and battery")
    bench.state("blocked", waits_for="indicator", back_s=900, reason=lost, check=CHECKED)
    bench.say("alarm/indicator-lost", told("indicator-lost", lost, 900.0))


def wrong_bin(bench: BenchPublisher) -> None:
    bench.work(work(1, NUMBER - 1))
    bench.prompt("right-the-bin", "Move it from bin 2 to bin 1")
    bench.state(
        "blocked",
        reason=f"piece {NUMBER} was put into bin 2",
        piece=NUMBER,
        clampings=3,
        tirs=[brief(1.2), brief(2.4), brief(1.9)],
    )
    bench.lamp("1", "on")
    bench.lamp("2", "fast")
    bench.say("alarm/wrong-bin", told("wrong-bin", TEXTS["wrong-bin"]))


def fault(bench: BenchPublisher) -> None:
    bench.work(work(8, 12))
    bench.prompt("call", "Call the lead: nothing is recorded")
    bench.state("fault", waits_for="lead", back_s=65, reason="the store's disk is full")
