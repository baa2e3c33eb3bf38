"""Truth under faults at a real service: how long page and lamp say what is no longer known.

The board's own tests do the same with publishers in place of the service; here nothing is a
stand-in. At the real pace, and the table of README:
``pytest -m long -s tests/system/test_board_truth_at_the_service.py``.
"""

import random
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from tests.chromium import running_chromium
from tests.system.test_board_truth_in_chromium import (
    BACK_S,
    NO_BROKER_S,
    NO_SERVER_S,
    OFFLINE_S,
    STALE_S,
    shows_no_present_value,
)
from tests.system.test_lamp_program import DARK_AFTER_S, REPEAT_S, SLACK_S
from tests.system.watched_service import LIVE, NOTHING_PRESENT, WatchedService, watched_service

pytestmark = pytest.mark.system

Make = Callable[..., Path]
Act = Callable[[WatchedService], None]

ROUNDS = 3
"""Each at another moment between two heartbeats."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with running_chromium() as running:
        yield running


@dataclass(frozen=True)
class Fault:
    """Something that breaks.

    Attributes:
        name: As README has it.
        strike: Breaks it.
        mend: Mends it.
        bound_s: Until the page says so, at most.
        band: What the bench's band then says.
        is_seen_by_lamps: The board's server is none of theirs.
    """

    name: str
    strike: Act
    mend: Act
    bound_s: float
    band: str
    is_seen_by_lamps: bool = True


FAULTS = [
    Fault(
        "service killed (SIGKILL)",
        lambda at: at.floor.service.kill(),
        lambda at: at.start_service(),
        OFFLINE_S,
        "OFFLINE",
    ),
    Fault(
        "service frozen (SIGSTOP)",
        lambda at: at.signal_service(signal.SIGSTOP),
        lambda at: at.signal_service(signal.SIGCONT),
        STALE_S,
        "NO DATA",
    ),
    Fault(
        "broker stopped",
        lambda at: at.floor.broker.stop(),
        lambda at: at.floor.broker.start(),
        NO_BROKER_S,
        "NO DATA",
    ),
    Fault(
        "broker frozen (SIGSTOP)",
        lambda at: at.floor.broker.freeze(),
        lambda at: at.floor.broker.thaw(),
        STALE_S,
        "NO DATA",
    ),
    Fault(
        "board server killed (SIGKILL)",
        lambda at: at.board.process.kill(),
        lambda at: at.start_board(),
        NO_SERVER_S,
        "NO DATA",
        is_seen_by_lamps=False,
    ),
    Fault(
        "board server frozen (SIGSTOP)",
        lambda at: at.board.process.send_signal(signal.SIGSTOP),
        lambda at: at.board.process.send_signal(signal.SIGCONT),
        NO_SERVER_S,
        "NO DATA",
        is_seen_by_lamps=False,
    ),
]


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_page_and_lamp_say_nothing_false_for_longer_than_stated(
    fault: Fault, browser: Browser, bench_folder: Make, tmp_path: Path
) -> None:
    told, dark, back = [], [], []
    chance = random.Random(fault.name)
    with watched_service(browser, bench_folder, tmp_path) as watched:
        for _ in range(ROUNDS):
            time.sleep(chance.uniform(0, REPEAT_S))
            broken_s = time.monotonic()
            fault.strike(watched)
            told.append(watched.says(NOTHING_PRESENT, broken_s, fault.bound_s))
            expect(watched.page.locator(".band:visible")).to_contain_text(fault.band)
            shows_no_present_value(watched.page)
            if fault.is_seen_by_lamps:
                dark.append(watched.dark(broken_s, DARK_AFTER_S + SLACK_S))
            else:
                assert watched.floor.right.is_lit, "the lamp has the broker, and that is well"
            mended_s = time.monotonic()
            fault.mend(watched)
            watched.is_up()
            back.append(time.monotonic() - mended_s)
    print(
        f"\n{fault.name}: page after {spread(told)}, stated {fault.bound_s:g} s;"
        f" lamp dark after {spread(dark)}; page live and lamp lit {spread(back)} after mending"
    )
    assert max(told) <= fault.bound_s
    assert all(each >= DARK_AFTER_S - REPEAT_S - SLACK_S for each in dark)
    assert max(back) <= BACK_S


def spread(seconds: list[float]) -> str:
    return f"{min(seconds):.1f} to {max(seconds):.1f} s" if seconds else "– (none of its own)"


def test_the_page_catches_up_after_a_kill_a_lost_broker_and_a_sleep(
    browser: Browser, bench_folder: Make, tmp_path: Path
) -> None:
    with watched_service(browser, bench_folder, tmp_path, speed=10.0) as watched:
        page, floor = watched.page, watched.floor
        expect(page.locator(".word:visible")).to_have_text("put away")
        for fault in (FAULTS[0], FAULTS[2]):
            broken_s = time.monotonic()
            fault.strike(watched)
            watched.says(NOTHING_PRESENT, broken_s, fault.bound_s)
            fault.mend(watched)
            watched.is_up()
            expect(page.locator(".word:visible")).to_have_text("put away")
        lifecycle = page.context.new_cdp_session(page)
        lifecycle.send("Page.setWebLifecycleState", {"state": "frozen"})
        floor.place("2")
        time.sleep(5.0)
        lifecycle.send("Page.setWebLifecycleState", {"state": "active"})
        expect(page.locator(".word:visible")).not_to_have_text("put away")
        expect(page.locator(".bench:visible .bin-count")).to_have_text(["0", "1", "0", "0"])
        expect(page.locator('.bench:visible [data-lamp="on"]')).to_have_count(0)
        page.wait_for_selector(LIVE, timeout=5000)
