"""Consumer's and producer's risk: JCGM 106's worked examples, other integrators, counting."""

import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from rules.lot_prior import normal_prior, own_run_out_prior
from rules.risk import (
    Interval,
    ReadingError,
    conformance_probability,
    from_expanded,
    global_risks,
    guard_band_um,
    specific_consumers_risk,
)
from rules.scatter_model import Spread


def test_examples_of_jcgm_106() -> None:
    # JCGM 106:2012 (numbers from memory). Zener diode: limit −5.40 V, measured −5.47 V,
    # u = 0.05 V: p_c = Φ(1.4), printed 0.92
    zener = conformance_probability(-5.47, 0.05, Interval(-5.40))
    assert zener == pytest.approx(0.92, abs=0.005)
    assert zener == pytest.approx(0.9192, abs=5e-5)
    # motor oil: 12.5 … 16.3, measured 13.6, u = 1.8: printed 0.66
    oil = conformance_probability(13.6, 1.8, Interval(16.3, 12.5))
    assert oil == pytest.approx(0.66, abs=0.005)
    # speed: limit 100, u = 2 % of v, 99.9 % sure that the limit was passed: v ≥ 107 printed,
    # that is a guard band of 7 (106.588 unrounded)
    indicated = 100 / (1 - norm.ppf(0.999) * 0.02)
    assert indicated == pytest.approx(106.588, abs=0.001)
    assert guard_band_um(0.999, 0.02 * indicated) == pytest.approx(indicated - 100)
    assert math.ceil(indicated) == 107


@pytest.mark.parametrize(("ratio", "largest"), [(4.6, 0.01965), (4.0, 0.02238)])
def test_a_ratio_of_4_6_keeps_false_acceptance_below_2_per_cent(
    ratio: float, largest: float
) -> None:
    # Dobbert; Harben & Reese, NCSLI Measure 7(1) 2012 (from memory): below 2 % at 4.6:1
    # whatever the process spread; the figures were computed independently
    error = ReadingError(0.0, 1 / (2 * ratio))
    both = Interval(1.0, -1.0)
    risks = [
        global_risks(normal_prior(0.0, s), error, both, both).consumers
        for s in np.arange(0.3, 1.5, 0.01)
    ]
    assert max(risks) == pytest.approx(largest, abs=2e-5)


@pytest.mark.parametrize(
    ("guard", "printed"),
    [(3.0, 1e-6), (1.5, 0.0016), (1.0, 0.025), (0.0, 0.50)],
)
def test_guard_bands_of_ilac_g8(guard: float, printed: float) -> None:
    # ILAC-G8:09/2019, table 1 (0 and U read, the others from memory): w = 3 U: below 1 ppm,
    # 1.5 U: below 0.16 %, U: below 2.5 %, 0: up to 50 %; at the acceptance limit, U = 2 u
    at_limit = 1 - conformance_probability(10 - guard * 2, 1.0, Interval(10.0))
    assert at_limit <= printed + 1e-12
    assert at_limit > printed / 1_100 if guard == 3.0 else at_limit > 0.8 * printed


def test_guard_band_of_iso_14253() -> None:
    # ISO 14253-1:2017 (from memory): 95 % one-sided is 1.65 u
    assert guard_band_um(0.95, 1.0) == pytest.approx(1.65, abs=0.006)
    with pytest.raises(ValueError, match=r"above 0\.5 and below 1"):
        guard_band_um(0.5, 1.0)


def test_one_reading_is_the_two_dimensional_normal_of_scipy() -> None:
    """R_C and R_P of a normal process are corners of a bivariate normal."""
    mean, s, u, limit, acceptance = 2.0, 0.8, 0.4, 3.5, 3.1
    cov = [[s**2, s**2], [s**2, s**2 + u**2]]
    both = multivariate_normal([mean, mean], cov)
    accepted = norm.cdf((acceptance - mean) / math.hypot(s, u))
    consumers = accepted - both.cdf([limit, acceptance])
    producers = norm.cdf((limit - mean) / s) - both.cdf([limit, acceptance])
    for error in (ReadingError(0.0, u), ReadingError(u, 0.0), ReadingError(0.6 * u, 0.8 * u)):
        risks = global_risks(
            normal_prior(mean, s), error, Interval(limit), Interval(acceptance)
        )
        assert risks.accepted == pytest.approx(accepted, abs=1e-7)
        assert risks.consumers == pytest.approx(consumers, abs=2e-6)
        assert risks.producers == pytest.approx(producers, abs=2e-6)
        assert risks.outside_in_bin == pytest.approx(consumers / accepted, abs=3e-6)


def test_three_readings_that_share_part_of_their_error_are_those_counted() -> None:
    """A million pieces drawn: 2|e| of the demo's lot A, U = 0.8 µm, half of it shared."""
    rng = np.random.default_rng(20)
    n = 1_000_000
    true = 2 * 0.9 * np.linalg.norm(rng.normal(size=(n, 2)), axis=1)
    u = 0.4 / math.sqrt(2)
    shared = rng.normal(0, u, n)
    readings = true[:, None] + shared[:, None] + rng.normal(0, u, (n, 4))
    accepted = (readings[:, :3] <= 3.9).all(axis=1)
    outside = np.greater(true, 4.0)
    risks = global_risks(
        own_run_out_prior(Spread(0.9, 0.4)),
        from_expanded(0.8, 2.0, 0.5),
        Interval(4.0),
        Interval(3.9),
        clampings=3,
    )

    def near(chance: float, seen: float, out_of: int) -> bool:
        return abs(chance - seen) < 4 * math.sqrt(chance * (1 - chance) / out_of)

    kept = int(accepted.sum())
    assert near(risks.accepted, float(accepted.mean()), n)
    assert near(risks.consumers, float((accepted & outside).mean()), n)
    assert near(risks.producers, float((~accepted & ~outside).mean()), n)
    assert near(risks.outside_in_bin, float(outside[accepted].mean()), kept)
    assert near(
        risks.refused_of_good, float((~accepted)[~outside].mean()), int((~outside).sum())
    )
    assert near(risks.one_more_beyond, float((readings[accepted, 3] > 4.0).mean()), kept)


def test_three_clampings_protect_less_the_more_of_their_error_they_share() -> None:
    prior = own_run_out_prior(Spread(0.9, 0.4))
    outside = [
        global_risks(
            prior, from_expanded(0.8, 2.0, share), Interval(4.0), Interval(4.0), clampings=3
        ).outside_in_bin
        for share in (0.0, 0.25, 0.5, 0.75, 1.0)
    ]
    assert outside == sorted(outside)
    one = global_risks(prior, from_expanded(0.8), Interval(4.0), Interval(4.0), clampings=1)
    assert outside[0] < 0.2 * one.outside_in_bin
    assert outside[-1] == pytest.approx(one.outside_in_bin, rel=1e-6)


def test_repeats_never_average_the_shared_part_away() -> None:
    error = ReadingError(0.3, 0.3)
    assert error.of_mean_um(1) == pytest.approx(0.3 * math.sqrt(2))
    assert error.of_mean_um(10_000) == pytest.approx(0.3, abs=1e-4)
    one = specific_consumers_risk([3.5], error, Interval(4.0))
    three = specific_consumers_risk([3.4, 3.5, 3.6], error, Interval(4.0))
    assert one == pytest.approx(1 - norm.cdf(0.5 / (0.3 * math.sqrt(2))))
    assert three == pytest.approx(1 - norm.cdf(0.5 / math.sqrt(0.09 + 0.03)))


def test_numbers_that_make_no_risk_are_refused() -> None:
    with pytest.raises(ValueError, match="one or more"):
        specific_consumers_risk([], ReadingError(0.1, 0.1), Interval(4.0))
    with pytest.raises(ValueError, match="ends reversed"):
        Interval(1.0, 2.0)
    with pytest.raises(ValueError, match="none below 0"):
        ReadingError(0.0, 0.0)
    with pytest.raises(ValueError, match="accepted is above 0, above 0"):
        from_expanded(0.0)
