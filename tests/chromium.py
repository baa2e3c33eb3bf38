"""Debian's Chromium under Playwright, with a fresh profile and nothing but loopback."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-quic",
    "--no-first-run",
]

Scheme = Literal["dark", "light"]


@contextmanager
def running_chromium() -> Iterator[Browser]:
    """Run a headless Chromium; skip the test, naming what is missing, if there is none."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is missing (Debian: apt install chromium)")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=QUIET)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def open_page(
    browser: Browser,
    url: str,
    size: tuple[int, int] = (1920, 1080),
    scheme: Scheme = "light",
) -> Iterator[Page]:
    """Open a page on a screen of this size in CSS px; a fault in its script fails the test."""
    width, height = size
    context = browser.new_context(
        viewport={"width": width, "height": height},
        screen={"width": width, "height": height},
        color_scheme=scheme,
        timezone_id="Europe/Berlin",
    )
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(url)
    try:
        yield page
        assert faults == []
    finally:
        context.close()
