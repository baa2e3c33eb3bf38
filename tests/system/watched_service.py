"""A real service with a lit lamp, a real board on its broker, and a real browser before it.

with watched_service(browser, bench_folder, tmp_path, speed=1) as watched:
    ... watched.floor.broker.freeze() ... watched.says(NOTHING_PRESENT, since_s, 12)
"""

import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, Page

from tests.board_process import BoardProcess, running_board
from tests.chromium import open_page
from tests.system.deadline import until
from tests.system.service_process import running_service
from tests.system.test_lamp_program import Floor, floor

LIVE = '.bench:not([hidden])[data-condition="live"]'
NOTHING_PRESENT = '.bench:not([hidden])[data-look="none"]'
"""Grey hatched: whatever stands there, it is not shown as what is now."""


@dataclass
class WatchedService:
    """Service, lamps, board and page; what is broken here can be mended.

    Attributes:
        floor: Service, broker and README's lamps.
        board: The board's server.
        page: The board's page.
    """

    floor: Floor
    board: BoardProcess
    page: Page
    _stack: ExitStack
    _speed: float

    def says(self, selector: str, since_s: float, within_s: float) -> float:
        """Wait until the page shows it; return the seconds since ``since_s``."""
        self.page.wait_for_selector(selector, timeout=1000 * within_s)
        return time.monotonic() - since_s

    def dark(self, since_s: float, within_s: float) -> float:
        """Wait until the lamp is dark; return the seconds since ``since_s``."""
        lamp = self.floor.right
        until(lambda: not lamp.is_lit, "dark", within_s)
        return lamp.changes[-1][0] - since_s

    def is_up(self) -> None:
        """Wait until the page is live and the lamp lit."""
        self.page.wait_for_selector(LIVE, timeout=30_000)
        until(lambda: self.floor.right.is_lit, "lit", 20)

    def signal_service(self, sign: signal.Signals) -> None:
        os.kill(self.floor.service.popen.pid, sign)

    def start_service(self) -> None:
        """Start another life of the service, on the same store."""
        again = running_service(self.floor.bench_file, self._speed)
        self.floor.service = self._stack.enter_context(again)

    def start_board(self) -> None:
        """Start another board server on the same port."""
        again = running_board(self.floor.broker.port, http_port=self.board.http_port)
        self.board = self._stack.enter_context(again)


@contextmanager
def watched_service(
    browser: Browser, make: Callable[..., Path], folder: Path, speed: float = 1.0
) -> Iterator[WatchedService]:
    """Run it all until the context ends; the page is live and the lamp lit when it begins."""
    with ExitStack() as stack:
        shop = stack.enter_context(floor(make, folder, speed))
        board = stack.enter_context(running_board(shop.broker.port))
        page = stack.enter_context(open_page(browser, f"{board.url}#b1"))
        watched = WatchedService(shop, board, page, stack, speed)
        watched.is_up()
        yield watched
