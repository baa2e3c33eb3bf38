"""Make README's pictures into .pictures/: `python -m tests.make_pictures [FOLDER]`.

A real mosquitto, the real board and Chromium; the benches are publishers of the contract.
"""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from playwright.sync_api import Browser, Page

from daemon.messages import CheckStatus
from tests.bench_events import say_clampings
from tests.bench_publisher import BenchPublisher, brief, now_text, publishing, work
from tests.board_process import running_board
from tests.chromium import Scheme, open_page, running_chromium
from tests.mosquitto_process import Mosquitto, running_mosquitto

FOLDER = Path(__file__).parent.parent / ".pictures"
TITLES = {
    "b1": "North bench",
    "b2": "Crane bench",
    "b3": "Annex bench",
    "b4": "Gate bench",
    "b5": "Loft bench",
    "b6": "Yard bench",
}
CHECKED = CheckStatus(
    asked=["run-out", "sensitivity"],
    level="good",
    last_good=now_text(5400.0),
    pieces_left=19,
    minutes_left=150,
)
PHONE, HALL = (390, 844), (1920, 1080)


def clamping(bench: BenchPublisher, seed: int, pieces: int) -> None:
    bench.work(work(seed, pieces))
    bench.prompt("clamp", "Turn the collet by 120° and tighten")
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
    bench.prompt("put-away", f"Put the piece into bin {bin_id}")
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
    bench.prompt("wait", "Measure the eccentric master EM-1")
    due = CHECKED.model_copy(update={"level": "due", "pieces_left": 0, "minutes_left": 0})
    bench.state("master-check", back_s=300, lot="W-2611-A", check=due)


def blocked(bench: BenchPublisher) -> None:
    bench.work(work(6, 41))
    bench.state(
        "blocked", waits_for="lead", back_s=900, reason="Master check failed: call the lead"
    )
    bench.alarm("master-check-failed", "Master check failed, 14 pieces on hold")


def wrong_bin(bench: BenchPublisher) -> None:
    put_away(bench, 3, 31)
    bench.lamp("2", "fast")
    bench.prompt("right-the-bin", "Move it from bin 2 to bin 1")
    bench.alarm("wrong-bin", "Piece 32 was put into bin 2")


def fault(bench: BenchPublisher) -> None:
    bench.work(work(8, 12))
    bench.state("fault", waits_for="service", back_s=65, reason="The store's disk is full")


@contextmanager
def benches(broker: Mosquitto, *ids: str) -> Iterator[list[BenchPublisher]]:
    with ExitStack() as stack:
        yield [stack.enter_context(publishing(broker.port, name, TITLES[name])) for name in ids]


def shoot(
    browser: Browser,
    url: str,
    path: Path,
    size: tuple[int, int] = HALL,
    scheme: Scheme = "light",
    wait_for: Callable[[Page], None] | None = None,
) -> None:
    with open_page(browser, url, size, scheme) as page:
        page.wait_for_selector(".bench:not([hidden])")
        if wait_for is not None:
            wait_for(page)
        time.sleep(0.6)
        # what flashes is drawn in its lit phase
        page.screenshot(path=path, full_page=size == PHONE, animations="disabled")
    print(path)


def one_bench(browser: Browser, broker: Mosquitto, url: str, folder: Path) -> None:
    with benches(broker, "b1") as (bench,):
        put_away(bench, 1, 31)
        shoot(browser, url, folder / "board.png", wait_for=_until_lit_and_dark)
        shoot(browser, url, folder / "board-dark.png", scheme="dark")
        shoot(browser, url, folder / "board-phone.png", PHONE)
        wrong_bin(bench)
        shoot(browser, url, folder / "board-alarm.png", wait_for=_until_lit_and_dark)
        bench.lamp("1", "off")
        bench.lamp("2", "off")
        bench.alarm_ends("wrong-bin")
        clamping(bench, 1, 32)
        at_desk = f"{url}?view=near"
        shoot(
            browser,
            at_desk,
            folder / "board-near.png",
            (1280, 900),
            wait_for=_until_dark,
        )
        say_clampings(bench, 33, 2.1, 2.6, 1.8)
        detail = f"{url}?distance_m=3#b1"
        shoot(browser, detail, folder / "board-detail.png", wait_for=_until_swept)
        near = f"{url}?view=near#b1"
        shoot(
            browser, near, folder / "board-detail-near.png", (1280, 1500), "dark", _until_swept
        )
        bench.silence()
        shoot(browser, url, folder / "board-stale.png", wait_for=_until_stale)


def _until_lit_and_dark(page: Page) -> None:
    page.wait_for_selector('[data-lamp="on"]', timeout=15_000)
    page.wait_for_selector('.bin[data-lamp="off"]', timeout=20_000)


def _until_swept(page: Page) -> None:
    page.wait_for_selector(".panel.sweeps figure", timeout=15_000)
    _until_dark(page)


def _until_dark(page: Page) -> None:
    """A lamp that was lit before we came is unknown until it would have gone dark."""
    page.wait_for_selector('.bin[data-lamp="off"]', timeout=20_000)


def _until_five_live(page: Page) -> None:
    page.wait_for_selector('[data-condition="live"] >> nth=4', timeout=15_000)


def _until_stale(page: Page) -> None:
    page.wait_for_selector('[data-condition="stale"]', timeout=15_000)


def six_benches(browser: Browser, broker: Mosquitto, url: str, folder: Path) -> None:
    with benches(broker, *TITLES) as (north, crane, annex, gate, loft, yard):
        clamping(north, 1, 31)
        put_away(crane, 2, 52, "2")
        blocked(annex)
        master_check(gate)
        fault(loft)
        clamping(yard, 9, 17)
        yard.die()
        shoot(browser, url, folder / "board-six.png", wait_for=_until_five_live)
        shoot(browser, f"{url}?distance_m=3", folder / "board-six-at-3-m.png")
        shoot(browser, url, folder / "board-six-dark.png", scheme="dark")
        shoot(browser, url, folder / "board-six-phone.png", PHONE, "dark")


def main(folder: Path = FOLDER) -> None:
    """Make every picture anew."""
    folder.mkdir(exist_ok=True)
    with running_chromium() as browser:
        for pictures in (one_bench, six_benches):
            with running_mosquitto() as broker, running_board(broker.port) as board:
                pictures(browser, broker, board.url, folder)


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:2]))
