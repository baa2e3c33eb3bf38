"""A whole bench led through anything that can happen to it, against an account of its own."""

import random
import tempfile
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.daemon import walk
from tests.daemon.bench_of_sweeps import AT_CHECK, CHECK
from tests.daemon.reckoning import Reckoner
from tests.daemon.walk_lead import ORDERED, PIECES
from tests.daemon.whole_bench import WholeBench

SCENARIO = Path(__file__).parents[2] / "simulators" / "scenario"
WALKS = 400
TRAY = '[bench.put_away]\nidentity = "tray"\n\n'


def bench_file(folder: Path, *, by_cell: bool) -> Path:
    """Write the demo's files with masters, a small lot and a guard band for grade 2."""
    small = (
        'quantity = 120\norder = { "grade-1" = 36 }\ncells = 120',
        f'quantity = {PIECES}\norder = {{ "grade-1" = {ORDERED} }}\ncells = {PIECES}',
    )
    checked = (AT_CHECK, (TRAY if by_cell else "") + CHECK + AT_CHECK)
    guarded = ("limit_um = 12.0", "limit_um = 12.0\nguard_um = 2.0")
    for source in SCENARIO.glob("*.toml"):
        text = source.read_text(encoding="utf-8")
        for old, new in (small, checked, guarded):
            text = text.replace(old, new, 1)
        (folder / source.name).write_text(text, encoding="utf-8")
    return folder / "bench.toml"


def led(steps: list[str], *, by_cell: bool) -> Reckoner:
    """Lead a bench through these steps, and look at it after each."""
    with tempfile.TemporaryDirectory(prefix="reclamp-walk-") as folder:
        bench = WholeBench(bench_file(Path(folder), by_cell=by_cell))
        try:
            reckoner = Reckoner(bench)
            for step in steps:
                walk.take(bench, step)
                reckoner.look()
            reckoner.end()
        finally:
            bench.close()
    return reckoner


@settings(
    deadline=None, derandomize=True, database=None, max_examples=12,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    phases=[Phase.generate, Phase.shrink],
)  # fmt: skip
@given(st.lists(st.sampled_from(walk.STEPS), min_size=30, max_size=60), st.booleans())
def test_whatever_happens_the_counts_are_those_of_the_facts(
    steps: list[str], by_cell: bool
) -> None:
    led(["check good", *steps], by_cell=by_cell)


@pytest.mark.parametrize("by_cell", [True, False], ids=["by cell", "by box"])
@pytest.mark.parametrize(
    "steps",
    [
        "check good; piece top; piece top; check good; piece ordinary; check large; close",
        "check good; order 1; measure top; measure top; measure top; changed pin; place right",
        "holder-moved; check good; foot; hours 9; foot; piece edge",
    ],
)
def test_walks_that_were_trouble_once(steps: str, by_cell: bool) -> None:
    led(steps.split("; "), by_cell=by_cell)


@pytest.mark.long
def test_hundreds_of_walks_and_what_they_came_by() -> None:
    """``pytest -m long -s`` on this file prints what happened in them."""
    seen: Counter[str] = Counter()
    for number in range(WALKS):
        rng = random.Random(number)
        steps = rng.choices(walk.STEPS, k=rng.randrange(30, 61))
        try:
            seen += led(["check good", *steps], by_cell=bool(number % 2)).seen
        except AssertionError as error:
            error.add_note(f"walk {number}, by cell: {bool(number % 2)}: {steps}")
            raise
    print(f"{WALKS} walks: {dict(sorted(seen.items()))}")
