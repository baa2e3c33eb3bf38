"""The page for everybody: contrast, keyboard, screen reader, phone, flashing."""

import importlib.util
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.bench_events import say_clampings
from tests.bench_publisher import BenchPublisher
from tests.bench_scenes import blocked, fault, master_check, put_away, wrong_bin
from tests.board_hall import LIVE_MS, PHONE, WALL, Hall, clamp, is_live, open_hall
from tests.chromium import Scheme

pytestmark = pytest.mark.system

TITLES = ("North bench", "Crane bench", "Annex bench", "Gate bench", "Loft bench", "Yard bench")


@pytest.fixture(scope="module")
def hall() -> Iterator[Hall]:
    with open_hall() as opened:
        yield opened


@pytest.fixture(scope="module")
def axe() -> str:
    """Return axe-core's script as the package axe-playwright-python carries it."""
    found = importlib.util.find_spec("axe_playwright_python")
    if found is None or not found.submodule_search_locations:
        pytest.skip("axe-core is missing (pip install axe-playwright-python)")
    script = Path(found.submodule_search_locations[0], "axe.min.js")
    return script.read_text(encoding="utf-8")


# WCAG 2.2: 1.4.6 asks for 7:1 (4.5:1 for large type); axe-core's enhanced rule computes it.
_RULES = {
    "resultTypes": ["violations"],
    "rules": {"color-contrast-enhanced": {"enabled": True}},
}


def violations(page: Page, axe: str) -> list[str]:
    page.evaluate(axe)
    found: dict[str, Any] = page.evaluate(f"axe.run(document, {json.dumps(_RULES)})")
    return [
        f"{each['id']}: {node['html']}: {node['failureSummary']}"
        for each in found["violations"]
        for node in each["nodes"]
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(
    ("query", "size"),
    [
        pytest.param("", WALL, id="across the hall"),
        pytest.param("?distance_m=1.5", WALL, id="everything at once"),
        pytest.param("?view=near", (1366, 768), id="at a desk"),
        pytest.param("", PHONE, id="on a phone"),
        pytest.param("#b1", PHONE, id="one bench on a phone"),
        pytest.param("?distance_m=3#b1", WALL, id="one bench across the hall"),
        pytest.param("?view=near#b1", (1366, 768), id="one bench at a desk"),
    ],
)
def test_axe_finds_no_violation_even_with_enhanced_contrast(
    hall: Hall, axe: str, query: str, size: tuple[int, int], scheme: Scheme
) -> None:
    with hall.benches(*TITLES) as benches, hall.page(query, size, scheme) as page:
        for bench, look in zip(
            benches, (wrong_bin, master_check, blocked, fault, put_away_2, clamp), strict=True
        ):
            look(bench)
        is_live(page)
        say_clampings(benches[0], 32, 2.1, None, 4.9)
        benches[5].die()
        if "#b1" in query:
            expect(page.locator(".panel.sweeps figure:visible")).to_have_count(3)
        expect(page.locator('[data-condition="offline"]')).to_have_count(1)
        page.mouse.move(100, 100)  # the tools come up
        assert violations(page, axe) == []


def test_the_contrast_check_itself_can_fail(hall: Hall, axe: str) -> None:
    with hall.benches("North bench") as (bench,), hall.page("?view=near") as page:
        clamp(bench)
        is_live(page)
        page.evaluate("document.querySelector('.ratio').style.color = '#666666'")  # 5.7:1
        assert [each for each in violations(page, axe) if each.startswith("color-contrast-enh")]


def put_away_2(bench: BenchPublisher) -> None:
    put_away(bench, 2, 52, "2")


def test_a_bench_is_a_named_region_with_a_heading_below_the_pages_own(hall: Hall) -> None:
    with hall.benches("North bench", "Crane bench") as benches, hall.page() as page:
        for bench in benches:
            clamp(bench)
        is_live(page)
        main = page.get_by_role("main")
        region = main.get_by_role("region", name="North bench")
        expect(region.get_by_role("heading", level=2, name="North bench")).to_be_visible()
        expect(page.get_by_role("heading", level=1)).to_have_text("millrace")
        expect(page.get_by_role("banner")).to_be_visible()
        expect(page.get_by_role("status")).to_be_attached()
        # the rows are not painted on the wall, but are there for whoever listens
        expect(region.get_by_role("table")).to_contain_text("3 clampings within 3.2 µm")
        lamp = region.get_by_role("listitem").filter(has_text="ring, grade 1, lamp")
        expect(lamp).to_be_visible()


def test_a_screen_reader_is_told_of_trouble_but_not_of_every_clamping(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench)
        # A bench heard before its state looks unknown; turning from that is news: let it turn.
        expect(page.locator(".detail")).to_have_text("3/3", timeout=LIVE_MS)
        news = page.locator("#news")
        expect(news).to_have_attribute("aria-live", "polite")
        heard = news.inner_text()
        for number in (1, 2, 3):
            bench.state("clamping", clamping=number, clampings=3)
            expect(page.locator(".detail")).to_have_text(f"{number}/3")
        assert news.inner_text() == heard
        bench.state("fault", waits_for="service", reason="The store's disk is full")
        expect(news).to_contain_text("North bench: fault")


def test_the_keyboard_opens_one_bench_and_leads_back(hall: Hall) -> None:
    with hall.benches("North bench", "Crane bench") as benches, hall.page() as page:
        for bench in benches:
            clamp(bench)
        expect(page.locator('[data-condition="live"]')).to_have_count(2, timeout=LIVE_MS)
        page.keyboard.press("Tab")
        page.keyboard.press("Tab")
        focused = page.evaluate("document.activeElement.textContent")
        assert focused == "Crane bench"
        page.keyboard.press("Enter")
        expect(page.locator(".bench:visible h2")).to_have_text(["Crane bench"])
        page.keyboard.press("Escape")
        expect(page.locator(".bench:visible h2")).to_have_count(2)


def test_the_tools_come_for_a_hand_or_the_keyboard_and_leave_the_wall_alone(hall: Hall) -> None:
    with hall.page() as page:
        tools = page.locator("#tools")
        expect(tools).to_have_css("opacity", "0")
        page.locator("#view").focus()
        expect(tools).to_have_css("opacity", "1")
        page.locator("#view").press("Enter")
        expect(page.locator("html")).to_have_class("near")


@pytest.mark.parametrize("query", ["", "#b1"])
def test_a_phone_shows_everything_without_scrolling_sideways(hall: Hall, query: str) -> None:
    with hall.benches("North bench", "Crane bench") as benches, hall.page(query, PHONE) as page:
        for bench in benches:
            wrong_bin(bench)
        is_live(page)
        expect(page.locator(".waits:visible").first).to_be_visible()
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= PHONE[0]
        sizes = page.evaluate(
            "[...document.querySelectorAll('main *')].filter((e) => e.checkVisibility() &&"
            " e.firstChild?.nodeType === 3)"
            ".map((e) => parseFloat(getComputedStyle(e).fontSize))"
        )
        assert min(sizes) >= 16  # the browser's own size, which its user may have enlarged


# Two rates and no other: 0.5 Hz and 2 Hz (flash rates as in the project's notes on IEC 60073;
# never more than three flashes a second, WCAG 2.3.1).
def test_nothing_flashes_but_at_half_a_hertz_or_two(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        wrong_bin(bench)
        bench.lamp("N", "slow")
        expect(page.locator('[data-lamp="slow"]')).to_have_count(1, timeout=LIVE_MS)
        expect(page.locator('[data-lamp="fast"]')).to_have_count(1, timeout=LIVE_MS)
        periods = page.evaluate(
            "document.getAnimations().map((a) => [a.animationName,"
            " a.effect.getTiming().duration])"
        )
        assert sorted(map(tuple, periods)) == [
            ("blink", 500),  # wrong bin: 2 Hz
            ("blink", 2000),  # slow: 0.5 Hz
            ("flash", 2000),  # the alarm's triangle
            *[("flash", 2000)] * (len(periods) - 3),
        ]


def test_whoever_wants_no_motion_gets_none(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        page.emulate_media(reduced_motion="reduce")
        wrong_bin(bench)
        expect(page.locator('[data-lamp="fast"]')).to_have_count(1, timeout=LIVE_MS)
        assert page.evaluate("document.getAnimations().length") == 0
