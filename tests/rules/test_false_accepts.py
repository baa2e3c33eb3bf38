"""Measurements of minutes: what bad metal passes, what good is refused.

``python -m pytest -m long -s tests/rules/test_false_accepts.py`` prints the tables. All
geometry is drawn by ``tests.rules.turned_sweeps``; the limit is 5 µm.
"""

from collections import Counter
from random import Random

import pytest

from rules.capture_model import ClampingEnded, Noticed
from rules.run_out import evaluate
from rules.sweep import Proof, SweepRules
from tests.rules.bench_tape import INDEX, captured, tape
from tests.rules.sweep_faults import FAULTS, ROCKED, UNSEEN, Fault, honest, reader_of
from tests.rules.turned_sweeps import RULES, TWO_FLAGS, drawn_pin, steady

pytestmark = pytest.mark.long

LIMIT_NM = 5_000
PIECES = 1_000


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
