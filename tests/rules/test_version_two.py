"""What evaluation version 2 computed, it still computes, to the last digit.

Each digest is of sweeps good and bad under one proof, as evaluated by the code that first
bore the version, before anything in it was made faster.
"""

from dataclasses import replace
from hashlib import sha256
from random import Random

import pytest

from rules.diagnosis import diagnose_v2
from rules.run_out import evaluate_v1, evaluate_v2
from rules.sweep import SweepRules
from tests.rules.sweep_faults import FAULTS, ROCKED, honest
from tests.rules.turned_sweeps import RULES, TWO_FLAGS, drawn_pin

KINDS = {"honest": honest, **FAULTS, **ROCKED}


def computed(name: str, rules: SweepRules) -> str:
    digest = sha256()
    for kind, fault in KINDS.items():
        rng = Random(f"{name}, {kind}")
        for step_nm in (100, 500):
            held = replace(rules, step_nm=step_nm)
            pin = drawn_pin(rng, rng.uniform(300, 15_000), form=0.5)
            sweep = fault(rng, pin, held)
            found = replace(evaluate_v2(sweep, held), diagnosis=diagnose_v2(sweep, held))
            digest.update(repr(found).encode())
            digest.update(repr(evaluate_v1(sweep, held)).encode())
    return digest.hexdigest()[:32]


@pytest.mark.parametrize(
    ("name", "rules", "was"),
    [
        ("index", RULES["index"], "1fc8ee517e71e0596a319547b0c7df94"),
        ("speed", RULES["speed"], "12e91c5de09a313b8e488e5c6b231c4a"),
        ("period", RULES["period"], "71aa6cb2e94bb5d5eda9ab4cc0debaca"),
        ("angle", RULES["angle"], "da32663c82dfff4c1027e419b1dd6bc2"),
        ("two flags", TWO_FLAGS, "aa90272fbcfd7c701be2b7579cce99a8"),
    ],
)
def test_version_2_computes_what_it_did_when_it_was_new(
    name: str, rules: SweepRules, was: str
) -> None:
    assert computed(name, rules) == was
