"""What recognise makes of streams written out by hand: see the heads of the files."""

from pathlib import Path

import pytest

from daemon.recognise.judge import recognise
from tests.hand_made_streams import HandMade, load_streams

DATA = Path(__file__).parents[1] / "data"
FILES = ("streams.toml", "streams_unseen.toml", "streams_unseen_more.toml")
STREAMS = [stream for name in FILES for stream in load_streams(DATA / name)]


@pytest.mark.parametrize("stream", STREAMS, ids=[stream.name for stream in STREAMS])
def test_the_stream_is_taken_for_what_it_is(stream: HandMade) -> None:
    mark, why = stream.mark(recognise(stream.sample))
    assert mark == "hit", why


def test_there_are_enough_streams_and_some_are_of_no_indicator() -> None:
    assert len(STREAMS) >= 100
    assert sum(stream.driver is None for stream in STREAMS) >= 20


@pytest.mark.parametrize("stream", STREAMS, ids=[stream.name for stream in STREAMS])
def test_no_part_of_a_stream_is_taken_for_something_else_with_certainty(
    stream: HandMade,
) -> None:
    """A few frames may tell less; what is said of them must not be another value."""
    finding = recognise(stream.first(8).sample)
    if finding is None or finding.sureness == "a guess":
        return
    assert stream.driver is not None
    readings = finding.outcome.readings
    got = [reading.value_nm for reading in readings]
    says = stream.first(8).says
    assert got in (says[: len(got)], says[1 : len(got) + 1])
