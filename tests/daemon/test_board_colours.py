"""The page's colours: contrast of 7:1 for every text on its ground, in light and in dark.

axe-core asks less of large type, and on the wall all type is large; a workshop has glare, so
the board asks 7:1 of all. The formula is WCAG 2.2's (relative luminance, contrast ratio).
"""

import re

import pytest

from daemon.board.server import STATIC

TEXT_ON_GROUND = [
    ("ink", "paper"),
    ("ink", "card"),
    ("soft", "card"),
    ("soft", "paper"),
    ("on-run", "run"),
    ("on-act", "act"),
    ("on-warn", "warn"),
    ("on-stop", "stop"),
    ("on-idle", "idle"),
]
SHAPE_ON_GROUND = [("act", "card"), ("rule", "card"), ("rule", "paper"), ("soft", "hatch-a")]
"""WCAG 1.4.11: 3:1 for what must be told apart without being read."""


def schemes() -> dict[str, dict[str, str]]:
    text = (STATIC / "colours.css").read_text(encoding="utf-8")
    light, dark = text.split("@media (prefers-color-scheme: dark)")
    found = {
        name: dict(re.findall(r"--([\w-]+): (#\w{6});", part))
        for name, part in (("light", light), ("dark", dark))
    }
    assert found["light"].keys() == found["dark"].keys()
    return found


def contrast(one: str, other: str) -> float:
    brighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def luminance(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_formula_gives_the_standards_own_extremes() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # just below 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("text", "ground"), TEXT_ON_GROUND)
def test_text_has_a_contrast_of_seven(scheme: str, text: str, ground: str) -> None:
    colours = schemes()[scheme]
    assert contrast(colours[text], colours[ground]) >= 7.0


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("shape", "ground"), SHAPE_ON_GROUND)
def test_a_shape_has_a_contrast_of_three(scheme: str, shape: str, ground: str) -> None:
    colours = schemes()[scheme]
    assert contrast(colours[shape], colours[ground]) >= 3.0


@pytest.mark.parametrize("sheet", ["board.css", "bench.css", "near.css"])
def test_every_colour_has_a_name(sheet: str) -> None:
    text = (STATIC / sheet).read_text(encoding="utf-8")
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[;\s,)])|\b(?:rgb|hsl|oklch)a?\(", text) == []


def test_no_bin_is_red() -> None:
    text = (STATIC / "bench.css").read_text(encoding="utf-8")
    of_bins = [line for line in text.splitlines() if re.match(r"\.(bin|badge|lamp)", line)]
    assert of_bins
    assert [line for line in of_bins if "--stop" in line] == []
