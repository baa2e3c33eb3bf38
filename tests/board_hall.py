"""A broker, a board on it and a browser before it, for the tests of the page."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from playwright.sync_api import Browser, Page, expect

from tests.bench_publisher import BenchPublisher, brief, publishing, work
from tests.board_process import BoardProcess, running_board
from tests.chromium import Scheme, open_page, running_chromium
from tests.mosquitto_process import Mosquitto, running_mosquitto

WALL, PHONE = (1920, 1080), (390, 844)

PROMPT = "Loosen the nut, turn the collet a third, tighten again"

LIVE_MS = 10_000
"""A bench that the board finds kept by the broker is live with its next heartbeat."""


@dataclass
class Hall:
    """Where benches publish and somebody looks."""

    broker: Mosquitto
    board: BoardProcess
    browser: Browser

    @property
    def url(self) -> str:
        return self.board.url

    @contextmanager
    def benches(self, *titles: str) -> Iterator[list[BenchPublisher]]:
        """Run benches b1, b2 … that leave nothing behind."""
        with ExitStack() as stack:
            yield [
                stack.enter_context(
                    publishing(self.broker.port, f"b{number}", title, is_forgotten=True)
                )
                for number, title in enumerate(titles, 1)
            ]

    @contextmanager
    def page(
        self, query: str = "", size: tuple[int, int] = WALL, scheme: Scheme = "light"
    ) -> Iterator[Page]:
        with open_page(self.browser, self.url + query, size, scheme) as page:
            yield page


@contextmanager
def open_hall() -> Iterator[Hall]:
    with (
        running_chromium() as browser,
        running_mosquitto() as broker,
        running_board(broker.port) as board,
    ):
        yield Hall(broker, board, browser)


def clamp(bench: BenchPublisher, pieces: int = 31) -> None:
    """Put the bench at the third clamping of the piece after ``pieces``."""
    bench.work(work(1, pieces))
    bench.prompt("clamp", PROMPT)
    bench.state(
        "clamping",
        lot="W-2611-A",
        piece=pieces + 1,
        clamping=3,
        clampings=3,
        tirs=[brief(2.1), brief(4.9)],
    )


def is_live(page: Page) -> None:
    """Wait for a bench that is drawn with its state: it may be heard, and live, before that."""
    first = page.locator('.bench[data-condition="live"]:not([data-look="none"])').first
    expect(first).to_be_visible(timeout=LIVE_MS)
