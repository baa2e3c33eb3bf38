"""Alarms across the hall: the needed words stand first and are seen, nothing is told twice."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from playwright.sync_api import Locator, Page, expect

from rules.facts import AlarmCode
from tests.alarm_texts import TEXTS
from tests.bench_publisher import BenchPublisher
from tests.bench_scenes import told, wrong_bin
from tests.board_hall import LIVE_MS, PHONE, Hall, clamp, is_live, open_hall

pytestmark = pytest.mark.system

_ROOM = Path(__file__).with_name("text_room.js").read_text(encoding="utf-8")

TEN_METRES, SIX_METRES = "?distance_m=10&screen_in=55", "?distance_m=6&screen_in=55"

NEEDED: dict[AlarmCode, str] = {
    "indicator-lost": "IND-21: line usb1: no reading any more",
    "battery-low": "IND-21: battery low",
    "signal-fault": "foot: cts of line usb1 on for too long",
    "wrong-bin": "piece 132 belongs in bin 1, not 2",
    "not-put-away": "piece 132 belongs in bin 1",
    "beyond-lot": "more pieces than the lot was opened with",
    "order-short": "the lot will run out (over 99 %)",
    "rest-held": "the rest is on hold",
    "box-full": "change the box of bin 1",
    "box-held": "change the box of bin 1: BX-0112 is on hold",
    "instrument-unfit": "eccentric-master EM-1: calibration was due",
    "clock-doubt": "the clock stands at 2026-11-26 07:30",
    "rule-file-fault": "mr-10-med.rules.toml is not taken",
    "rules-differ": "mr-10-med.rules.toml is revision '7'",
    "help-called": "the operator calls for help",
    "attention-asked": "look at piece 132 before it is put away",
    "clampings-alike": "two clampings read alike",
    "values-never-fall": "12 values in a row, none below the last",
    "holder-share": "the holder's share is 1.63 ± 0.21 µm",
    "rotated-backwards": "collets seem rotated the wrong way",
    "check-soon": "master check soon",
    "check-due": "master check due",
    "check-failed": "the last check failed",
    "span-unproved": "42 pieces are on hold: the holder",
    "zero-drift": "sensitivity: far: zero moved by 2.4 µm",
}
"""What somebody ten metres off has to be able to read of it."""

OPEN_ENDED: frozenset[AlarmCode] = frozenset({"rule-file-fault"})
"""Ends with the file's faults, as many as there are."""


@pytest.fixture(scope="module")
def hall() -> Iterator[Hall]:
    with open_hall() as opened:
        yield opened


def room(text: Locator) -> dict[str, Any]:
    found: dict[str, Any] = text.evaluate(_ROOM)
    return found


def rooms(page: Page, bench: BenchPublisher) -> dict[AlarmCode, dict[str, Any]]:
    """Raise each alarm alone and return how much of its text is painted."""
    found: dict[AlarmCode, dict[str, Any]] = {}
    shown = page.locator(".alarms .text")
    for code, text in TEXTS.items():
        bench.say(f"alarm/{code}", told(code, text))
        expect(shown).to_contain_text(text)
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => done()))")
        found[code] = room(shown)
        bench.alarm_ends(f"{code}")
        expect(shown).to_have_count(0)
    return found


def test_ten_metres_off_the_needed_words_of_every_alarm_are_seen(hall: Hall) -> None:
    assert NEEDED.keys() == TEXTS.keys() == set(get_args(AlarmCode))
    with hall.benches("North bench") as (bench,), hall.page(TEN_METRES) as page:
        clamp(bench)
        is_live(page)
        found = rooms(page, bench)
    seen = {code: one["text"][: one["painted"]] for code, one in found.items()}
    print("\n".join(f"{code:18} {text}" for code, text in seen.items()))
    assert {
        code: text for code, text in seen.items() if not text.startswith(NEEDED[code])
    } == {}


def test_six_metres_off_every_alarm_is_seen_whole(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page(SIX_METRES) as page:
        clamp(bench)
        is_live(page)
        found = rooms(page, bench)
    cut = {code for code, one in found.items() if not one["isWhole"]}
    print({code: found[code]["text"][: found[code]["painted"]] for code in cut})
    assert cut <= OPEN_ENDED


# 55 and 43 inch; 10, 6 and 3 m: from two lines of text to the whole bench
@pytest.mark.parametrize("query", [TEN_METRES, SIX_METRES, "", "?distance_m=3"])
def test_a_wrong_bin_shows_alarm_and_lamps_whole_and_does_not_repeat_itself(
    hall: Hall, query: str
) -> None:
    with hall.benches("North bench") as (bench,), hall.page(query) as page:
        wrong_bin(bench)
        is_live(page)
        expect(page.locator(".alarms .text")).to_contain_text(TEXTS["wrong-bin"])
        assert room(page.locator(".alarms .text"))["isWhole"]
        expect(page.locator(".bin:visible")).to_have_count(4)
        lamps, body = page.locator(".bins").bounding_box(), page.locator(".body").bounding_box()
        assert lamps is not None
        assert body is not None
        assert lamps["x"] < body["x"] + body["width"] - 1, "the lamps have room"
        waits = page.locator(".waits")
        expect(waits).to_have_text("Operator: Move it from bin 2 to bin 1")
        if query != TEN_METRES:
            assert room(waits)["isWhole"]


def test_ten_metres_off_the_time_makes_room_for_a_call(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page(TEN_METRES) as page:
        clamp(bench)
        is_live(page)
        expect(page.locator("#time")).to_be_visible()
        bench.say("alarm/wrong-bin", told("wrong-bin", TEXTS["wrong-bin"]))
        expect(page.locator("#help")).to_be_visible()
        expect(page.locator("#time")).to_be_hidden()
        expect(page.locator("#clock svg")).to_be_visible()


def test_what_an_alarm_tells_is_not_told_again_and_else_the_reason_is(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page(SIX_METRES) as page:
        lost = TEXTS["indicator-lost"]
        prompt = "Wait: the indicator does not speak. Check its cable and battery"
        bench.prompt("wait", prompt)
        bench.state("blocked", waits_for="indicator", reason=lost)
        is_live(page)
        waits = page.locator(".waits")
        expect(waits).to_have_text(f"Indicator: {lost}")
        bench.say("alarm/indicator-lost", told("indicator-lost", lost))
        expect(waits).to_have_text(f"Operator: {prompt}")
        bench.alarm_ends("indicator-lost")
        bench.state("fault", waits_for="lead", reason="the disk is full")
        expect(waits).to_have_text("Lead: the disk is full")


def test_of_several_alarms_the_newest_comes_first_and_each_has_a_line(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page(SIX_METRES) as page:
        clamp(bench)
        is_live(page)
        bench.say("alarm/check-soon", told("check-soon", TEXTS["check-soon"], 600.0))
        bench.say("alarm/wrong-bin", told("wrong-bin", TEXTS["wrong-bin"], 2.0))
        shown = page.locator(".alarms .text")
        expect(shown).to_have_count(2)
        expect(shown.nth(0)).to_contain_text(f"1/2 {TEXTS['wrong-bin']}")
        expect(shown.nth(1)).to_contain_text(f"2/2 {TEXTS['check-soon']}")
        first, second = room(shown.nth(0)), room(shown.nth(1))
        assert first["isWhole"]
        assert second["text"][: second["painted"]].startswith("2/2 master check soon: 42 of 50")


def test_at_hand_the_to_do_is_a_sentence_and_its_command_is_set_as_one(hall: Hall) -> None:
    with (
        hall.benches("North bench") as (bench,),
        hall.page(size=PHONE) as page,
    ):
        clamp(bench)
        bench.say("alarm/box-full", told("box-full", TEXTS["box-full"]))
        is_live(page)
        to_do = page.locator(".to-do")
        expect(to_do).to_have_text(
            ". Put another box into that bin and tell it: reclamp box change."
        )
        expect(to_do.locator("code")).to_have_text("reclamp box change")


_TURNS = """async ({ pages, inNeed, turns }) => {
    const { Layout } = await import("./static/layout.js");
    const layout = new Layout();
    Object.assign(layout, { pages });
    return Array.from({ length: turns }, () => {
        layout.turnedMs = -Infinity;
        layout.tick(() => inNeed);
        return layout.page;
    });
}"""


@pytest.mark.parametrize(
    ("in_need", "turned"),
    [
        ([], [1, 2, 3, 4, 0, 1, 2, 3]),
        ([3], [3, 1, 3, 2, 3, 3, 4, 3]),
        ([1, 3], [1, 1, 3, 2, 1, 3, 1, 4]),
    ],
    ids=["nobody calls", "one page calls", "two pages call"],
)
def test_a_bench_in_need_on_a_further_page_comes_between_the_others(
    hall: Hall, in_need: list[int], turned: list[int]
) -> None:
    with hall.page() as page:
        asked = {"pages": 5, "inNeed": in_need, "turns": 8}
        assert page.evaluate(_TURNS, asked) == turned


# A page turns after twelve seconds, and takes its server for lost after four without a beat.
_THREE_TIMES_AS_FAST = """
    const now = performance.now.bind(performance);
    performance.now = () => 3 * now();
"""


def test_the_page_in_need_is_the_one_where_the_bench_is_shown(hall: Hall) -> None:
    titles = [f"Bench {number}" for number in range(1, 6)]
    with hall.benches(*titles) as benches, hall.page("?distance_m=12") as page:
        for bench in benches:
            clamp(bench)
        page.add_init_script(_THREE_TIMES_AS_FAST)
        page.reload()
        expect(page.locator("#page")).to_have_text("1/5", timeout=LIVE_MS)
        benches[3].say("alarm/wrong-bin", told("wrong-bin", TEXTS["wrong-bin"]))
        expect(page.locator(".bench:visible h2")).to_have_text("Bench 4", timeout=20_000)
        expect(page.locator("#page")).to_have_text("4/5")
