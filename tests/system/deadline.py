"""Waiting for a condition, never blindly."""

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

POLL_S = 0.02


def until(found: Callable[[], T | None], why: str, within_s: float = 30.0) -> T:
    """Return the first true value of ``found``; fail with ``why`` if none comes in time."""
    deadline = time.monotonic() + within_s
    while True:
        value = found()
        if value:
            return value
        assert time.monotonic() < deadline, f"not within {within_s:g} s: {why}"
        time.sleep(POLL_S)
