"""Make README's pictures into .pictures/: `python -m tests.make_pictures [FOLDER]`.

A real mosquitto, the real board and Chromium. North and Crane bench are a real service that
works the demo's scripted shift; where six benches are seen, the other four are publishers of
the contract: states that one shift has at no one moment, and two cores have their limits.
"""

import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from playwright.sync_api import Browser

from tests.bench_publisher import BenchPublisher, publishing
from tests.bench_scenes import blocked, clamping, fault, order_filled
from tests.chromium import Scheme, open_page, running_chromium
from tests.shift_pictures import (
    HALL,
    PHONE,
    SIX,
    ShiftAtWork,
    close_up,
    one_bench,
    shift_at_work,
)

FOLDER = Path(__file__).parent.parent / ".pictures"
OTHERS = {"b3": "Annex bench", "b4": "Gate bench", "b5": "Loft bench", "b6": "Yard bench"}


@contextmanager
def benches(port: int) -> Iterator[list[BenchPublisher]]:
    with ExitStack() as stack:
        yield [
            stack.enter_context(publishing(port, name, title, is_forgotten=True))
            for name, title in OTHERS.items()
        ]


def six_benches(browser: Browser, work: ShiftAtWork, folder: Path) -> None:
    """Take the pictures of the hall: two benches work the shift, the others are publishers."""
    with benches(work.stage.broker_port) as (annex, gate, loft, yard):
        blocked(annex)
        order_filled(gate)
        fault(loft)
        clamping(yard, 9, 17)
        yard.die()

        def shoot(
            name: str, query: str = "", size: tuple[int, int] = HALL, scheme: Scheme = "light"
        ) -> None:
            with open_page(browser, work.url + query, size, scheme) as page:
                work.catch(page, SIX, folder / name, is_whole=size == PHONE)

        shoot("board-six.png")
        shoot("board-six-at-3-m.png", "?distance_m=3")
        shoot("board-six-dark.png", scheme="dark")
        shoot("board-six-phone.png", size=PHONE, scheme="dark")


def main(folder: Path = FOLDER) -> None:
    """Make every picture anew."""
    folder.mkdir(exist_ok=True)
    with running_chromium() as browser, shift_at_work() as work:
        one_bench(browser, work, folder)
        six_benches(browser, work, folder)
        close_up(browser, work, folder)
        work.ends_well()


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
