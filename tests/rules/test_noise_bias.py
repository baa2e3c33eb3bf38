"""What noise and step add to a TIR, against tables of the expected range and of sampling."""

from random import Random

import pytest

from rules.noise_bias import expected_excess_nm
from rules.run_out import evaluate
from tests.rules.turned_sweeps import RULES, Reader, drawn_pin, steady

# d2: the expected range of n normal values in standard deviations. The usual table of
# control-chart constants (ASTM, from memory), agreeing with an integration.
D2 = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078}


@pytest.mark.parametrize(("samples", "d2"), D2.items())
def test_without_run_out_it_is_the_published_range_of_noise(samples: int, d2: float) -> None:
    noise_nm = 10_000
    excess_nm = expected_excess_nm(0, noise_nm, 1, samples, turns=1)
    assert excess_nm / noise_nm == pytest.approx(d2, abs=0.0006)


@pytest.mark.parametrize(("samples", "mean"), [(8, 0.974495), (12, 0.988616), (24, 0.997147)])
def test_without_noise_it_is_what_sampling_loses_on_average(samples: int, mean: float) -> None:
    # sin(π/N)/(π/N): closed form for an eccentricity alone and even steps.
    excess_nm = expected_excess_nm(8_000, 0, 10, samples, turns=1)
    assert 1 + excess_nm / 8_000 == pytest.approx(mean, abs=0.0004)


def test_a_step_coarser_than_the_noise_neither_adds_nor_takes_on_average() -> None:
    # The crest lies anywhere between two values shown, and so does the trough.
    assert abs(expected_excess_nm(8_000, 10, 1_000, 200, turns=1)) < 30


def test_noise_reads_higher_by_more_readings_and_by_more_turns() -> None:
    few = expected_excess_nm(8_000, 100, 100, 24, turns=1)
    many = expected_excess_nm(8_000, 100, 100, 200, turns=1)
    turns = expected_excess_nm(8_000, 100, 100, 24, turns=2)
    assert few < many
    assert few < turns


@pytest.mark.parametrize(("noise_nm", "step_nm"), [(100, 100), (50, 500)])
def test_it_is_what_clampings_read_high_on_average(noise_nm: int, step_nm: int) -> None:
    rng = Random(noise_nm)
    errors = []
    for _ in range(60):
        pin = drawn_pin(rng, rng.uniform(7_000, 9_000), form=0.0)
        reader = Reader(rng, noise_nm=noise_nm, step_nm=step_nm, index_at=rng.random())
        found = evaluate(reader.sweep(pin, steady(), RULES["index"]), RULES["index"])
        assert found.tir_nm is not None
        errors.append(found.tir_nm - pin.tir_nm)
    spread = (sum(e * e for e in errors) / len(errors)) ** 0.5 / len(errors) ** 0.5
    expected = expected_excess_nm(8_000, noise_nm, step_nm, 48, turns=2)
    assert sum(errors) / len(errors) == pytest.approx(expected, abs=3 * spread + 5)
