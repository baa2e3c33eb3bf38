"""The demo's numbers: benches, lots and files say the same, and what the lots really yield."""

import tomllib
from pathlib import Path
from typing import Any

import pytest

from simulators import scenario
from simulators.collet import Clamper, fill_tray
from simulators.scenario import HOLDER_UM, LOT_A, LOT_B, LOT_OF_BENCH, DemoLot, demo_bench

FILES = Path(scenario.__file__).parent

NOISE_UM = 0.12
"""What step (0.1 µm) and noise (σ 0.05 µm) add to a max − min of 48 readings, as measured."""


def _toml(name: str) -> dict[str, Any]:
    return tomllib.loads((FILES / name).read_text(encoding="utf-8"))


def test_the_bench_file_reads_the_frames_that_the_benches_send() -> None:
    options = {line["id"]: line["options"] for line in _toml("bench.toml")["line"]}
    assert options == {
        scenario.LINE_OF_BENCH["b1"]: scenario.B1_FRAME,
        scenario.LINE_OF_BENCH["b2"]: scenario.B2_FRAME,
    }


def test_bench_file_and_scenario_name_the_same_lots_and_bins() -> None:
    for bench in _toml("bench.toml")["bench"]:
        lot = LOT_OF_BENCH[bench["id"]]
        opened = bench["lot"]
        assert (opened["code"], opened["article"]) == (lot.id, lot.article)
        assert opened["quantity"] == lot.quantity == len(demo_bench(bench["id"], 1).work.tray)
        assert {one["id"] for one in bench["bin"]} == set(scenario.BINS)


def test_the_guides_limits_are_the_acceptance_limits_of_the_rule_files() -> None:
    for bench in _toml("bench.toml")["bench"]:
        top, ordinary = _toml(bench["rules"])["grade"]
        limits = LOT_OF_BENCH[bench["id"]].limits
        assert limits.top_um == pytest.approx(top["limit_um"] - top["guard_um"])
        assert limits.ordinary_um == ordinary["limit_um"]
        assert (limits.top_bin, limits.ordinary_bin) == (top["bin"], ordinary["bin"])


def _pieces_to_fill(lot: DemoLot, seed: int, ordered: int) -> int | None:
    """Return how many pieces it takes as a bench measures them; None if the lot runs out."""
    good = 0
    for collet in fill_tray(f"{seed}", lot.collets, lot.quantity):
        clamper = Clamper(f"{seed}", collet, lot.collets, HOLDER_UM)
        pins = []
        for _ in range(3):
            pins.append(clamper.tighten())
            clamper.rotate(120.0, 10.0)
        worst_um = max(pin.run_out_um for pin in pins) + NOISE_UM
        good += worst_um <= lot.limits.top_um and all(pin.is_steady for pin in pins)
        if good == ordered:
            return collet.number
    return None


def test_the_order_of_lot_a_is_filled_before_the_lot_runs_out() -> None:
    counts = [_pieces_to_fill(LOT_A, seed, ordered=36) for seed in range(300)]
    filled = sorted(count for count in counts if count is not None)
    assert len(filled) >= 0.98 * len(counts)
    # Design: about 65 without outliers, chips and noise; with them a few more.
    assert 62 <= filled[len(counts) // 2] <= 80


def test_lot_b_runs_out_before_its_order_is_filled() -> None:
    counts = [_pieces_to_fill(LOT_B, seed, ordered=30) for seed in range(300)]
    assert counts.count(None) >= 0.97 * len(counts)
