"""Sweeps made of a wave and an index: geometry without a bench around it."""

from collections.abc import Callable
from dataclasses import replace
from math import cos, pi

from rules.run_out import evaluate
from rules.sweep import Invalid, Sweep, SweepRules
from tests.rules.bench_tape import INDEX_RULES, MS, S

FINE = replace(INDEX_RULES, step_nm=1, samples_min=3, top_limit_nm=1_000_000_000)
"""Rules that a geometric check needs: no rounding, few samples, wide agreement."""

Wave = Callable[[float], float]


def sweep_of(
    wave: Wave, samples: int = 48, turns: int = 2, turn_ns: int = 2_400 * MS, step_nm: int = 1
) -> Sweep:
    """Return whole turns of a wave given in nanometres over turns, index on the readings."""
    count = samples * turns
    at_ns = tuple(10 * S + round(i * turn_ns / samples) for i in range(count + 1))
    values = tuple(round(wave(i / samples) / step_nm) * step_nm for i in range(count + 1))
    return Sweep(at_ns, values, tuple(at_ns[::samples]))


def eccentric(e_nm: float, phase: float = 0.0) -> Wave:
    return lambda turns: e_nm * cos(2 * pi * (turns + phase))


def reason(sweep: Sweep, rules: SweepRules = INDEX_RULES) -> Invalid | None:
    return evaluate(sweep, rules).invalid


def without(sweep: Sweep, first: int, last: int) -> Sweep:
    """Return the sweep without some of its readings, ``last`` not included."""
    at_ns = sweep.at_ns[:first] + sweep.at_ns[last:]
    return replace(sweep, at_ns=at_ns, value_nm=sweep.value_nm[:first] + sweep.value_nm[last:])
