"""The spindle against kinematics."""

from itertools import pairwise

import numpy as np
import pytest

from simulators.spindle import Drive, Spindle

MS = 1_000_000
S = 1000 * MS


def _turns(spindle: Spindle, until_ns: int, step_ns: int = MS) -> np.ndarray:
    return np.array([spindle.turns_at(at) for at in range(0, until_ns, step_ns)])


def test_a_spindle_that_was_never_switched_on_stands() -> None:
    spindle = Spindle(Drive(), turns=0.25)
    assert spindle.turns_at(5 * S) == 0.25
    assert not spindle.is_on
    assert not spindle.passes_index(0, 100 * S)


def test_run_up_from_rest_covers_half_of_what_full_speed_would() -> None:
    # Uniform acceleration: s = v·t/2.
    spindle = Spindle(Drive(period_s=2.0, run_up_s=1.0)).switched_on(0)
    assert spindle.turns_at(S) == pytest.approx(0.25)
    assert spindle.turns_at(S // 2) == pytest.approx(0.0625)
    assert spindle.turns_at(3 * S) == pytest.approx(1.25)


def test_it_runs_down_to_rest_and_stays_there() -> None:
    spindle = Spindle(Drive(period_s=2.0, run_up_s=0.0, run_down_s=0.5)).switched_on(0)
    stopped = spindle.switched_off(4 * S)
    assert stopped.turns_at(4 * S + S // 2) == pytest.approx(2.0 + 0.125)
    assert stopped.turns_at(60 * S) == pytest.approx(2.125)
    assert not stopped.is_on


def test_switched_off_before_it_was_up_it_brakes_at_the_same_rate() -> None:
    drive = Drive(period_s=2.0, run_up_s=1.0, run_down_s=1.0)
    stopped = Spindle(drive).switched_on(0).switched_off(S // 2)
    # A quarter turn a second is reached; braking takes as long as getting there did.
    assert stopped.turns_at(S) == pytest.approx(2 * 0.0625)
    assert stopped.turns_at(9 * S) == pytest.approx(2 * 0.0625)


def test_it_starts_again_from_the_angle_where_it_stands() -> None:
    first = Spindle(Drive()).switched_on(0).switched_off(7 * S)
    rest = first.turns_at(20 * S)
    again = first.switched_on(20 * S)
    assert again.turns_at(20 * S) == pytest.approx(rest)
    assert again.turns_at(30 * S) > rest + 3


def test_the_index_passes_once_a_turn_at_the_period() -> None:
    spindle = Spindle(Drive(period_s=2.4, run_up_s=0.6), index_at=0.37).switched_on(0)
    passes = [at for at in range(0, 60 * S, 10 * MS) if spindle.passes_index(at - 10 * MS, at)]
    gaps_s = [(later - earlier) / S for earlier, later in pairwise(passes)]
    assert len(passes) == 25
    assert gaps_s == pytest.approx([2.4] * 24, abs=0.011)


def test_ripple_swings_the_speed_within_each_turn_and_keeps_the_period() -> None:
    spindle = Spindle(Drive(period_s=2.4, run_up_s=0.0, ripple=0.1)).switched_on(0)
    speed = np.diff(_turns(spindle, 24 * S)) * 1000 * 2.4
    assert speed.max() == pytest.approx(1.1, abs=0.002)
    assert speed.min() == pytest.approx(0.9, abs=0.002)
    assert spindle.turns_at(24 * S) == pytest.approx(10.0)


def test_the_angle_never_falls() -> None:
    spindle = Spindle(Drive(ripple=0.5)).switched_on(0).switched_off(9 * S)
    assert np.all(np.diff(_turns(spindle, 12 * S)) >= 0)
