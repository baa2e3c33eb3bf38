"""Pictures of one bench, caught while a real service works the demo's scripted shift.

The shift is that of ``reclamp demo --shift`` on a real mosquitto: only the far end of the
cable is simulated. Each picture waits for its moment and is taken on an open page.
"""

import asyncio
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Browser, Page

from daemon.broker import Broker
from daemon.demo.shift import Shift
from daemon.demo.shift_files import lay_out_shift, start_shift
from daemon.demo.shift_findings import findings, waiting_events
from daemon.demo.shift_plan import CRANE, NORTH, QUANTITY
from daemon.demo.stage import Stage, set_up
from daemon.demo.teller import Teller
from tests.board_process import running_board
from tests.chromium import Scheme, open_page
from tests.mosquitto_process import mosquitto_program

HALL, PHONE = (1920, 1080), (390, 844)

SEED = 3
"""As in the shift's own test: every mistake of the plan comes about."""

SPEED = 6.0
"""A piece lies in the hand for half a second then: time enough to be caught."""

MOMENT_S = 900.0
"""The shift takes eight minutes; no moment of it is later than that."""

LOOK_S = 0.05

LIVE = """(() => {
    const at = (part) => [...document.querySelectorAll(`.bench:not([hidden]) ${part}`)];
    const word = at(".word")[0]?.textContent;
    const is = (state) => word === state && document.querySelector("#trouble").hidden;
    const tirs = at(".work .tir:not(.todo)").length;
    const isLit = (lamp) => at(`.bin[data-lamp="${lamp}"]`).length > 0;
    const isKnown = !isLit("unknown");
    const alarms = at(".alarms li").map((alarm) => alarm.textContent);
    const isCalm = alarms.length === 0;
    const rows = at("~ .panel.checks table:first-child tbody tr").map((row) => row.textContent);
    const failed = rows.filter((row) => row.includes("failed")).length;
    const sweeps = at("~ .panel.sweeps figure").length;
    %s
})()"""
"""What a moment may be told by; a moment is the expression that stands in it."""

WRONG_BIN = LIVE % (
    'const isTold = at(".waits")[0]?.textContent.includes("Move it");'
    'return is("blocked") && isLit("on") && isLit("fast") && alarms.length === 1 && isTold;'
)
PUT_AWAY = LIVE % 'return is("put away") && isCalm && tirs === 3 && isLit("on") && isKnown;'
CLAMPING = LIVE % 'return is("clamping") && isCalm && tirs === 2 && isKnown;'
NOTHING_HEARD = LIVE % (
    'return !document.querySelector("#trouble").hidden && at("")[0].dataset.look === "none";'
)
SIX = LIVE % (
    'const words = at(".word").map((part) => part.textContent);'
    'const isAtWork = ["clamping", "put away"].includes(words[0]);'
    'const areOthers = words[3] === "order filled" && words[4] === "fault";'
    'return isAtWork && areOthers && words[1] !== "NO STATE" && words[5] === "OFFLINE";'
)
FAILED_CHECK = LIVE % (
    'const isTold = alarms.some((text) => text.includes("the last check failed"));'
    'return isTold && rows[0]?.includes("failed") && failed >= 2 && sweeps >= 2;'
)
"""The closing check, failed by the chip; the first of the shift failed in inch."""

CHECKED = LIVE % (
    'const isGood = failed >= 2 && !rows[0].includes("failed");'
    'return isGood && isCalm && is("clamping") && tirs === 2 && sweeps >= 2;'
)
"""After the checks that failed, while a piece is measured."""


@dataclass
class ShiftAtWork:
    """The shift while it goes on.

    Attributes:
        stage: Its processes.
        url: The board of all benches.
        north_url: A board whose user may read of the North bench alone.
        shift: What the plan does.
    """

    stage: Stage
    url: str
    north_url: str
    shift: Shift
    _ended: threading.Event = field(default_factory=threading.Event)
    _failure: list[BaseException] = field(default_factory=list)

    def run(self) -> None:
        """Follow the shift to its end."""
        broker = Broker("127.0.0.1", self.stage.broker_port, protocol="3.1.1")
        try:
            asyncio.run(self.shift.run(broker))
        except BaseException as failure:  # it is raised where somebody waits
            self._failure.append(failure)
        self._ended.set()

    def catch(self, page: Page, moment: str, path: Path, *, is_whole: bool = False) -> None:
        """Take a picture of the page in a moment that lasts until it is taken."""
        deadline = time.monotonic() + MOMENT_S
        while time.monotonic() < deadline:
            if page.evaluate(moment):
                # what flashes is drawn in its lit phase
                page.screenshot(path=path, full_page=is_whole, animations="disabled")
                if page.evaluate(moment):
                    print(path, flush=True)
                    return
            if self._failure:
                raise self._failure[0]
            assert not self._ended.is_set(), f"the shift was over before {path.name}"
            time.sleep(LOOK_S)
        raise AssertionError(f"no moment for {path.name}")

    def ends_well(self) -> None:
        """Wait for the shift's end: both lots have to be closed.

        What of the plan did not come about is told, not held against the pictures: on a busy
        machine a polled line falls silent in a check, and it is made again (the shift's own
        test holds all of it).
        """
        assert self._ended.wait(MOMENT_S), "the shift did not come to its end"
        if self._failure:
            raise self._failure[0]
        for scene in (self.shift.north, self.shift.crane):
            assert scene.closed is not None
            assert scene.closed.ok, scene.closed.text
        for one in findings(self.stage.folder):
            if one.is_so is False:
                print(f"NO   {one.text}")


@contextmanager
def _broker_words() -> Iterator[tuple[str, ...]]:
    """Yield what starts a mosquitto with a user who may read of the North bench alone."""
    with tempfile.TemporaryDirectory() as name:
        rights, config = Path(name, "rights"), Path(name, "mosquitto.conf")
        rights.write_text(f"topic readwrite #\nuser north\ntopic read reclamp/{NORTH}/#\n")
        config.write_text(f"user root\nallow_anonymous true\nacl_file {rights}\n")
        words = ["mosquitto", "-c", str(config), "-p"]
        yield (
            "-c",
            f"import os, sys; os.execv({mosquitto_program()!r}, {words} + sys.argv[1:])",
        )


@contextmanager
def shift_at_work() -> Iterator[ShiftAtWork]:
    with ExitStack() as stack:
        stage = set_up(None, stack.enter_context(_broker_words()))
        stack.callback(stage.clear)
        lay_out_shift(stage)
        teller = Teller(QUANTITY, print, as_json=False, wanted=(NORTH, CRANE))
        shift = Shift(stage, teller, SEED, SPEED, print, lambda: waiting_events(stage.folder))
        port = stage.broker_port
        board = stack.enter_context(running_board(port))
        north_board = stack.enter_context(running_board(port, user="north"))
        start_shift(stage, SEED, SPEED)
        work = ShiftAtWork(stage, board.url, north_board.url, shift)
        threading.Thread(target=work.run, daemon=True).start()
        yield work


def one_bench(browser: Browser, work: ShiftAtWork, folder: Path) -> None:
    """Take the pictures of the bench as they come up in the shift."""
    with ExitStack() as stack:

        def page(
            query: str = "", size: tuple[int, int] = HALL, scheme: Scheme = "light"
        ) -> Page:
            url = work.north_url + query
            return stack.enter_context(open_page(browser, url, size, scheme))

        hall, dark = page(), page(scheme="dark")
        phone, desk = page(size=PHONE), page("?view=near", (1280, 900))
        work.catch(hall, WRONG_BIN, folder / "board-alarm.png")
        work.catch(hall, NOTHING_HEARD, folder / "board-stale.png")
        work.catch(hall, PUT_AWAY, folder / "board.png")
        work.catch(phone, PUT_AWAY, folder / "board-phone.png", is_whole=True)
        work.catch(dark, PUT_AWAY, folder / "board-dark.png")
        work.catch(desk, CLAMPING, folder / "board-near.png")


def close_up(browser: Browser, work: ShiftAtWork, folder: Path) -> None:
    """Take the close-ups: while the closing check stands failed, and after a good one."""
    with (
        open_page(browser, f"{work.north_url}?view=near#{NORTH}", (1280, 900), "dark") as desk,
        open_page(browser, f"{work.north_url}?distance_m=3#{NORTH}") as hall,
    ):
        work.catch(desk, FAILED_CHECK, folder / "board-detail-near.png", is_whole=True)
        work.catch(hall, CHECKED, folder / "board-detail.png")
