"""A period found by sums is the one found by fits, to the last bit; and when none is sure."""

from random import Random

import numpy as np
import pytest
from numpy.typing import NDArray

from rules.own_period import own_period_ns
from rules.period_sums import PeriodSums
from rules.sweep import Sweep
from tests.rules.turned_sweeps import RULES, Reader, drawn_pin, steady

PERIOD = RULES["period"]
Array = NDArray[np.float64]


def swept(rng: Random) -> Sweep:
    """Return a sweep good and bad alike: periods beyond the range, noise above the run-out."""
    reader = Reader(rng, rng.uniform(8, 80), rng.choice((0, 50, 3_000)))
    pin = drawn_pin(rng, rng.uniform(500, 15_000), form=0.5)
    return reader.sweep(pin, steady(rng.uniform(1.8, 4.3), rng.uniform(-0.3, 0.3)), PERIOD)


def read(sweep: Sweep) -> tuple[Array, Array]:
    times = np.array(sweep.at_ns, dtype=np.float64) - sweep.at_ns[0]
    values = np.array(sweep.value_nm, dtype=np.float64)
    return times, values - values.mean()


def left(times: Array, values: Array, period_ns: float) -> float:
    """Return what a fit leaves, by numpy's own least squares and of sines as they stand."""
    angle = 2 * np.pi * times / period_ns
    columns = [np.ones_like(angle), *(f(k * angle) for k in (1, 2) for f in (np.cos, np.sin))]
    design = np.column_stack(columns)
    found = np.linalg.lstsq(design, values, rcond=None)[0]
    rest = values - design @ found
    return float(rest @ rest)


def test_the_best_of_some_periods_is_the_one_numpy_s_least_squares_leaves_least_at() -> None:
    rng, open_questions = Random(3), 0
    for _ in range(40):
        times, values = read(swept(rng))
        for width in (1.3, 1.03, 1.001):
            middle = rng.uniform(2.2e9, 3.5e9)
            periods = np.geomspace(middle / width, middle * width, 9)
            best = PeriodSums(times, values).best_of(periods)
            open_questions += best is None
            rests = [left(times, values, float(period)) for period in periods]
            assert best in (None, rests.index(min(rests)))
    assert open_questions <= 2


def test_a_period_found_by_sums_is_to_the_bit_the_one_found_by_fits_alone(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rng = Random(5)
    sweeps = [swept(rng) for _ in range(60)]
    by_sums = [own_period_ns(sweep, PERIOD) for sweep in sweeps]
    own_period_ns.cache_clear()
    monkeypatch.setattr(PeriodSums, "best_of", lambda _, __: None)
    assert [own_period_ns(sweep, PERIOD) for sweep in sweeps] == by_sums
    assert 20 < sum(period is not None for period in by_sums) < 60
    own_period_ns.cache_clear()


def test_two_periods_that_fit_alike_are_left_to_the_fits() -> None:
    times, values = read(swept(Random(1)))
    sums = PeriodSums(times, values)
    assert sums.best_of(np.array([2.4e9, 2.4e9 * (1 + 1e-13)])) is None
    assert sums.best_of(np.array([2.4e9, 2.4e9, 2.0e9])) is not None  # one and the same


def test_readings_at_too_few_places_are_left_to_the_fits() -> None:
    times = np.array([0.0] * 10 + [1e9] * 10 + [4e9] * 10)
    values = np.arange(30.0) - 14.5
    assert PeriodSums(times, values).best_of(np.geomspace(2e9, 3e9, 9)) is None


def test_a_wave_without_noise_is_left_to_the_fits_or_found() -> None:
    times = np.linspace(0, 6e9, 200)
    values = np.cos(2 * np.pi * times / 2.4e9)
    best = PeriodSums(times, values - values.mean()).best_of(np.array([2.3e9, 2.4e9, 2.5e9]))
    assert best in (None, 1)
