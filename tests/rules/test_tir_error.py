"""Measurements of minutes: how far a TIR is off its pin's, by conditions, and as predicted.

``python -m pytest -m long -s tests/rules/test_tir_error.py`` prints the table.
"""

from dataclasses import dataclass, replace
from functools import cache
from math import pi, sin
from random import Random

import pytest

from rules.noise_bias import expected_excess_nm
from rules.sweep import Proof, RunOut
from tests.rules.diagnosed_sweep import evaluate_diagnosed
from tests.rules.turned_sweeps import RULES, Path, Pin, Reader, drawn_pin, steady

pytestmark = pytest.mark.long

CLAMPINGS = 10_000
TURN_S = 2.4


@dataclass(frozen=True)
class Condition:
    """How a clamping was read; the pin and its TIR of 1 to 15 µm are drawn."""

    name: str
    proof: Proof = "index"
    noise_nm: float = 50.0
    step_nm: int = 100
    ripple: float = 0.0
    drift_nm_s: float = 0.0
    mean_s: float = 0.0
    rate_hz: float = 20.0
    by_hand: bool = False


CONDITIONS = (
    Condition("quiet", noise_nm=10),
    Condition("noise 0.05 µm", noise_nm=50),
    Condition("noise 0.1 µm", noise_nm=100),
    Condition("noise 0.2 µm", noise_nm=200),
    Condition("quiet, step 0.5 µm", noise_nm=10, step_nm=500),
    Condition("noise 0.1, step 0.5 µm", noise_nm=100, step_nm=500),
    Condition("noise 0.2, step 0.5 µm", noise_nm=200, step_nm=500),
    Condition("quiet, step 1 µm", noise_nm=10, step_nm=1_000),
    Condition("noise 0.1, step 1 µm", noise_nm=100, step_nm=1_000),
    Condition("noise 0.2, step 1 µm", noise_nm=200, step_nm=1_000),
    Condition("ripple ±20 %", ripple=0.2),
    Condition("drift to 0.2 µm/s", drift_nm_s=200),
    Condition("mean of 0.1 s", mean_s=0.1),
    Condition("mean of 0.5 s", mean_s=0.5),
    Condition("12 readings/s", rate_hz=12),
    Condition("80 readings/s", rate_hz=80),
    Condition("speed proof", "speed", ripple=0.05),
    Condition("own period", "period", ripple=0.05),
    Condition("encoder, driven", "angle", ripple=0.2),
    Condition("encoder, by hand", "angle", by_hand=True),
)
"""By hand and by time a turn has more or fewer readings than the 2.4 s the prediction takes."""


def by_hand(rng: Random) -> Path:
    """Return a hand: it speeds up and slows down, and never turns back."""
    period_s = rng.uniform(2.6, 5.0)
    parts = [(rng.uniform(0, 0.5), rng.uniform(0.7, 2.3), rng.random()) for _ in range(2)]

    def angle(seconds: float) -> float:
        swing = sum(
            a / (2 * pi * f) * (sin(2 * pi * (f * seconds / period_s + p)) - sin(2 * pi * p))
            for a, f, p in parts
        )
        return seconds / period_s + swing * 0.95

    return angle


def clamped(how: Condition, rng: Random) -> tuple[Pin, RunOut]:
    pin = drawn_pin(rng, rng.uniform(1_000, 15_000))
    ripple = rng.uniform(-how.ripple, how.ripple)
    path = by_hand(rng) if how.by_hand else steady(TURN_S, ripple, rng.random())
    reader = Reader(
        rng, how.rate_hz, how.noise_nm, how.step_nm,
        rng.uniform(-how.drift_nm_s, how.drift_nm_s), how.mean_s, index_at=rng.random(),
    )  # fmt: skip
    rules = replace(RULES[how.proof], step_nm=how.step_nm)
    return pin, evaluate_diagnosed(reader.sweep(pin, path, rules), rules)


@cache
def predicted_nm(how: Condition, tir_nm: int) -> float:
    samples = round(how.rate_hz * TURN_S)
    return expected_excess_nm(tir_nm, round(how.noise_nm), how.step_nm, samples, turns=2)


def averaged_away_nm(how: Condition, tir_nm: int, waves: int) -> float:
    """Return what a mean over so long hides of a run-out of these waves a turn, as read.

    A mean over T of a wave of period P is sin(πT/P)/(πT/P) of it.
    """
    part = pi * waves * how.mean_s / TURN_S
    return tir_nm * (part / sin(part) - 1) if part else 0.0


def test_ten_thousand_clampings_against_their_geometry() -> None:
    each = CLAMPINGS // len(CONDITIONS)
    print(f"\n{each} clampings a condition, TIR 1 to 15 µm, harmonics 2 to 5; errors in nm")
    print(f"{'condition':23} invalid   least   most   mean  predicted   below the bound")
    for how in CONDITIONS:
        rng = Random(how.name)
        errors, predicted, lower = [], [], 0
        for _ in range(each):
            pin, found = clamped(how, rng)
            if found.tir_nm is None or found.diagnosis is None:
                continue
            errors.append(found.tir_nm - pin.tir_nm)
            predicted.append(predicted_nm(how, max(1, round(pin.tir_nm / 1_000)) * 1_000))
            loss_nm = found.diagnosis.loss_nm[2]
            assert loss_nm is not None
            bound_nm = loss_nm + averaged_away_nm(how, found.tir_nm, 3)
            drift_nm = abs(found.diagnosis.drift_nm)
            lower += errors[-1] < -(bound_nm + how.step_nm + drift_nm)
        mean, expected = (sum(some) / len(some) for some in (errors, predicted))
        refused = 1 - len(errors) / each
        print(
            f"{how.name:23} {refused:7.2%} {min(errors):7.0f} {max(errors):6.0f} "
            f"{mean:6.0f} {expected:10.0f}   {lower}"
        )
        assert lower == 0
        # Harmonics make a crest broader or sharper than the wave that is predicted; a drift
        # adds its own, a mean takes from every wave.
        if not how.drift_nm_s and not how.mean_s:
            assert abs(mean - expected) < 15 + how.step_nm / 20 + abs(expected) / 10
