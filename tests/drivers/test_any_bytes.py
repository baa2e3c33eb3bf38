"""Whatever comes down the wire: hypothesis against every declared driver's specimens."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.conformance import Specimen
from drivers.conformance.memory import held_bytes
from drivers.conformance.trial import Trial
from drivers.contract import MAX_FRAME_BYTES
from rules.reading import Reading
from tests.drivers.test_conformance import SPECIMENS

MOST_HELD_BYTES = 8 * MAX_FRAME_BYTES
every_specimen = pytest.mark.parametrize(
    "specimen",
    [specimen for _, specimen in SPECIMENS],
    ids=[specimen.name for _, specimen in SPECIMENS],
)


def pieces(specimen: Specimen) -> st.SearchStrategy[bytes]:
    """Bytes from nowhere, parts of good frames, and the frames' own bytes in any order."""
    letters = sorted({byte for frame in specimen.golden for byte in frame.raw})
    whole = st.sampled_from([frame.raw for frame in specimen.golden])
    part = st.builds(
        lambda raw, start, stop: raw[start % len(raw) : stop % (len(raw) + 1)],
        whole,
        st.integers(0, 300),
        st.integers(0, 300),
    )
    own = st.lists(st.sampled_from(letters), max_size=40).map(bytes)
    return st.one_of(st.binary(max_size=40), part, own, whole)


def steps(specimen: Specimen) -> st.SearchStrategy[list[bytes | None]]:
    """Chunks that arrive, and timeouts (None) in between."""
    return st.lists(st.one_of(pieces(specimen), st.none()), max_size=30)


def go(trial: Trial, taken: list[bytes | None]) -> None:
    for step in taken:
        if step is None:
            trial.time_out()
        else:
            trial.feed(step)
        trial.driver.next_request()


@every_specimen
def test_nothing_raises_and_little_is_held(specimen: Specimen) -> None:
    @settings(max_examples=150, deadline=None)
    @given(steps(specimen))
    def check(taken: list[bytes | None]) -> None:
        trial = Trial(specimen)
        before = held_bytes(trial.driver)
        go(trial, taken)
        assert held_bytes(trial.driver) - before <= MOST_HELD_BYTES

    check()


@every_specimen
def test_the_second_good_frame_after_anything_is_read(specimen: Specimen) -> None:
    first, second, third = specimen.three()

    @settings(max_examples=150, deadline=None)
    @given(steps(specimen))
    def check(taken: list[bytes | None]) -> None:
        trial = Trial(specimen)
        go(trial, taken)
        trial.time_out()
        trial.results.clear()
        trial.answer(first.raw, second.raw, third.raw)
        assert trial.readings[-2:] == [second.says, third.says]

    check()


@every_specimen
def test_the_borders_of_chunks_never_matter(specimen: Specimen) -> None:
    @settings(max_examples=150, deadline=None)
    @given(st.lists(pieces(specimen), max_size=20), st.lists(st.integers(1, 50), min_size=1))
    def check(parts: list[bytes], sizes: list[int]) -> None:
        stream = b"".join(parts)
        whole = Trial(specimen)
        whole.feed(stream)
        cut = Trial(specimen)
        at = turn = 0
        while at < len(stream):
            size = sizes[turn % len(sizes)]
            cut.feed(stream[at : at + size])
            at, turn = at + size, turn + 1
        assert cut.results == whole.results

    check()


@every_specimen
def test_good_frames_in_any_order_are_read_in_that_order(specimen: Specimen) -> None:
    numbers = st.integers(0, len(specimen.good) - 1)

    @settings(max_examples=100, deadline=None)
    @given(st.lists(numbers, max_size=20))
    def check(order: list[int]) -> None:
        trial = Trial.primed(specimen)
        frames = [specimen.good[number] for number in order]
        trial.answer(*(frame.raw for frame in frames))
        expected: list[Reading | None] = [frame.says for frame in frames]
        assert trial.results == expected

    check()
