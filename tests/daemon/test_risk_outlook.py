"""``explain --risk``: one and three clampings, what they share, the spread of a real lot."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from daemon.cli import app
from rules.distribution import fit
from simulators.collet import Clamper, fill_tray
from simulators.scenario import HOLDER_UM, LOT_A
from tests.daemon.bench_of_values import ValueBench, value_bench
from tests.make_readme import ROOT

RULES = str(ROOT / "simulators" / "scenario" / "mr-10-med.rules.toml")


def said(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["explain", *words])
    return done.exit_code, done.output


def asked(*words: str) -> dict[str, Any]:
    code, text = said(*words, "--json")
    assert code == 0, text
    found: dict[str, Any] = json.loads(text)
    return found


def rows(shared: str) -> list[dict[str, float]]:
    found = asked(RULES, "--risk", "--shared-percent", shared)["risk"]["grades"][0]
    assert found["grade"] == "grade-1"
    by_clampings: list[dict[str, float]] = found["by_clampings"]
    assert [row["clampings"] for row in by_clampings] == [1, 3]
    return by_clampings


def test_three_clampings_protect_as_far_as_they_share_no_error() -> None:
    (one, none), (_, half), (same, all_) = rows("0"), rows("50"), rows("100")
    assert none["outside_in_bin"] < half["outside_in_bin"] < all_["outside_in_bin"]
    for figure in ("outside_in_bin", "refused_of_good", "consumers", "producers"):
        assert all_[figure] == pytest.approx(same[figure]) == pytest.approx(one[figure])


def test_the_figures_of_half_shared_errors_are_those_counted() -> None:
    """Counted: 4 million pieces of the lot's law, errors drawn one by one."""
    rng = np.random.default_rng(20_261)
    count, sigma_um = 4_000_000, 0.4 / 2**0.5
    true_um = 1.8 * np.hypot(*rng.standard_normal((2, count)))
    shown_um = true_um + sigma_um * rng.standard_normal(count)
    reads = [shown_um + sigma_um * rng.standard_normal(count) <= 3.2 for _ in range(3)]
    is_good = true_um <= 4.0
    for row, accepted in zip(
        rows("50"), (reads[0], reads[0] & reads[1] & reads[2]), strict=True
    ):
        share = (~is_good & accepted).sum() / accepted.sum()
        error = (row["outside_in_bin"] / accepted.sum()) ** 0.5
        assert share == pytest.approx(row["outside_in_bin"], abs=4 * error)
        refused = 1 - (accepted & is_good).sum() / is_good.sum()
        assert refused == pytest.approx(row["refused_of_good"], abs=0.001)


def test_the_next_clamping_is_the_plan_s_where_clampings_are_as_the_file_asks() -> None:
    found = asked(RULES, "--risk", "--plan")
    three = found["risk"]["grades"][0]["by_clampings"][1]
    own = [g for g in found["plan"]["guards"] if g["guard_um"] == 0.8]
    assert three["next_clamping_beyond"] == own[0]["one_more_beyond"]


def test_people_never_read_a_chance_of_nothing() -> None:
    code, text = said(RULES, "3.1", "3.1", "3.1", "--risk")
    assert code == 0
    assert "0.00 %" not in text
    assert "below 1 ppm" in text
    assert "this piece, from its readings alone: 0.29 % outside" in text


def test_the_share_that_passes_one_leads_to_the_share_that_passes_three() -> None:
    plan = asked(RULES, "--plan", "--pass-one-percent", "60")["plan"]
    one, _, three = plan["passing"]
    low, high = plan["passing_all_between"]
    assert one == pytest.approx(0.6, abs=1e-6)
    assert (low, high) == pytest.approx((0.216, 0.6), abs=1e-6)
    assert low < three < high


@pytest.fixture
def bench(bench_folder: Callable[..., Path]) -> ValueBench:
    made = value_bench(bench_folder, rest="")
    tray = fill_tray("1", LOT_A.collets, 120)
    for collet in tray[:25]:
        clamper = Clamper("1", collet, LOT_A.collets, HOLDER_UM)
        while not made.lamps:
            made.values(str(round(clamper.tighten().run_out_um + 0.05, 1)))
            clamper.rotate(120.0, 0.0)
        assert made.placed(next(iter(made.lamps)))
    made.close()
    return made


def test_the_spread_is_that_of_the_lot_so_far(bench: ValueBench) -> None:
    store = str(bench.config.store_path)
    lot = asked(RULES, "--risk", "--store", store, "--lot", "W-2611-A")["risk"]["spread"]
    assert lot["source"] == "of lot W-2611-A so far, 25 pieces"
    pieces: dict[int, list[float]] = {}
    bench.restart()
    for number, tir_nm in bench.rows(
        "SELECT p.number, k.tir_nm FROM pieces p JOIN cycles c ON c.piece = p.id"
        " JOIN clampings k ON k.cycle = c.id ORDER BY k.id"
    ):
        pieces.setdefault(int(str(number)), []).append(int(str(tir_nm)) / 1000)
    bench.close()
    best = fit(list(pieces.values()), 0.0).best
    assert lot["own_um"] == pytest.approx(best.own_um)
    assert lot["scatter_um"] == pytest.approx(best.scatter_um)


def test_a_lot_that_its_law_does_not_describe_gives_no_risk(
    bench_folder: Callable[..., Path],
) -> None:
    """Two batches in one tray: collets of 1 µm and of 11 µm and nothing in between."""
    mixed = value_bench(bench_folder, rest="")
    for number in range(15):
        mixed.values(f"11.{number % 10}")
        assert mixed.placed("2")
        mixed.values(f"1.{number % 10}", f"1.{(number + 3) % 10}", f"1.{(number + 7) % 10}")
        assert mixed.placed("1")
    mixed.close()
    code, text = said(RULES, "--risk", "--store", str(mixed.config.store_path))
    assert code == 2
    assert "does not describe lot W-2611-A" in " ".join(text.split())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--lot", "W-2611-A"), "accepted with --store"),
        (("--store", "STORE", "--own-um", "1"), "accepted without --own-um"),
        (("--store", "STORE", "--lot", "W-9"), "accepted are W-2611-A"),
        (("--store", "STORE", "--position", "face"), "accepted are none"),
    ],
)
def test_a_spread_is_given_or_a_lot_s_never_half_of_each(
    bench: ValueBench, words: tuple[str, ...], told: str
) -> None:
    store = str(bench.config.store_path)
    code, text = said(RULES, "--risk", *(store if w == "STORE" else w for w in words))
    assert code == 2
    assert told in " ".join(text.split())
