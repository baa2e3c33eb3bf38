"""A state changed by ``evolve`` is what ``dataclasses.replace`` makes of it."""

from dataclasses import FrozenInstanceError, fields, replace
from typing import Any

import pytest

from rules.bench_model import BenchState
from rules.capture_model import CaptureState, Track
from rules.cycle import CycleState
from rules.evolve import evolve

STATES = [BenchState(), CaptureState(), CycleState(), Track()]


@pytest.mark.parametrize("state", STATES, ids=lambda state: type(state).__name__)
def test_every_field_is_changed_as_the_standard_library_does(state: Any) -> None:
    before = replace(state)
    for field in fields(state):
        changed = evolve(state, **{field.name: "another"})
        assert changed == replace(state, **{field.name: "another"})
        assert changed != state
        assert evolve(changed, **{field.name: getattr(state, field.name)}) == state
    assert state == before


@pytest.mark.parametrize("state", STATES, ids=lambda state: type(state).__name__)
def test_what_comes_out_is_frozen_and_nothing_was_left_out(state: Any) -> None:
    changed = evolve(state)
    assert type(changed) is type(state)
    assert not hasattr(state, "__post_init__")  # which ``evolve`` would not call
    assert set(vars(changed)) == {field.name for field in fields(state)}
    with pytest.raises(FrozenInstanceError):
        setattr(changed, fields(state)[0].name, None)
