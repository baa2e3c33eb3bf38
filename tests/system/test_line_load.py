"""Saturated lines on one core: nothing lost, and soon enough."""

import pytest

from tests.line_load import BYTES_PER_S, FRAME_BYTES, SECONDS, measure

pytestmark = pytest.mark.long


@pytest.mark.parametrize("lines", [1, 16, 64])
def test_saturated_lines_lose_nothing_and_are_read_within_30_ms(lines: int) -> None:
    load = measure(lines)
    assert load.frames == SECONDS * BYTES_PER_S // FRAME_BYTES
    assert load.lost == 0
    assert len(load.latency_ms) == lines * load.frames
    assert load.at(0.99) <= 30.0
    assert load.cpu_share < 0.9
