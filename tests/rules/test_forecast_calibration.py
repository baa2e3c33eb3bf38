"""Is the forecast calibrated? p drawn from its own prior, the future drawn, and compared.

A measurement: python -m pytest -m long -s tests/rules/test_forecast_calibration.py
"""

from math import sqrt

import numpy as np
import pytest
from scipy.stats import chi2, kstest

from rules.forecast import PRIOR, _filled_by, forecast, good_chances

pytestmark = pytest.mark.long

LOTS = 20_000
LOT = 120
ORDERED = 36


def futures(seed: int) -> list[tuple[int, int, np.ndarray]]:
    """Return pieces measured, good among them, and whether each unmeasured one is good."""
    rng = np.random.default_rng(seed)
    drawn = []
    for _ in range(LOTS):
        share = rng.beta(*PRIOR)
        pieces = rng.random(LOT) < share
        measured = int(rng.integers(0, LOT))
        drawn.append((measured, int(pieces[:measured].sum()), pieces[measured:]))
    return drawn


def randomised(rising: np.ndarray, outcome: int, rng: np.random.Generator) -> float:
    """Return a point between P(X < x) and P(X ≤ x): uniform if the law is right."""
    below = rising[outcome - 1] if outcome else 0.0
    return float(below + rng.random() * (rising[outcome] - below))


def test_the_number_of_good_pieces_to_come_is_uniform_in_its_own_law() -> None:
    rng = np.random.default_rng(1)
    points, inside = [], 0
    for measured, good, rest in futures(1):
        law = good_chances(len(rest), PRIOR[0] + good, PRIOR[1] + measured - good)
        outcome = int(rest.sum())
        points.append(randomised(law.cumsum(), outcome, rng))
        low, high = forecast(measured, good, len(rest), 1).good_range
        inside += low <= outcome <= high
    test = kstest(points, "uniform")
    print(
        f"\ngood pieces to come: {LOTS} lots, randomised PIT against uniform D = "
        f"{test.statistic:.4f}, p = {test.pvalue:.3f}; in the 90 % range {inside / LOTS:.4f}"
    )
    assert test.pvalue > 0.001
    # whole numbers: the range holds 90 % or somewhat more
    assert inside / LOTS > 0.90 - 3 * sqrt(0.09 / LOTS)


def test_the_pieces_until_the_order_is_filled_are_uniform_in_their_own_law() -> None:
    rng = np.random.default_rng(2)
    points = []
    for measured, good, rest in futures(2):
        missing = ORDERED - good
        if missing <= 0 or missing > len(rest):
            continue
        a, b = PRIOR[0] + good, PRIOR[1] + measured - good
        runs_out = forecast(measured, good, len(rest), missing).runs_out
        law = np.append(_filled_by(missing, len(rest), a, b, 1 - runs_out), 1.0)
        found = np.flatnonzero(rest.cumsum() == missing)
        outcome = int(found[0]) + 1 if found.size else len(rest) + 1
        points.append(randomised(law, outcome, rng))
    test = kstest(points, "uniform")
    print(
        f"\npieces until filled: {len(points)} open orders, randomised PIT D = "
        f"{test.statistic:.4f}, p = {test.pvalue:.3f}"
    )
    assert len(points) >= 5_000
    assert test.pvalue > 0.001


def test_the_chance_of_running_out_happens_as_often_as_it_says() -> None:
    said, came = [], []
    for measured, good, rest in futures(3):
        missing = ORDERED - good
        if missing <= 0:
            continue
        said.append(forecast(measured, good, len(rest), missing).runs_out)
        came.append(int(rest.sum()) < missing)
    chances, happened = np.array(said), np.array(came, dtype=float)
    print("\nchance of running out   lots   said   came")
    statistic, used = 0.0, 0
    for decile in range(10):
        top = 1.1 if decile == 9 else (decile + 1) / 10
        of = (chances >= decile / 10) & (chances < top)
        number, mean, share = int(of.sum()), chances[of].mean(), happened[of].mean()
        edges = f"{decile / 10:.1f} … {min(1, top):.1f}"
        print(f"{edges:21s} {number:6d} {mean:.4f} {share:.4f}")
        error = sqrt((chances[of] * (1 - chances[of])).sum()) / number
        assert abs(share - mean) <= 3.5 * error + 1e-9  # ten looks at once
        statistic, used = statistic + ((share - mean) / error) ** 2, used + 1
    print(f"χ² {statistic:.1f} of {used}: p = {chi2.sf(statistic, used):.3f}")
    assert chi2.sf(statistic, used) > 0.001
