"""The readings of a clamping as stored: what goes in comes out, and how much room it takes."""

import json
import math
import random
import zlib
from itertools import accumulate
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.store import sweep_blob
from rules.clamping import PositionRunOut
from rules.sweep import Cut, RunOut, Sweep

NOTHING = RunOut(None, None)

values = st.integers(-(10**18), 10**18)
times = st.lists(st.integers(0, 10**18), max_size=40).map(sorted)


@st.composite
def sweeps(draw: st.DrawFn) -> Sweep:
    at_ns = draw(times)
    value_nm = draw(st.lists(values, min_size=len(at_ns), max_size=len(at_ns)))
    index_ns = draw(st.lists(st.integers(0, 10**18), max_size=5).map(sorted))
    cut = draw(st.none() | st.sampled_from(get_args(Cut)))
    angle_udeg = draw(st.just([]) | st.lists(st.integers(0, 360_000_000), max_size=40))
    second_ns = draw(st.just([]) | st.lists(st.integers(0, 10**18), max_size=5).map(sorted))
    index = tuple(index_ns)
    return Sweep(tuple(at_ns), tuple(value_nm), index, cut, tuple(angle_udeg), tuple(second_ns))


names = st.text(st.characters(codec="utf-8"), max_size=20)
places = st.builds(PositionRunOut, names, names, sweeps(), st.just(NOTHING))


@settings(deadline=None)
@given(st.lists(places, max_size=3))
def test_every_sweep_comes_back_as_it_was(positions: list[PositionRunOut]) -> None:
    expected = [(p.indicator, p.position, p.sweep) for p in positions]
    assert sweep_blob.decode(sweep_blob.encode(positions)) == expected


@settings(deadline=None)
@given(st.lists(places, max_size=2))
def test_the_same_sweep_makes_the_same_bytes(positions: list[PositionRunOut]) -> None:
    assert sweep_blob.encode(positions) == sweep_blob.encode(list(positions))


def test_anybody_reads_it_without_our_code() -> None:
    """As the module's text promises: a byte of version, then zlib over JSON of differences."""
    place = PositionRunOut("IND-21", "far", Sweep((10, 15, 25), (5, 7, 4), (12,)), NOTHING)
    blob = sweep_blob.encode([place])
    assert blob[0] == 1
    (track,) = json.loads(zlib.decompress(blob[1:]))
    assert track["indicator"] == "IND-21"
    assert list(accumulate(track["at_ns"])) == [10, 15, 25]
    assert list(accumulate(track["value_nm"])) == [5, 7, 4]
    assert [track["at_ns"][0] + at for at in track["index_ns"]] == [12]


@pytest.mark.parametrize("blob", [b"", b"\x03rest", b"\x00"])
def test_a_version_nobody_knows_is_refused_by_its_number(blob: bytes) -> None:
    with pytest.raises(ValueError, match=f"sweep of version {blob[:1].hex() or 'none'}"):
        sweep_blob.decode(blob)


def _swept(seconds: float, per_second: int, channels: int, seed: int) -> list[PositionRunOut]:
    """Readings as a bench takes them: run-out 4 µm, noise 0.1 µm, jittered arrivals."""
    random_ = random.Random(seed)
    found = []
    for channel in range(channels):
        count = round(seconds * per_second)
        start_ns = 7_000_000_000_000
        at_ns = sorted(
            start_ns + round(i / per_second * 1e9) + random_.randrange(2_000_000)
            for i in range(count)
        )
        value_nm = tuple(
            round(random_.gauss(2_000 * math.sin(i / per_second * 2.6), 100), -2)
            for i in range(count)
        )
        index = tuple(start_ns + round(turn * 2.4e9) for turn in range(3))
        sweep = Sweep(tuple(at_ns), tuple(map(int, value_nm)), index)
        found.append(PositionRunOut(f"IND-{channel}", f"at-{channel}", sweep, NOTHING))
    return found


@pytest.mark.parametrize(
    ("what", "seconds", "per_second", "channels", "bytes_max"),
    [
        ("two turns at 20 readings a second", 4.8, 20, 1, 800),
        ("two turns at 100 readings a second", 4.8, 100, 1, 3_600),
        ("two indicators at 20", 4.8, 20, 2, 1_600),
    ],
)
def test_a_clamping_takes_seven_bytes_a_reading_at_most(
    what: str, seconds: float, per_second: int, channels: int, bytes_max: int
) -> None:
    blob = sweep_blob.encode(_swept(seconds, per_second, channels, seed=11))
    readings = round(seconds * per_second) * channels
    print(f"{what}: {readings} readings, {len(blob)} bytes, {len(blob) / readings:.1f} each")
    assert len(blob) < bytes_max
