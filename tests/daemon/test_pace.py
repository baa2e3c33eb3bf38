"""Time stamps of readings that came in one chunk."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.pace import Pace

MS = 1_000_000

arrivals = st.lists(
    st.tuples(st.integers(1, 10**10), st.integers(0, 30)), min_size=1, max_size=60
)
"""Nanoseconds since the last chunk, and readings in this one: a nanosecond each at least."""


def stamped(chunks: list[tuple[int, int]]) -> list[tuple[int, list[int]]]:
    pace, now_ns, found = Pace(), 10**12, []
    for wait_ns, count in chunks:
        now_ns += wait_ns + count
        found.append((now_ns, pace.stamps(now_ns, count)))
    return found


@given(arrivals)
def test_stamps_ascend_over_all_chunks_and_none_is_given_twice(
    chunks: list[tuple[int, int]],
) -> None:
    every = [stamp for _, stamps in stamped(chunks) for stamp in stamps]
    assert all(earlier < later for earlier, later in pairwise(every))


@given(arrivals)
def test_the_last_reading_of_a_chunk_has_the_chunks_own_time(
    chunks: list[tuple[int, int]],
) -> None:
    for at_ns, stamps in stamped(chunks):
        assert stamps[-1:] in ([], [at_ns])


@given(arrivals)
def test_a_chunk_gets_as_many_stamps_as_it_has_readings(chunks: list[tuple[int, int]]) -> None:
    found = stamped(chunks)
    assert [len(stamps) for _, stamps in found] == [count for _, count in chunks]


@given(arrivals)
def test_the_same_arrivals_give_the_same_stamps(chunks: list[tuple[int, int]]) -> None:
    assert stamped(chunks) == stamped(chunks)


@pytest.mark.parametrize("per_chunk", [1, 2, 5, 20])
def test_readings_of_a_steady_line_are_spread_at_its_pace(per_chunk: int) -> None:
    """20 readings a second, however many a chunk holds: 50 ms between any two."""
    chunks = [(50 * MS * per_chunk - per_chunk, per_chunk)] * 30
    every = [stamp for _, stamps in stamped(chunks)[5:] for stamp in stamps]
    apart = [later - earlier for earlier, later in pairwise(every)]
    assert all(abs(gap - 50 * MS) < MS for gap in apart)


def test_after_a_pause_of_the_machine_what_gathered_is_spread_at_the_known_pace() -> None:
    steady, stall = [(50 * MS - 1, 1)] * 20, [(200 * MS, 4)]
    _, stamps = stamped([*steady, *stall])[-1]
    apart = [later - earlier for earlier, later in pairwise(stamps)]
    assert all(abs(gap - 50 * MS) < 2 * MS for gap in apart)


def test_a_silence_of_the_operator_does_not_slow_the_pace() -> None:
    steady, silence = [(50 * MS - 1, 1)] * 20, [(10_000 * MS, 1)]
    _, stamps = stamped([*steady, *silence, (100 * MS, 2)])[-1]
    assert abs(stamps[1] - stamps[0] - 50 * MS) < 2 * MS


def test_a_burst_at_the_opening_is_not_taken_for_the_pace_for_ever() -> None:
    """Buffered frames come microseconds apart; then the line talks at its own pace."""
    burst, steady, stall = [(20_000, 1)] * 3, [(50 * MS, 1)] * 20, [(200 * MS, 4)]
    _, stamps = stamped([*burst, *steady, *stall])[-1]
    apart = [later - earlier for earlier, later in pairwise(stamps)]
    assert all(abs(gap - 50 * MS) < 5 * MS for gap in apart)


def test_a_line_that_becomes_slower_is_followed() -> None:
    fast, slow = [(10 * MS, 1)] * 20, [(100 * MS, 1)] * 10
    _, stamps = stamped([*fast, *slow, (200 * MS, 2)])[-1]
    assert abs(stamps[1] - stamps[0] - 100 * MS) < 5 * MS


def test_a_line_that_becomes_faster_is_followed_at_once() -> None:
    slow, fast = [(100 * MS, 1)] * 10, [(100 * MS, 10)]
    _, stamps = stamped([*slow, *fast])[-1]
    apart = [later - earlier for earlier, later in pairwise(stamps)]
    assert all(abs(gap - 10 * MS) < MS for gap in apart)
