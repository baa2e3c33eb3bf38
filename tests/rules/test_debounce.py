"""A contact's samples become edges that can be believed."""

from collections.abc import Iterable, Sequence
from itertools import pairwise
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.debounce import (
    HELD_AT_START,
    HELD_TOO_LONG,
    UNSTEADY,
    Contact,
    ContactRules,
    Doubted,
    News,
    Trusted,
    Turned,
    step,
)

MS = 1_000_000
RULES = ContactRules(steady_ns=30 * MS, ignore_ns=1000 * MS, held_ns=10_000 * MS)
MAY_REST = ContactRules(steady_ns=30 * MS, ignore_ns=1000 * MS, held_ns=None)


def heard(levels: Iterable[bool], rules: ContactRules = RULES, every_ms: int = 5) -> list[News]:
    """Return the news of samples taken every so often, from time 0."""
    state = Contact()
    found: list[News] = []
    for number, level in enumerate(levels):
        state, news = step(state, level, number * every_ms * MS, rules)
        found += news
    return found


def levels(*spans: tuple[bool, int], every_ms: int = 5) -> list[bool]:
    """Return samples of levels that last so many milliseconds each."""
    return [level for level, ms in spans for _ in range(ms // every_ms)]


QUIET_START = (False, 1100)


def test_a_press_is_two_edges_that_date_from_when_the_levels_began() -> None:
    found = heard(levels(QUIET_START, (True, 300), (False, 500)))
    assert found == [Turned(True, 1100 * MS), Turned(False, 1400 * MS)]


@pytest.mark.parametrize("spark_ms", [5, 10, 15, 20, 25])
def test_a_spark_shorter_than_the_steady_time_is_no_edge(spark_ms: int) -> None:
    assert heard(levels(QUIET_START, (True, spark_ms), (False, 500))) == []


def test_bounce_at_either_end_of_a_press_gives_one_edge_each() -> None:
    bounce = [(True, 5), (False, 5), (True, 10), (False, 5)]
    unbounce = [(False, 5), (True, 10), (False, 5), (True, 5)]
    found = heard(levels(QUIET_START, *bounce, (True, 400), *unbounce, (False, 500)))
    assert found == [Turned(True, 1125 * MS), Turned(False, 1550 * MS)]


def test_edges_of_the_first_second_are_ignored() -> None:
    assert (
        heard(levels((False, 200), (True, 300), (False, 300), (True, 150), (False, 900))) == []
    )


def test_a_switch_held_at_the_start_is_doubted_and_was_never_pressed() -> None:
    found = heard(levels((True, 1500), (False, 500), (True, 200), (False, 500)))
    assert found == [
        Doubted(HELD_AT_START, 1000 * MS),
        Turned(False, 1500 * MS),
        Trusted(1530 * MS),
        Turned(True, 2000 * MS),
        Turned(False, 2200 * MS),
    ]


def test_a_contact_that_may_rest_closed_is_told_as_closed_at_the_start() -> None:
    found = heard(levels((True, 1500), (False, 500)), MAY_REST)
    assert found == [Turned(True, 1000 * MS), Turned(False, 1500 * MS)]


def test_a_switch_held_too_long_is_doubted_once_and_trusted_again_when_it_opens() -> None:
    found = heard(levels(QUIET_START, (True, 12_000), (False, 500)))
    assert found == [
        Turned(True, 1100 * MS),
        Doubted(HELD_TOO_LONG, 11_100 * MS),
        Turned(False, 13_100 * MS),
        Trusted(13_130 * MS),
    ]


def test_a_contact_that_may_rest_closed_is_never_held_too_long() -> None:
    found = heard(levels(QUIET_START, (True, 60_000)), MAY_REST)
    assert found == [Turned(True, 1100 * MS)]


def test_a_floating_line_gives_no_edges_and_is_told_as_flickering() -> None:
    flicker = [(number % 4 < 2, 10) for number in range(400)]  # 10 ms halves: 50 Hz hum
    found = heard(levels(QUIET_START, *flicker, (False, 500)))
    assert [type(news) for news in found] == [Doubted, Trusted]
    assert isinstance(found[0], Doubted)
    assert found[0].why == UNSTEADY
    assert 3_000 * MS <= found[0].at_ns <= 3_200 * MS


def test_a_bouncing_press_does_not_restart_the_time_it_was_held() -> None:
    worn = [(True, 2000), (False, 10)] * 6
    found = heard(levels(QUIET_START, *worn))
    assert Doubted(HELD_TOO_LONG, 11_100 * MS) in found


def test_samples_that_come_late_still_need_two_of_the_same_level() -> None:
    state, news = step(Contact(opened_ns=0, is_closed=False), True, 5_000 * MS, RULES)
    assert news == ()
    _, news = step(state, True, 5_200 * MS, RULES)
    assert news == (Turned(True, 5_000 * MS),)


def runs(draw_lengths: Sequence[int]) -> list[bool]:
    level, found = False, [False] * 220
    for length in draw_lengths:
        level = not level
        found += [level] * length
    return found


@given(st.lists(st.integers(1, 40), max_size=60))
def test_edges_alternate_and_each_level_lasted_the_steady_time(lengths: list[int]) -> None:
    found = [news for news in heard(runs(lengths)) if isinstance(news, Turned)]
    expected = True
    for edge in found:
        assert edge.is_closed == expected
        expected = not expected
    for earlier, later in pairwise(found):
        assert later.at_ns - earlier.at_ns >= RULES.steady_ns


@given(st.lists(st.integers(7, 40), max_size=40))
def test_clean_levels_come_through_exactly(lengths: list[int]) -> None:
    """Seven samples span 30 ms: every level that long is told, at the time it began."""
    samples = runs([*lengths, 40])
    found = [news for news in heard(samples) if isinstance(news, Turned)]
    changes = [n for n in range(1, len(samples)) if samples[n] != samples[n - 1]]
    assert [edge.at_ns for edge in found] == [n * 5 * MS for n in changes]


@pytest.mark.parametrize("seed", range(20))
def test_random_sparks_on_a_resting_line_never_become_edges(seed: int) -> None:
    rng = Random(seed)
    samples = [False] * 220
    for _ in range(100):
        samples += [True] * rng.randint(1, 6) + [False] * rng.randint(7, 60)
    assert not any(isinstance(news, Turned) for news in heard(samples))
