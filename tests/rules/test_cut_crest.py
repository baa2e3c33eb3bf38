"""A level in place of a crest, in noise: told from crests that are merely broad."""

from dataclasses import replace
from random import Random

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import least_squares

from rules.cut_crest import is_cut_off
from rules.run_out import evaluate
from rules.sweep import Proof, Sweep
from rules.turns import turn_shares, whole_turns
from tests.rules.turned_sweeps import RULES, Path, Pin, Reader, drawn_pin, steady

Array = NDArray[np.float64]
INDEX = RULES["index"]


def cut(pin: Pin, shown_nm: float) -> Pin:
    """Return the pin as a stylus shows it that comes to its end so far above the trough."""
    return replace(pin, end_nm=min(pin.at(k / 720) for k in range(720)) + shown_nm)


def swept(pin: Pin, rng: Random, proof: Proof = "index", path: Path | None = None) -> Sweep:
    reader = Reader(rng, index_at=rng.random())
    return reader.sweep(pin, path or steady(2.4, 0.03, rng.random()), RULES[proof])


def found(sweep: Sweep, proof: Proof = "index") -> bool:
    rules = RULES[proof]
    return is_cut_off(sweep, whole_turns(sweep, rules), rules)


@pytest.mark.parametrize("proof", ["index", "speed", "period", "angle"])
@pytest.mark.parametrize("side", ["crest", "trough"])
def test_a_fifth_cut_off_is_seen_at_either_end_by_every_proof(proof: Proof, side: str) -> None:
    rng, seen, refused = Random(3), 0, 0
    for _ in range(20):
        sweep = swept(cut(drawn_pin(rng, 6_250), 5_000), rng, proof)
        if side == "trough":
            sweep = replace(sweep, value_nm=tuple(-value for value in sweep.value_nm))
        seen += found(sweep, proof)
        refused += evaluate(sweep, RULES[proof]).invalid is not None
    assert seen >= 13
    assert refused >= 16  # what lasts on one value is seen without a fit


def test_the_same_pin_whole_is_not_cut_off() -> None:
    rng = Random(3)
    for _ in range(40):
        sweep = swept(drawn_pin(rng, rng.uniform(1_000, 15_000)), rng)
        assert not found(sweep)


def test_a_crest_as_broad_as_two_harmonics_make_it_is_none_that_is_cut_off() -> None:
    # cos φ − cos 2φ / 4: curvature nought at its top, the flattest that two harmonics have.
    for seed in range(20):
        pin = Pin(((2_500, 0.0), (625, 0.5)))
        assert not found(swept(pin, Random(seed)))


def test_where_the_last_digit_is_the_run_out_nothing_is_said() -> None:
    rng = Random(5)
    rules = replace(INDEX, step_nm=1_000)
    reader = Reader(rng, noise_nm=10, step_nm=1_000)
    sweep = reader.sweep(cut(drawn_pin(rng, 6_250), 5_000), steady(), rules)
    assert not is_cut_off(sweep, whole_turns(sweep, rules), rules)


def test_it_is_invalid_and_bounds_nothing() -> None:
    sweep = swept(cut(Pin(((3_200, 0.1),)), 5_000), Random(4))
    run_out = evaluate(sweep, INDEX)
    assert (run_out.tir_nm, run_out.seen_nm, run_out.invalid) == (None, None, "stylus-off")


def test_scipy_finds_the_end_where_it_is_found_and_none_where_it_is_not() -> None:
    """A wave clipped at a free level, fitted at once by scipy, leaves less where it is cut."""
    for seed, is_cut in ((1, True), (2, True), (1, False), (2, False)):
        whole = drawn_pin(Random(seed), 6_250)
        sweep = swept(cut(whole, 5_000) if is_cut else whole, Random(seed))
        shares = turn_shares(sweep, whole_turns(sweep, INDEX), INDEX)
        angles = 2 * np.pi * np.array([share for _, share in shares])
        values = np.array([sweep.value_nm[i] for i, _ in shares], dtype=float)
        waves = [f(k * angles) for k in range(1, 6) for f in (np.cos, np.sin)]
        design = np.column_stack([np.ones_like(angles), *waves])
        start, *_ = np.linalg.lstsq(design, values, rcond=None)
        free = np.sum((values - design @ start) ** 2)

        def rest(x: Array, to: Array = design, v: Array = values) -> Array:
            return np.asarray(v - np.minimum(to @ x[:-1], x[-1]), dtype=float)

        level = np.quantile(values, 0.85)
        fitted = least_squares(rest, np.append(start * 1.2, level))
        variance = 2 * fitted.cost / (len(values) - 13)
        assert ((free - 2 * fitted.cost) / variance > 12) == is_cut == found(sweep)
