"""Measurements of minutes: how far a TIR is off, what bad metal passes, what good is refused.

``python -m pytest -m long -s tests/rules/test_trust_measurements.py`` prints the tables.
All geometry is drawn by ``tests.rules.turned_sweeps``; the limit is 5 µm.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import pi, sin
from random import Random

import pytest

from rules.capture_model import ClampingEnded, Noticed
from rules.diagnosis import evaluate_diagnosed
from rules.run_out import evaluate
from rules.sweep import Proof, RunOut, Sweep, SweepRules
from tests.rules.bench_tape import INDEX, captured, tape
from tests.rules.turned_sweeps import (
    RULES,
    TWO_FLAGS,
    Path,
    Pin,
    Reader,
    drawn_pin,
    rocking,
    steady,
    stopping,
)

pytestmark = pytest.mark.long

LIMIT_NM = 5_000
CLAMPINGS = 10_000
PIECES = 1_000


# --- error of TIR ------------------------------------------------------------------------


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
    Condition("quiet, step 0.1 µm", noise_nm=10),
    Condition("noise 0.05 µm", noise_nm=50),
    Condition("noise 0.1 µm", noise_nm=100),
    Condition("noise 0.2 µm", noise_nm=200),
    Condition("step 0.5 µm", step_nm=500),
    Condition("step 1 µm", step_nm=1_000),
    Condition("ripple ±20 %", ripple=0.2),
    Condition("drift to 0.2 µm/s", drift_nm_s=200),
    Condition("mean of 0.1 s", mean_s=0.1),
    Condition("mean of 0.5 s", mean_s=0.5),
    Condition("12 readings/s", rate_hz=12),
    Condition("speed proof", "speed"),
    Condition("own period", "period"),
    Condition("encoder, driven", "angle", ripple=0.2),
    Condition("encoder, by hand", "angle", by_hand=True),
)


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
    path = by_hand(rng) if how.by_hand else steady(2.4, ripple, rng.random())
    reader = Reader(
        rng, how.rate_hz, how.noise_nm, how.step_nm,
        rng.uniform(-how.drift_nm_s, how.drift_nm_s), how.mean_s, index_at=rng.random(),
    )  # fmt: skip
    rules = replace(RULES[how.proof], step_nm=how.step_nm)
    return pin, evaluate_diagnosed(reader.sweep(pin, path, rules), rules)


def test_ten_thousand_clampings_against_their_geometry() -> None:
    each = CLAMPINGS // len(CONDITIONS) + 1
    print(f"\n{each} clampings a condition, TIR 1 to 15 µm, harmonics 2 to 5; errors in nm")
    print(f"{'condition':22} invalid   least    mean    most   low beyond the bound")
    for how in CONDITIONS:
        rng = Random(how.name)
        errors, lower, invalid = [], 0, 0
        for _ in range(each):
            pin, found = clamped(how, rng)
            if found.tir_nm is None or found.diagnosis is None:
                invalid += 1
                continue
            error = found.tir_nm - pin.tir_nm
            errors.append(error)
            loss = found.diagnosis.loss_nm[2]
            drift = abs(found.diagnosis.drift_nm)
            lower += loss is not None and error < -(loss + how.step_nm + drift)
        mean = sum(errors) / len(errors)
        print(
            f"{how.name:22} {invalid / each:7.2%} {min(errors):7.0f} {mean:7.0f} "
            f"{max(errors):7.0f}   {lower}"
        )
        # An indicator that averages reads low by its mean: only the speed allowed bounds it.
        assert lower == 0 or how.mean_s > 0


# --- false accepts -----------------------------------------------------------------------

Fault = Callable[[Random, Pin, SweepRules], Sweep]


def reader_of(rng: Random) -> Reader:
    return Reader(rng, index_at=rng.random())


def short(degrees: int) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        reader = reader_of(rng)
        start = reader.index_at if rules.proof == "index" else 0.0
        path = stopping(steady(), start + degrees / 360 + 0.001)
        return reader.sweep(pin, path, rules)

    return made


def rocked(degrees: int) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        # About its high spot, as an inspector does; the flag lies where it lies.
        high = max(range(360), key=lambda k: pin.at(k / 360)) / 360
        path = rocking(degrees, rng.uniform(2.5, 6.0), high)
        return reader_of(rng).sweep(pin, path, rules)

    return made


def honest(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return reader_of(rng).sweep(pin, steady(2.4, rng.uniform(-0.04, 0.04)), rules)


def valued(change: Callable[[Random, tuple[int, ...]], tuple[int, ...]]) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        sweep = honest(rng, pin, rules)
        return replace(sweep, value_nm=change(rng, sweep.value_nm))

    return made


def frozen(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    at = rng.randrange(1, len(values) * 9 // 20)  # within the first turn
    return values[:at] + (values[at],) * (len(values) - at)


def at_its_end(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    high, low = max(values), min(values)
    end = round((low + (high - low) * rng.uniform(0.05, 0.8)) / 100) * 100
    return tuple(min(end, value) for value in values)


def folded(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    middle = (max(values) + min(values)) // 2
    return tuple(abs(value - middle) for value in values)


def in_inch(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(round(value / 25.4 / 100) * 100 for value in values)


def spiked(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    at = rng.randrange(2, len(values) - 2)
    return (*values[:at], values[at] + rng.choice((-3_000, 3_000)), *values[at + 1 :])


def drifting(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    whole = rng.choice((-1, 1)) * rng.uniform(2_000, 8_000)
    return tuple(round((v + whole * k / len(values)) / 100) * 100 for k, v in enumerate(values))


def gap(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    sweep = honest(rng, pin, rules)
    first = rng.randrange(1, len(sweep.at_ns) // 2)
    gone = range(first, first + rng.randrange(6, 20))
    kept = [i for i in range(len(sweep.at_ns)) if i not in gone]
    angles = tuple(sweep.angle_udeg[i] for i in kept) if sweep.angle_udeg else ()
    return replace(
        sweep,
        at_ns=tuple(sweep.at_ns[i] for i in kept),
        value_nm=tuple(sweep.value_nm[i] for i in kept),
        angle_udeg=angles,
    )


def averaged(mean_s: float, turn_s: float) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        reader = replace(reader_of(rng), mean_s=mean_s)
        return reader.sweep(pin, steady(turn_s), rules)

    return made


def few(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return replace(reader_of(rng), rate_hz=6.0).sweep(pin, steady(), rules)


def too_fast(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return replace(reader_of(rng), mean_s=0.3, rate_hz=40).sweep(pin, steady(0.9), rules)


def still(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return reader_of(rng).sweep(pin, lambda _: 0.3, rules)


FAULTS: dict[str, Fault] = {
    **{f"short turn {d}°": short(d) for d in (180, 210, 240, 270, 300, 330, 350)},
    "not turning": still,
    "turned too fast, averaging": too_fast,
    "too few readings": few,
    "readings missing": gap,
    "frozen in the first turn": valued(frozen),
    "stylus at its end": valued(at_its_end),
    "spike": valued(spiked),
    "drift": valued(drifting),
    "folded sign": valued(folded),
    "inch taken for mm": valued(in_inch),
    "0.5 s mean at 2.4 s a turn": averaged(0.5, 2.4),
}
"""What is drawn at random; the last three no sweep alone can show (see README's limits)."""

UNSEEN = ("folded sign", "inch taken for mm", "0.5 s mean at 2.4 s a turn")

ROCKED = {f"rocked over {d}°": rocked(d) for d in (60, 120, 180, 240, 300, 350)}


def accepted(fault: Fault, rules: SweepRules, ratio: tuple[float, float], seed: str) -> int:
    """Return how many of the pieces, all worse than the limit, came out within it."""
    rng = Random(seed)
    count = 0
    for _ in range(PIECES):
        pin = drawn_pin(rng, LIMIT_NM * rng.uniform(*ratio))
        found = evaluate(fault(rng, pin, rules), rules)
        count += found.tir_nm is not None and found.tir_nm <= LIMIT_NM
    return count


@pytest.mark.parametrize("proof", ["index", "speed", "period", "angle"])
def test_bad_metal_is_not_passed_by_a_driven_spindle(proof: Proof) -> None:
    print(f"\n{proof}: passed of {PIECES}, true TIR 1.25 to 3 times the limit")
    for name, fault in FAULTS.items():
        count = accepted(fault, RULES[proof], (1.25, 3.0), proof + name)
        print(f"  {name:28} {count}")
        # A broad crest cut off by the end of the travel looks like a broad crest: 1 or 2 of
        # 1000 pass, and README's limits say so.
        most = 3 if name == "stylus at its end" else 0
        assert count <= most or name in UNSEEN


@pytest.mark.parametrize(
    ("name", "rules", "is_proof"),
    [
        ("encoder", RULES["angle"], True),
        ("two flags 90° apart", TWO_FLAGS, True),
        ("one flag and a clutch only claimed", RULES["index"], False),
    ],
)
def test_rocking_by_hand_passes_no_bad_metal(
    name: str, rules: SweepRules, is_proof: bool
) -> None:
    print(f"\n{name}: passed of {PIECES} rocked about the high spot")
    for what, fault in ROCKED.items():
        count = accepted(fault, rules, (1.25, 3.0), name + what)
        print(f"  {what:28} {count}")
        assert count == 0 or not is_proof


def test_what_passes_just_above_the_limit() -> None:
    """From 1.0 to 1.25 noise, closure and the margins allow some; the table says how many."""
    names = ("short turn 330°", "stylus at its end", "spike", "drift", "readings missing")
    print(f"\nindex: passed of {PIECES} by true TIR over limit")
    for name in ("honest", *names):
        fault = honest if name == "honest" else FAULTS[name]
        row = [
            accepted(fault, RULES["index"], (r, r + 0.05), name + str(r))
            for r in (1.0, 1.05, 1.1, 1.15, 1.2)
        ]
        print(f"  {name:24} {row}")
        # A stylus that lies at its end for less than rounding explains hides up to a fifth.
        assert row[-1] <= (PIECES // 50 if name == "stylus at its end" else 0)


def test_the_same_tightening_read_again() -> None:
    """Not lifted it is never a second clamping; lifted it is one, by the weakest evidence."""
    counted: Counter[str] = Counter()
    for seed in range(PIECES):
        for how, lifted_s in (("stylus left on", 0.0), ("stylus lifted", 9.0)):
            written = tape(seed=seed).honest(4.0 + seed % 7).rest(9.0 - lifted_s)
            events = written.lift(lifted_s).rest(1.5).turn(3.4).events
            _, outcomes = captured(events, INDEX)
            counted[how] += sum(isinstance(o, ClampingEnded) for o in outcomes) - 1
            counted[f"{how}, alike"] += sum(isinstance(o, Noticed) for o in outcomes)
    print(f"\nsame tightening read again, of {PIECES}: {dict(counted)}")
    assert counted["stylus left on"] == 0
    assert counted["stylus lifted, alike"] > 0.95 * counted["stylus lifted"]


# --- false invalids ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("proof", "ripple", "second_flag"),
    [
        ("index", 0.2, False),
        ("index", 0.2, True),
        ("angle", 0.2, False),
        ("speed", 0.05, False),
        ("period", 0.05, False),
    ],
)
def test_honest_clampings_are_hardly_ever_refused(
    proof: Proof, ripple: float, second_flag: bool
) -> None:
    rules = TWO_FLAGS if second_flag else RULES[proof]
    rng = Random(proof + str(second_flag))
    reasons: Counter[str] = Counter()
    for _ in range(2 * PIECES):
        pin = drawn_pin(rng, rng.uniform(1_000, 15_000))
        path = steady(2.4, rng.uniform(-ripple, ripple), rng.random())
        found = evaluate(reader_of(rng).sweep(pin, path, rules), rules)
        reasons[found.invalid or "valid"] += 1
    refused = 1 - reasons["valid"] / (2 * PIECES)
    print(f"\n{proof}{' with two flags' * second_flag}, ripple ±{ripple:.0%}: {refused:.2%}")
    print(f"  {dict(reasons)}")
    assert refused < 0.005
