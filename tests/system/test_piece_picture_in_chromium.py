"""Pictures of pieces as a browser lays them out: nothing over the edge, no text on text."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

from daemon.picture.page import drawn
from daemon.picture.sheet import read_sheet
from daemon.store.read_only import reading_only
from daemon.store.stored import lots
from tests.chromium import open_page, running_chromium
from tests.daemon.measured import Bench, Shop, measured
from tests.daemon.odd_pieces import BY_SPEED, ODD, odd_shop

pytestmark = pytest.mark.system

_BOXES = """() => [...document.querySelectorAll('text')].map(node => {
    const box = node.getBoundingClientRect();
    return {text: node.textContent, left: box.left, right: box.right,
            top: box.top, bottom: box.bottom};
})"""

LONG = "MR-10-MED second delivery of the week, tray 3 of 4, heat-treated anew (see 12345)"

_SLACK_PX = 2.0
"""A box is as high as its font, letters are not."""


def written(shop: Shop, pieces: tuple[int, ...], folder: Path) -> list[Path]:
    found = []
    for number in pieces:
        with reading_only(shop.config.store_path) as db:
            sheet = read_sheet(db, lots(db)[0], number)
        assert sheet is not None
        found.append(folder / f"{number}.svg")
        found[-1].write_text(drawn(sheet), encoding="utf-8")
    return found


def overlap(one: dict[str, Any], other: dict[str, Any]) -> bool:
    wide = min(one["right"], other["right"]) - max(one["left"], other["left"])
    high = min(one["bottom"], other["bottom"]) - max(one["top"], other["top"])
    return bool(wide > _SLACK_PX and high > _SLACK_PX)


def faults(pictures: list[Path]) -> list[str]:
    found = []
    with running_chromium() as browser:
        for picture in pictures:
            with open_page(browser, picture.as_uri()) as page:
                boxes = page.evaluate(_BOXES)
                size = page.evaluate(
                    "() => { const box = document.documentElement.getBoundingClientRect();"
                    " return {right: box.right, bottom: box.bottom}; }"
                )
            assert len(boxes) > 20
            found += [
                f"{picture.name}: {box['text']!r} leaves the page"
                for box in boxes
                if box["left"] < 0 or box["top"] < 0
                or box["right"] > size["right"] or box["bottom"] > size["bottom"]
            ]  # fmt: skip
            found += [
                f"{picture.name}: {one['text']!r} lies on {other['text']!r}"
                for one, other in combinations(boxes, 2)
                if overlap(one, other)
            ]
    return found


def test_no_text_of_an_odd_piece_lies_on_another_or_leaves_the_page(
    bench_folder: Callable[..., Path], tmp_path: Path
) -> None:
    assert faults(written(odd_shop(bench_folder), ODD, tmp_path)) == []


def test_no_text_of_ordinary_pieces_does_either(
    bench_folder: Callable[..., Path], tmp_path: Path
) -> None:
    shop = measured(bench_folder(), 10, kind=Bench(cut="over-range"))
    assert faults(written(shop, (1, 2, 3, 4, 10), tmp_path)) == []


def test_nor_do_those_without_an_index(
    bench_folder: Callable[..., Path], tmp_path: Path
) -> None:
    assert faults(written(measured(bench_folder(BY_SPEED), 3), (1, 2, 3), tmp_path)) == []


def test_nor_do_long_names_and_many_grades(
    bench_folder: Callable[..., Path], tmp_path: Path
) -> None:
    bench_file = bench_folder(("projection_mm = 25", "projection_mm = 25.125"))
    rules = bench_file.with_name("mr-10-med.rules.toml")
    text = rules.read_text(encoding="utf-8")
    best, rest = text.split('[[grade]]\nid = "grade-2"')
    extra = "".join(
        f'[[grade]]\nid = "ordinary-after-a-second-heat-treatment-{n}"\nlimit_um = 4.{n}\n'
        f'clampings = 3\nbin = "{n}x"\n\n'
        for n in range(1, 4)
    )
    rules.write_text(best + extra + '[[grade]]\nid = "grade-2"' + rest, encoding="utf-8")
    bins = "".join(
        f'[[bench.bin]]\nid = "{n}x"\nshape = "{shape}"\n\n'
        for n, shape in enumerate(("cross", "triangle", "diamond"), start=1)
    )
    whole = bench_file.read_text(encoding="utf-8")
    bench_file.write_text(
        whole.replace("[bench.lot]", bins + "[bench.lot]", 1), encoding="utf-8"
    )
    shop = measured(bench_file, 6)
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        db.execute("UPDATE lots SET code = ?, article = ?, holder = ?", (LONG,) * 3)
    assert faults(written(shop, (1, 2, 3, 4, 5, 6), tmp_path)) == []
