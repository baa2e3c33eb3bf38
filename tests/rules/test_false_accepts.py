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
from tests.rules.sweep_faults import (
    FAULTS,
    ROCKED,
    UNSEEN,
    Fault,
    honest,
    near_the_limit,
    reader_of,
)
from tests.rules.turned_sweeps import RULES, TWO_FLAGS, drawn_pin, steady

pytestmark = pytest.mark.long

LIMIT_NM = 5_000
PIECES = 1_000


def accepted(
    fault: Fault, rules: SweepRules, ratio: tuple[float, float], seed: str, pieces: int = PIECES
) -> int:
    """Return how many of the pieces, all worse than the limit, came out within it."""
    rng = Random(seed)
    count = 0
    for _ in range(pieces):
        pin = drawn_pin(rng, LIMIT_NM * rng.uniform(*ratio))
        found = evaluate(fault(rng, pin, rules), rules)
        count += found.tir_nm is not None and found.tir_nm <= LIMIT_NM
    return count


AT_THE_LIMIT = {
    "end in noise, at the limit": near_the_limit(False, LIMIT_NM),
    "end of numbers, at the limit": near_the_limit(True, LIMIT_NM),
}
"""A stylus at its end that shows just what would pass: what no chance draws so ill."""

PROOFS = {**{str(proof): rules for proof, rules in RULES.items()}, "two flags": TWO_FLAGS}

JUST_ABOVE = (1.0, 1.05, 1.1, 1.15, 1.2)
"""Nothing is promised here: noise, closure and margins decide; the table says how much."""


@pytest.mark.parametrize("proof", PROOFS)
def test_bad_metal_is_not_passed_by_a_driven_spindle(proof: str) -> None:
    rules, each = PROOFS[proof], PIECES // len(JUST_ABOVE)
    print(f"\n{proof}: passed of {PIECES} with true TIR of 1.25 to 3 times the limit,")
    print(f"and of {each} each with {', '.join(f'{r:.2f}' for r in JUST_ABOVE)} to 0.05 more")
    for name, fault in {"honest": honest, **FAULTS, **AT_THE_LIMIT}.items():
        count = accepted(fault, rules, (1.25, 3.0), proof + name)
        row = [accepted(fault, rules, (r, r + 0.05), f"{name}{r}", each) for r in JUST_ABOVE]
        print(f"  {name:28} {count:5}   {' '.join(f'{n:4}' for n in row)}", flush=True)
        # Where noise hides the end of the travel, a little of it is hidden for good: README.
        most = 10 if name in AT_THE_LIMIT else 2 if name == "stylus at its end" else 0
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
