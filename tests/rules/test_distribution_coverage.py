"""Do the intervals of the fitted distribution hold the truth as often as they say?

A measurement of minutes: python -m pytest -m long -s tests/rules/test_distribution_coverage.py
"""

from collections.abc import Callable
from math import sqrt

import numpy as np
import pytest

from rules.capability import first_clampings
from rules.distribution import FEWEST_REPEATED, LEVEL, fit
from rules.scatter_model import Spread, chance_all_within

pytestmark = pytest.mark.long

LOT_B = Spread(own_um=2.2, scatter_um=0.9)
TOP_UM = 6.0
"""Acceptance limit of the demo's lot B: a cycle stops at the first clamping above it."""


def stopped_lot(pieces: int, rng: np.random.Generator) -> list[list[float]]:
    own = LOT_B.own_um * rng.normal(size=(pieces, 1, 2))
    scatter = LOT_B.scatter_um * rng.normal(size=(pieces, 3, 2))
    vectors = own + scatter
    lot = []
    for row in 2 * np.hypot(vectors[:, :, 0], vectors[:, :, 1]):
        beyond = np.flatnonzero(row > TOP_UM)
        lot.append([float(tir) for tir in row[: beyond[0] + 1 if beyond.size else 3]])
    return lot


@pytest.mark.parametrize(("pieces", "lots"), [(20, 5_000), (60, 5_000)])
def test_intervals_of_the_fit_keep_their_level(pieces: int, lots: int) -> None:
    rng = np.random.default_rng(pieces)
    figures: dict[str, Callable[[Spread], float]] = {
        "own spread": lambda s: s.own_um,
        "scatter": lambda s: s.scatter_um,
        "share beyond 7 µm": lambda s: s.share_beyond(7.0),
        "share within three": lambda s: chance_all_within(s, TOP_UM, 3),
    }
    truth = {name: figure(LOT_B) for name, figure in figures.items()}
    held = dict.fromkeys(figures, 0)
    first = 0
    for _ in range(lots):
        lot = stopped_lot(pieces, rng)
        while sum(len(piece) > 1 for piece in lot) < FEWEST_REPEATED:  # nothing is stated
            lot = stopped_lot(pieces, rng)
        fitted = fit(lot)
        for name, figure in figures.items():
            interval = fitted.estimate(figure)
            held[name] += interval.low <= truth[name] <= interval.high
        law = first_clampings([piece[0] for piece in lot])
        first += law.spread_um.low <= LOT_B.together_um <= law.spread_um.high
    print(f"\n{pieces} pieces, {lots} lots, level {LEVEL}:")
    for name, count in {**held, "first clampings' spread": first}.items():
        print(f"  {name:24s} {count / lots:.4f}")
    for count in (*held.values(), first):
        assert count / lots >= LEVEL - 3 * sqrt(LEVEL * (1 - LEVEL) / lots)
