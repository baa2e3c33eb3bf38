"""Truth under faults: how long until the page says that it no longer knows."""

import time
from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from tests.bench_publisher import publishing, work
from tests.board_hall import Hall, clamp, is_live, open_hall
from tests.board_process import running_board

pytestmark = pytest.mark.system

NO_BROKER_S = 3.0
OFFLINE_S = 2.0
STALE_S = 12.0
"""Ten seconds of silence, and what it takes to say so."""
NO_SERVER_S = 6.0
BACK_S = 15.0
"""After the broker's return: the slowest retry of board and bench, and a heartbeat."""


@pytest.fixture
def hall() -> Iterator[Hall]:
    with open_hall() as opened:
        yield opened


def took(page: Page, selector: str, within_s: float) -> float:
    """Wait for an element; return how long it took."""
    began = time.monotonic()
    expect(page.locator(selector)).to_be_visible(timeout=within_s * 1000)
    took_s = time.monotonic() - began
    print(f"{selector}: {took_s:.1f} s")
    return took_s


def shows_no_present_value(page: Page) -> None:
    """Grey hatched, lamps unknown, and nothing of what was in work."""
    tile = page.locator(".bench:visible")
    assert tile.get_attribute("data-look") == "none"
    assert "gradient" in tile.evaluate("(e) => getComputedStyle(e).backgroundImage")
    band = tile.locator(".band").evaluate("(e) => getComputedStyle(e).backgroundColor")
    assert band == "rgba(0, 0, 0, 0)", "no colour of a state"
    expect(tile.locator('.bin:not([data-lamp="unknown"])')).to_have_count(0)
    for part in (".waits", ".work", ".ratio", ".alarms", ".chart"):
        expect(tile.locator(part)).to_be_hidden()
    expect(tile.locator(".caption")).to_contain_text("last known")


def test_without_its_broker_the_board_says_so_and_catches_up_afterwards(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench, 20)
        is_live(page)
        hall.broker.stop()
        took(page, "#trouble", NO_BROKER_S)
        expect(page.locator("#trouble")).to_contain_text("No broker since")
        expect(page.locator(".band")).to_contain_text("NO DATA")
        shows_no_present_value(page)
        hall.broker.start()
        bench.keep("lot", work(1, 25).lot_payload())
        took(page, '[data-condition="live"]', BACK_S)
        expect(page.locator("#trouble")).to_be_hidden()
        expect(page.locator(".ratio")).to_contain_text("n 25")


def test_a_killed_service_is_offline_by_its_will(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench)
        is_live(page)
        bench.die()
        took(page, '[data-condition="offline"]', OFFLINE_S)
        expect(page.locator(".band")).to_contain_text("OFFLINE")
        shows_no_present_value(page)


def test_a_service_that_was_killed_and_started_again_is_live_with_its_new_state(
    hall: Hall,
) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench)
        is_live(page)
        bench.die()
        took(page, '[data-condition="offline"]', OFFLINE_S)
        with publishing(hall.broker.port, "b1", "North bench") as again:
            again.state("no-lot", waits_for="lead")
            took(page, '[data-condition="live"]', OFFLINE_S)
            expect(page.locator(".word")).to_have_text("no lot")


def test_a_service_that_hangs_with_its_connection_open_is_stale(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench)
        is_live(page)
        bench.silence()
        took(page, '[data-condition="stale"]', STALE_S)
        expect(page.locator(".band")).to_contain_text("NO DATASINCE")
        shows_no_present_value(page)


def test_a_broker_that_hangs_with_its_connections_open_is_seen_by_silence(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench)
        is_live(page)
        hall.broker.freeze()
        took(page, '.bench[data-look="none"]', STALE_S)
        shows_no_present_value(page)
        hall.broker.thaw()
        took(page, '[data-condition="live"]', BACK_S)


def test_a_page_that_lost_its_server_says_so_by_itself_and_comes_back(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench)
        is_live(page)
        assert hall.board.stop() == 0
        took(page, "#trouble", NO_SERVER_S)
        expect(page.locator("#trouble")).to_contain_text("No server since")
        expect(page.locator(".band")).to_contain_text("NO DATA")
        shows_no_present_value(page)
        bench.state("no-lot", waits_for="lead")
        with running_board(hall.broker.port, http_port=hall.board.http_port):
            took(page, '[data-condition="live"]', BACK_S)
            expect(page.locator(".word")).to_have_text("no lot")
            expect(page.locator("#trouble")).to_be_hidden()


def test_a_page_that_slept_catches_up(hall: Hall) -> None:
    with hall.benches("North bench") as (bench,), hall.page() as page:
        clamp(bench)
        is_live(page)
        lifecycle = page.context.new_cdp_session(page)
        lifecycle.send("Page.setWebLifecycleState", {"state": "frozen"})
        time.sleep(6.0)
        bench.state("no-lot", waits_for="lead")
        lifecycle.send("Page.setWebLifecycleState", {"state": "active"})
        expect(page.locator(".word")).to_have_text("no lot", timeout=5000)
        took(page, '[data-condition="live"]', 5.0)


def test_a_lamp_goes_dark_on_the_board_as_it_does_at_the_bin(hall: Hall) -> None:
    with (
        publishing(hall.broker.port, "b1", "North bench", speed=5.0) as bench,
        hall.page() as page,
    ):
        bench.state("put-away", piece=1, bin="1")
        is_live(page)
        bench.word("lamp/1", "on", retain=False)
        took(page, '[data-lamp="on"]', 1.0)
        lit_s = took_away(page, '[data-lamp="on"]', 5.0)
        assert lit_s == pytest.approx(15.0 / 5.0, abs=1.0)


def took_away(page: Page, selector: str, within_s: float) -> float:
    began = time.monotonic()
    expect(page.locator(selector)).to_have_count(0, timeout=within_s * 1000)
    return time.monotonic() - began


def test_a_bench_that_is_taken_down_leaves_the_page(hall: Hall) -> None:
    with hall.page() as page:
        with hall.benches("North bench") as (bench,):
            clamp(bench)
            is_live(page)
        expect(page.locator(".bench")).to_have_count(0)
        expect(page.locator("#empty")).to_contain_text("No bench heard")
