"""The one module that reads the clocks."""

import time
from datetime import UTC, datetime, timedelta, timezone

import pytest

from daemon.clock import SystemClock, boot_id, rfc3339


def test_intervals_run_at_the_rate_and_never_backwards() -> None:
    clock = SystemClock(rate=50.0)
    start, real = clock.now_ns(), time.monotonic_ns()
    seen = [clock.now_ns() for _ in range(200)]
    time.sleep(0.05)
    passed, real_passed = clock.now_ns() - start, time.monotonic_ns() - real
    assert seen == sorted(seen)
    assert passed == pytest.approx(50 * real_passed, rel=0.05)


def test_in_production_they_are_the_machines_own() -> None:
    clock = SystemClock()
    before, now, after = time.monotonic_ns(), clock.now_ns(), time.monotonic_ns()
    assert before <= now <= after


def test_the_time_of_day_is_never_scaled() -> None:
    clock = SystemClock(rate=1000.0)
    time.sleep(0.01)
    assert abs(clock.utc() - datetime.now(UTC)) < timedelta(seconds=1)
    assert clock.utc().tzinfo is UTC


def test_whether_it_is_right_is_said_in_one_of_three_words() -> None:
    assert SystemClock().synced() in ("yes", "no", "unknown")


def test_a_boot_has_one_id() -> None:
    assert boot_id() == boot_id() != ""


@pytest.mark.parametrize(
    ("at", "text"),
    [
        (datetime(2026, 3, 29, 0, 59, 59, 999_999, UTC), "2026-03-29T00:59:59.999Z"),
        (datetime(2026, 1, 2, 3, 4, 5, 0, UTC), "2026-01-02T03:04:05.000Z"),
        (
            datetime(2026, 3, 29, 3, 0, tzinfo=timezone(timedelta(hours=2))),
            "2026-03-29T01:00:00.000Z",
        ),
    ],
    ids=["cut, not rounded into the next second", "always with milliseconds", "in UTC"],
)
def test_a_time_is_written_as_rfc_3339_in_utc_with_milliseconds(
    at: datetime, text: str
) -> None:
    assert rfc3339(at) == text
