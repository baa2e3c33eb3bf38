"""The last sweeps that the board keeps of a bench: bounded, each once."""

import json

import pytest

from daemon.board.inbox import ClampingEvent
from daemon.board.sweeps import SWEEPS_KEPT, TEXT_MAX, Sweeps
from daemon.messages import SweepPoints
from tests.bench_events import clamping_event
from tests.daemon.test_board_shop import Hall, state


def heard(seq: int, **more: object) -> ClampingEvent:
    event = clamping_event("b1", seq, piece=seq, clamping=1, tir_um=2.1)
    data = event.data.model_copy(update=more)
    return ClampingEvent.model_validate(event.model_dump() | {"data": data.model_dump()})


def pieces(sweeps: Sweeps) -> list[int]:
    return [each["piece"] for each in json.loads(sweeps.json())]


def test_the_newest_are_kept_oldest_first_and_their_number_tells_that_one_came() -> None:
    sweeps = Sweeps()
    for seq in range(1, SWEEPS_KEPT + 4):
        sweeps.take(heard(seq))
    assert pieces(sweeps) == list(range(4, SWEEPS_KEPT + 4))
    assert sweeps.taken == SWEEPS_KEPT + 3


def test_an_event_that_comes_twice_is_one_sweep() -> None:
    sweeps = Sweeps()
    for seq in (1, 2, 1, 2, 3):
        sweeps.take(heard(seq))
    assert pieces(sweeps) == [1, 2, 3]


def test_a_sweep_larger_than_the_contract_allows_is_not_kept() -> None:
    points = SweepPoints(position="far", at_ms=[0.5] * 5000, um=[1.5] * 5000)
    sweeps = Sweeps()
    sweeps.take(heard(1, points=[points]))
    assert sweeps.taken == 0
    two = [
        SweepPoints(position=name, at_ms=[12345.5] * 200, um=[-123.45] * 200) for name in "ab"
    ]
    sweeps.take(heard(2, points=two))
    assert pieces(sweeps) == [2]
    assert len(sweeps.json()) < TEXT_MAX


def test_what_is_no_number_does_not_spoil_the_json() -> None:
    points = SweepPoints(position="far", at_ms=[0.0, float("nan")], um=[float("inf"), 1.5])
    sweeps = Sweeps()
    sweeps.take(heard(1, points=[points]))
    assert "NaN" not in sweeps.json()
    assert json.loads(sweeps.json())[0]["points"][0]["um"] == [None, 1.5]


@pytest.fixture
def hall() -> Hall:
    return Hall()


def test_viewers_of_the_hall_get_the_number_and_whoever_asks_gets_the_sweeps(
    hall: Hall,
) -> None:
    hall.hear("b1/link", "online")
    hall.hear("b1/state", state())
    assert hall.parts()["sweeps"] == 0
    hall.hear("b1/event/clamping", heard(1).model_dump_json())
    assert hall.parts()["sweeps"] == 1
    assert "points" not in json.dumps(hall.parts())
    found = hall.shop.sweeps("b1")
    assert found is not None
    assert json.loads(found)[0]["points"][0]["position"] == "far"
    assert hall.shop.sweeps("b2") is None
