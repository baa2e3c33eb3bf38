"""What forecast and proof cost after each piece of a lot of 100 000, on the real record.

``python -m pytest -s tests/daemon/test_rest_speed.py`` prints the figures.
"""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from random import Random
from statistics import median
from time import process_time

from daemon.store.rest_data import rest_state
from rules.first_clamping import Tally
from rules.lot import LotView
from rules.rest_plan import RestPlan
from rules.rest_view import LookTaken, RestView, SampleDrawn, at_most_now, judged_now
from tests.daemon.bench_of_values import SINGLE_VALUES, value_bench

Make = Callable[..., Path]

ROOT = Path(__file__).parents[2]
LOT = 100_000
MOST_S = 0.020
"""The issue's limit, for both together."""


def cost_s(work: Callable[[], object]) -> float:
    begin = process_time()
    work()
    return process_time() - begin


def test_forecast_and_proof_of_a_hundred_thousand_cost_less_than_twenty_milliseconds(
    bench_folder: Make,
) -> None:
    """Piece by piece through the runner: state, tray, boxes and all, order drawn."""
    bench = value_bench(
        bench_folder,
        ("quantity = 120", f"quantity = {LOT}"),
        ("cells = 120", f"cells = {LOT}"),
        ('"grade-1" = 36', '"grade-1" = 20000'),
        rest='plan = "measured"\nlimiting_quality = 0.02\nconsumers_risk = 0.05\nfurther = 50',
    )
    together, whole = [], []
    for number in range(40):
        bench.values(*(["2.0"] * 3 if number % 3 == 0 else ["5.0"]))
        bin_id = next(iter(bench.lamps))
        whole.append(cost_s(lambda bin_id=bin_id: bench.placed(bin_id)))  # type: ignore[misc]
        lot = bench.runner.lot
        assert lot is not None
        together.append(cost_s(bench.runner.forecast) + cost_s(lambda lot=lot: rest_state(lot)))  # type: ignore[misc]
    print(
        f"\nlot of {LOT}: forecast and proof {1e3 * median(together):.1f} ms "
        f"(most {1e3 * max(together[1:]):.1f}); the whole put-away {1e3 * median(whole):.1f} ms"
    )
    assert median(together) < MOST_S
    bench.close()


def test_the_proof_alone_whatever_was_measured() -> None:
    """With thousands of pieces behind it, and a look or a sample under way."""
    rng, worst = Random(1), 0.0
    for _ in range(40):
        n = rng.randrange(2_000, 60_000)
        x = rng.randrange(n // 100)
        plan = RestPlan("measured", "g", 12_000, 12_000, True, 0.02, 0.05, 0, 50)
        look = LookTaken(1, n, Tally(n, x), 0, "short")
        looked = RestView(plan, LOT, (Tally(n, x), Tally(20, 1)), None, (look,))
        plan = RestPlan("sample", "g", 12_000, 12_000, False, 0.02, 0.05)
        drawn = SampleDrawn(n, LOT - n, 149, 0, True, "s")
        sampled = RestView(plan, LOT, (Tally(n, x), Tally(100, 0)), drawn)
        for view in (looked, sampled):
            lot = LotView("L", "A", LOT, n + 21, rest=view)
            worst = max(worst, cost_s(lambda: (judged_now(view), at_most_now(view))))  # noqa: B023
            worst = max(worst, cost_s(lambda: lot.wants_proof))  # noqa: B023
    print(f"\nproof alone, lot of {LOT}: at worst {1e3 * worst:.1f} ms")
    assert worst < MOST_S


_SERVICE_AT_WORK = """
import sys
from pathlib import Path
import daemon.cli, daemon.service
from daemon.config import load
from tests.daemon.bench_of_values import ValueBench
bench = ValueBench(load(Path(sys.argv[1])))
for _ in range(12):
    bench.values("5.0")
    bench.placed("2")
assert bench.runner.forecast() is not None
bench.close()
print([name for name in ("scipy", "scipy.stats", "scipy.special") if name in sys.modules])
"""


def test_scipy_is_imported_neither_at_the_start_nor_by_a_dozen_pieces(
    bench_folder: Make,
) -> None:
    """Importing it takes seconds: longer than an operator should wait for a lamp."""
    path = bench_folder(SINGLE_VALUES)
    done = subprocess.run(
        [sys.executable, "-c", _SERVICE_AT_WORK, str(path)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stdout.strip() == "[]", done.stderr
