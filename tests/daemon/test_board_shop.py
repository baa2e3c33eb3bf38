"""What the board believes of every bench, and what it tells its viewers."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from daemon.board.bench_view import LAMP_DARK_S, STALE_S, Moment
from daemon.board.shop import BENCHES_MAX, Shop
from daemon.clock import rfc3339

MORNING = datetime(2026, 11, 24, 9, 0, tzinfo=UTC)


def at(seconds: float) -> Moment:
    return Moment(1000.0 + seconds, MORNING + timedelta(seconds=seconds))


class Hall:
    """A shop with a clock that a test moves; messages come from topics below reclamp/."""

    def __init__(self) -> None:
        self.shop = Shop("reclamp", at(0.0))
        self.now_s = 0.0
        self.shop.connected(at(0.0))

    def hear(self, topic: str, payload: str, *, retained: bool = False) -> None:
        self.shop.receive(f"reclamp/{topic}", payload.encode(), retained, at(self.now_s))

    def later(self, seconds: float) -> None:
        self.now_s += seconds
        self.shop.tick(at(self.now_s))

    def drop(self) -> None:
        self.shop.disconnected(at(self.now_s))

    def connect(self) -> None:
        self.shop.connected(at(self.now_s))

    def parts(self, bench: str = "b1") -> dict[str, object]:
        news = self.shop.since(0)
        assert news is not None
        parts: dict[str, object] = json.loads(news)["benches"][bench]
        return parts

    def status(self, bench: str = "b1") -> dict[str, object]:
        status = self.parts(bench)["status"]
        assert isinstance(status, dict)
        return status


def state(word: str = "loosen", since: datetime = MORNING) -> str:
    fields = {"state": word, "since": rfc3339(since), "waits_for": "operator"}
    return json.dumps(fields)


def about(speed: float = 1.0) -> str:
    fields = {
        "software": "reclamp 0.1.0",
        "contract": "1",
        "site": "millrace",
        "bench": "b1",
        "title": "North bench",
        "bench_sha256": "0",
        "boot": "0",
        "started": rfc3339(MORNING),
        "speed": speed,
        "bins": [
            {"id": "1", "shape": "ring", "holds": "grade-1"},
            {"id": "2", "shape": "square", "holds": "grade-2"},
        ],
    }
    return json.dumps(fields)


@pytest.fixture
def hall() -> Hall:
    return Hall()


def test_a_bench_that_speaks_is_live(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.hear("b1/state", state())
    assert hall.status()["condition"] == "live"


def test_an_online_bench_that_is_silent_for_10_s_is_stale_since_it_was_last_heard(
    hall: Hall,
) -> None:
    hall.hear("b1/link", "online")
    hall.later(3.0)
    hall.hear("b1/state", state())
    hall.later(STALE_S)
    assert hall.status()["condition"] == "live"
    hall.later(0.5)
    assert hall.status()["condition"] == "stale"
    assert hall.status()["since"] == "2026-11-24T09:00:03+00:00"


def test_any_message_of_its_own_keeps_a_bench_live(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    for _ in range(4):
        hall.later(8.0)
        hall.hear("b1/lamp/1", "on")
        assert hall.status()["condition"] == "live"


def test_what_a_stranger_says_in_a_benchs_name_does_not_keep_it_live(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.later(8.0)
    hall.hear("b1/state", '{"nonsense": true}')
    hall.later(3.0)
    assert hall.status()["condition"] == "stale"
    assert hall.shop.ignored == 1


def test_what_the_broker_kept_is_not_live_until_the_bench_speaks_itself(hall: Hall) -> None:
    hall.hear("b1/link", "online", retained=True)
    hall.hear("b1/state", state(), retained=True)
    assert hall.status()["condition"] == "waiting"
    hall.later(4.0)
    hall.hear("b1/state", state())
    assert hall.status()["condition"] == "live"


def test_a_bench_that_never_speaks_is_stale_after_10_s_though_its_link_says_online(
    hall: Hall,
) -> None:
    hall.hear("b1/link", "online", retained=True)
    hall.later(STALE_S + 0.5)
    assert hall.status()["condition"] == "stale"
    assert hall.status()["since"] == "2026-11-24T09:00:00+00:00"  # since the board listens


def test_a_bench_known_only_by_a_kept_offline_is_offline_since_nobody_knows_when(
    hall: Hall,
) -> None:
    hall.hear("b1/about", about(), retained=True)
    hall.hear("b1/link", "offline", retained=True)
    assert hall.status()["condition"] == "offline"
    assert hall.status()["since"] is None


def test_a_will_makes_the_bench_offline_at_once_and_says_since_when(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.later(2.0)
    hall.hear("b1/link", "offline")
    assert hall.status()["condition"] == "offline"
    assert hall.status()["since"] == "2026-11-24T09:00:02+00:00"
    hall.later(5.0)
    hall.hear("b1/link", "offline", retained=True)  # some brokers send it again
    assert hall.status()["since"] == "2026-11-24T09:00:02+00:00"


def test_a_bench_without_a_word_on_its_link_is_unknown(hall: Hall) -> None:
    hall.hear("b1/state", state(), retained=True)
    assert hall.status()["condition"] == "unknown"


def test_without_a_broker_every_bench_is_cut_off(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.later(4.0)
    hall.drop()
    assert hall.status()["condition"] == "cut"
    assert hall.status()["since"] == "2026-11-24T09:00:00+00:00"


def test_after_a_reconnect_the_link_of_the_last_session_counts_no_more(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.drop()
    hall.later(1.0)
    hall.connect()
    assert hall.status()["condition"] == "unknown"
    hall.hear("b1/link", "online", retained=True)
    assert hall.status()["condition"] == "waiting"
    hall.hear("b1/state", state())
    assert hall.status()["condition"] == "live"


def test_an_alarm_that_ended_while_the_board_was_away_is_gone(hall: Hall) -> None:
    alarm = {"code": "wrong-bin", "text": "x", "state": "raised", "since": rfc3339(MORNING)}
    hall.hear("b1/link", "online")
    hall.hear("b1/alarm/wrong-bin", json.dumps(alarm))
    assert list(hall.parts()["alarms"]) == ["wrong-bin"]  # type: ignore[call-overload]
    hall.drop()
    hall.connect()
    assert hall.parts()["alarms"] == {}


@pytest.mark.parametrize("payload", ["", '{"state": "returned"}'])
def test_an_alarm_ends_by_an_empty_message_or_by_its_word(hall: Hall, payload: str) -> None:
    raised = {"code": "a", "text": "x", "state": "raised", "since": rfc3339(MORNING)}
    hall.hear("b1/link", "online")
    hall.hear("b1/alarm/a", json.dumps(raised))
    hall.hear("b1/alarm/a", payload and json.dumps({**raised, "state": "returned"}))
    assert hall.parts()["alarms"] == {}


def test_time_in_state_runs_from_receipt_when_the_change_was_seen(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.hear("b1/state", state("loosen"))
    hall.later(30.0)
    hall.hear("b1/state", state("clamping", since=MORNING - timedelta(hours=1)))
    assert hall.status()["entered_s"] == at(30.0).mono_s
    hall.later(5.0)
    hall.hear("b1/state", state("clamping", since=MORNING - timedelta(hours=1)))
    assert hall.status()["entered_s"] == at(30.0).mono_s  # said again is not entered anew
    assert hall.status()["entered_known"] is True


def test_time_in_a_state_entered_before_the_board_came_is_taken_from_the_state(
    hall: Hall,
) -> None:
    hall.hear("b1/link", "online", retained=True)
    hall.hear("b1/state", state("loosen", MORNING - timedelta(seconds=90)), retained=True)
    assert hall.status()["entered_s"] == at(-90.0).mono_s
    assert hall.status()["entered_known"] is True


@pytest.mark.parametrize(
    "since", [datetime(1970, 1, 1, tzinfo=UTC), MORNING + timedelta(days=1)]
)
def test_a_bench_with_a_wrong_clock_only_says_that_it_lasts_longer(
    hall: Hall, since: datetime
) -> None:
    hall.hear("b1/link", "online", retained=True)
    hall.hear("b1/state", state("loosen", since), retained=True)
    assert hall.status()["entered_s"] == at(0.0).mono_s
    assert hall.status()["entered_known"] is False


@pytest.mark.parametrize(("speed", "dark_s"), [(1.0, LAMP_DARK_S), (5.0, 3.0), (1000.0, 1.0)])
def test_a_lamp_that_is_not_lit_anew_goes_dark(hall: Hall, speed: float, dark_s: float) -> None:
    hall.hear("b1/link", "online")
    hall.hear("b1/about", about(speed))
    hall.hear("b1/lamp/1", "on")
    hall.later(dark_s - 0.1)
    assert hall.parts()["lamps"] == {"1": "on", "2": "unknown"}
    hall.later(0.2)
    assert hall.parts()["lamps"] == {"1": "off", "2": "off"}


def test_a_lamp_is_unknown_until_it_was_heard_or_must_have_gone_dark(hall: Hall) -> None:
    hall.hear("b1/link", "online", retained=True)
    hall.hear("b1/about", about(), retained=True)
    hall.hear("b1/lamp/1", "off", retained=True)  # kept is only ever off: it says nothing
    assert hall.parts()["lamps"] == {"1": "unknown", "2": "unknown"}
    hall.hear("b1/lamp/1", "off")
    assert hall.parts()["lamps"] == {"1": "off", "2": "unknown"}
    hall.later(LAMP_DARK_S)
    assert hall.parts()["lamps"] == {"1": "off", "2": "off"}


def test_a_viewer_gets_only_the_parts_that_are_newer_than_what_it_has(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.hear("b1/state", state())
    hall.hear("b2/link", "online")
    version = hall.shop.version
    assert hall.shop.since(version) is None
    hall.hear("b1/prompt", '{"word": "loosen", "text": "Loosen"}')
    news = json.loads(hall.shop.since(version) or b"")
    assert news["benches"] == {
        "b1": {"prompt": {"word": "loosen", "text": "Loosen", "cell": None}}
    }
    assert news["version"] == hall.shop.version


def test_the_same_message_again_is_no_news(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    hall.hear("b1/state", state())
    version = hall.shop.version
    hall.hear("b1/state", state())
    hall.hear("b1/state", state(), retained=True)
    assert hall.shop.since(version) is None


def test_a_bench_whose_messages_were_cleared_leaves_every_page(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    version = hall.shop.version
    hall.hear("b1/link", "")
    assert json.loads(hall.shop.since(version) or b"")["gone"] == ["b1"]
    hall.hear("b1/link", "online")
    assert json.loads(hall.shop.since(version) or b"")["gone"] == []
    assert hall.status()["condition"] == "live"


def test_a_stranger_who_invents_benches_does_not_fill_the_memory(hall: Hall) -> None:
    for number in range(BENCHES_MAX + 50):
        hall.hear(f"x{number}/link", "online")
        hall.hear("b1/alarm/a" + str(number), "")
    assert hall.shop.bench_count == BENCHES_MAX
    assert hall.shop.ignored == 50


def test_a_stranger_who_invents_bins_does_not_fill_the_memory(hall: Hall) -> None:
    hall.hear("b1/link", "online")
    for number in range(500):
        hall.hear(f"b1/lamp/{number}", "on")
    assert len(hall.parts()["lamps"]) == 64  # type: ignore[arg-type]


def test_what_a_bench_heard_must_have_said_and_was_not_heard_is_missing(hall: Hall) -> None:
    assert hall.shop.missing() == []
    hall.hear("b1/state", state())
    assert hall.shop.missing() == ["link", "about"]
    hall.hear("b1/link", "online", retained=True)
    hall.hear("b1/about", about(), retained=True)
    assert hall.shop.missing() == []
    hall.drop()
    hall.connect()
    assert hall.shop.missing() == []  # nothing is heard of it yet
    hall.hear("b1/state", state())
    assert hall.shop.missing() == ["link"]
