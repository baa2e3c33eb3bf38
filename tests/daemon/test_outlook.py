"""``explain --plan`` and ``--risk`` on the demo's rule file, against the design's figures."""

import json
import subprocess
import sys

import pytest

from tests.make_readme import ROOT

RULES = str(ROOT / "simulators" / "scenario" / "mr-10-med.rules.toml")


def explain(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "daemon.cli", "explain", RULES, *words],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_the_plan_of_lot_a_is_the_design_s() -> None:
    # design.md part 4: about 55 % are grade 1, order of 36 filled after about 65 pieces.
    done = explain("--plan", "--ordered", "36", "--json")
    assert done.returncode == 0, done.stderr
    plan = json.loads(done.stdout)["plan"]
    own = next(g for g in plan["guards"] if g["guard_um"] == plan["guard_of_the_file_um"])
    assert own["share"] == pytest.approx(0.55, abs=0.01)
    assert own["pieces"] == pytest.approx(65, abs=1)
    assert own["one_more_beyond"] == pytest.approx(0.014, abs=0.002)
    assert plan["passing"] == sorted(plan["passing"], reverse=True)


def test_risk_adds_what_the_readings_of_a_piece_say() -> None:
    done = explain("3.9", "3.9", "3.9", "--risk", "--json")
    assert done.returncode == 0
    grades = json.loads(done.stdout)["risk"]["grades"]
    near, far = grades[0]["specific"], grades[1]["specific"]
    assert 0.3 < near < 0.5  # a tenth of a µm inside the limit, u of the mean 0.33 µm
    assert far < 1e-6


def test_without_clampings_plan_or_risk_it_says_what_is_accepted() -> None:
    done = explain()
    assert done.returncode == 2
    assert "--plan" in done.stderr
