"""`reclamp lot report` and `explain --rest`: the record's figures, told twice, exit codes."""

import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.lot_report import master_tir_nm
from daemon.picture.lot_page import columns
from daemon.store.stored import lots
from rules.check_facts import CheckFact, PositionCheck
from rules.finite_lot import most_nonconforming
from rules.master_check import CheckResult, MasterCheck
from rules.masters import CheckKind, CheckLimits, Master
from simulators.collet import Clamper, fill_tray
from simulators.scenario import HOLDER_UM, LOT_A
from tests.daemon.bench_of_values import ValueBench, value_bench
from tests.daemon.pieces import commit, open_store

Make = Callable[..., Path]

SCENARIO = Path(__file__).parents[2] / "simulators" / "scenario"
TRADE = str(SCENARIO / "trade-case.rules.toml")


def said(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, list(words))
    return result.exit_code, result.output


def measured(bench: ValueBench, until: str) -> None:
    """Measure the demo's collets by value until the bench says a word or wants no more."""
    tray = {c.number: c for c in fill_tray("1", LOT_A.collets, 120)}
    while bench.runner.shown.signals.prompt == "clamp" and bench.word != until:
        cell = bench.runner.shown.signals.cell
        assert cell is not None
        clamper = Clamper("1", tray.pop(cell), LOT_A.collets, HOLDER_UM)
        while not bench.lamps:
            bench.values(str(round(clamper.tighten().run_out_um + 0.1, 1)))
            clamper.rotate(120.0, 10.0)
        assert bench.placed(next(iter(bench.lamps)))


def test_a_lot_is_reported_from_its_record_beside_the_service(bench_folder: Make) -> None:
    bench = value_bench(bench_folder)
    config = str(bench.config.source.path)
    measured(bench, "sampling")
    code, text = said("lot", "report", "--config", config, "--bench", "b1")
    assert code == 1  # the sample is under way: nothing is proved yet
    assert "Nothing is stated before the sample is complete: 19 to go." in " ".join(
        text.split()
    )
    measured(bench, "order-filled")
    picture = bench.config.source.path.with_name("lot.svg")
    code, text = said(
        "lot", "report", "--config", config, "--bench", "b1", "--plot", str(picture)
    )
    assert code == 0
    flowing = " ".join(text.split())
    for needed in (
        "19 of 53 pieces were drawn at random from the rest; none of them showed more than",
        "Draw of the sample: reclamp-draw-1, seed 'demo/sample', cells 68-120; 19 pieces.",
        "Hypergeometric, N = 53, n = 19, x = 0.",
        "WARNING: no master check gave the holder's own run-out",
        "No more measuring is needed for the proof.",
        "no direction of run-out is known: the holder is taken as true",
        f"drawn: {picture}",
    ):
        assert needed in flowing, needed
    root = ET.fromstring(picture.read_text(encoding="utf-8"))
    assert "first clampings" in str(root.find("{http://www.w3.org/2000/svg}title").text)  # type: ignore[union-attr]
    code, text = said("lot", "report", "--config", config, "--bench", "b1", "--json")
    report = json.loads(text)
    assert report["rest"]["at_most"] == most_nonconforming(53, 19, 0, 0.10)
    (place,) = report["positions"]
    rows = bench.rows("SELECT tir_nm FROM clampings k JOIN cycles c ON c.id = k.cycle"
                      " WHERE c.number = 1 AND k.number = 1 ORDER BY k.id")  # fmt: skip
    firsts = [int(str(nm)) for (nm,) in rows]
    assert place["first_clampings"] == len(firsts) == 86
    for share in place["shares"]:
        beyond = sum(nm > 1000 * share["limit_um"] for nm in firsts)
        assert share["beyond"] == beyond
        assert share["counted"]["low"] <= beyond / 86 <= share["counted"]["high"]
    # the generator's own spreads lie in the intervals: 0.9 and 0.4 µm (seed fixed)
    assert place["own_um"]["low"] < 0.9 < place["own_um"]["high"]
    assert place["scatter_um"]["low"] < 0.4 < place["scatter_um"]["high"]
    bench.close()


def test_a_lot_without_a_piece_says_that_nothing_is_stated(bench_folder: Make) -> None:
    bench = value_bench(bench_folder)
    store = str(bench.config.store_path)
    bench.close()
    code, text = said("lot", "report", "--store", store)
    assert code == 1
    assert "no look was due yet: nothing is stated" in text
    code, text = said("lot", "report", "--store", store, "--plot", "lot.pdf")
    assert code == 2
    assert "accepted are files that end in .svg or .png" in text


def test_a_lot_that_the_law_does_not_describe_is_only_counted(bench_folder: Make) -> None:
    """Two batches in one tray: nothing is promised by a law that fits neither."""
    bench = value_bench(bench_folder)
    for number in range(40):
        bench.values(*([f"{0.8 + number / 100:.2f}"] * 3 if number % 2 else ["11.0"]))
        assert bench.placed(next(iter(bench.lamps)))
    code, text = said("lot", "report", "--store", str(bench.config.store_path))
    bench.close()
    assert code == 1
    assert "Only the counts above hold" in " ".join(text.split())
    assert "grade-1    accepts 3.2 µm: 20 above, 50 %" in text
    assert "by the fit 5" not in text
    assert "PpkU" not in text


def check(kind: CheckKind, result: CheckResult, *readings_nm: int) -> CheckFact:
    master = Master("EM-1", "solid-mandrel", 200, 100)
    limits = CheckLimits(kind, master, 1, 1_500, 1_800)
    positions = tuple(
        PositionCheck(f"p{n}", "IND-21", MasterCheck(kind, result, "", "", nm, limits))
        for n, nm in enumerate(readings_nm)
    )
    return CheckFact(kind, result, "", "", master, positions, (), "command", "lead")


def test_the_masters_run_out_is_that_of_the_last_good_check(tmp_path: Path) -> None:
    store = open_store(tmp_path / "b.db")

    def shown() -> int | None:
        with store.reading() as db:
            return master_tir_nm(db, lots(db)[0])

    assert shown() is None
    commit(store, check("run-out", "good", 300, 900))
    assert shown() == 900
    commit(store, check("run-out", "failed", 2_000))
    commit(store, check("sensitivity", "good", 5_100))
    assert shown() == 900
    commit(store, check("run-out", "good", 700))
    assert shown() == 700
    store.close()


def test_a_value_on_the_edge_of_a_column_is_below_it() -> None:
    assert columns([0.0, 0.5, 0.6, 1.0, 9.0], 0.5, 3) == [2, 2, 1]


class TestOutlook:
    """The trade's own case: 500 pieces, 100 at 5 µm, the rest at 10 µm."""

    def ask(self, *words: str) -> tuple[int, str]:
        code, text = said("explain", *words)
        return code, " ".join(text.split())

    def test_what_is_proved_of_the_rest(self) -> None:
        words = (
            TRADE,
            "--rest",
            "500",
            "--measured",
            "180",
            "--beyond",
            "2",
            "--ordered",
            "100",
        )
        code, text = self.ask(*words)
        assert code == 0
        at_most = most_nonconforming(500, 180, 2, 0.025) - 2
        assert at_most == 15
        assert f"Of the 320 pieces not measured, at most {at_most} (4.69 %) would show" in text
        assert "stated with 95 % confidence. At most 5 % was asked for: proved." in text
        assert "100 pieces of a better grade were taken out" in text

    def test_what_the_second_look_needs(self) -> None:
        _, text = self.ask(TRADE, "--rest", "500", "--measured", "180", "--beyond", "3")
        assert "asked for: not proved" in text
        assert (
            "Measure 50 more pieces in drawn order: it is proved then if none of them" in text
        )
        _, text = self.ask(TRADE, "--rest", "500", "--measured", "180", "--beyond", "5")
        assert "can't prove it any more: at most 3 beyond of 230 would" in text

    def test_a_sample_is_planned_for_the_rest_that_is_left(self) -> None:
        demo = str(SCENARIO / "mr-10-med.rules.toml")
        code, text = self.ask(demo, "--rest", "120", "--measured", "67")
        assert code == 0
        assert "19 of 53 pieces were drawn at random from the rest" in text

    def test_what_fits_no_lot_is_refused(self, tmp_path: Path) -> None:
        code, text = self.ask(TRADE, "--rest", "50", "--measured", "80")
        assert (code, "80 pieces measured: the lot has 50" in text) == (2, True)
        bare = tmp_path / "bare.toml"
        text = Path(TRADE).read_text(encoding="utf-8").partition("[rest]")[0]
        bare.write_text(text, encoding="utf-8")
        code, text = self.ask(str(bare), "--rest", "50")
        assert (code, "names no plan for the rest" in text) == (2, True)

    def test_an_aql_plan_promises_nothing_of_one_lot(self, tmp_path: Path) -> None:
        file = tmp_path / "aql.toml"
        head = Path(TRADE).read_text(encoding="utf-8").partition("[rest]")[0]
        file.write_text(
            head + '[rest]\nplan = "aql"\nedition = "mil-std-105e-1989"\naql = 1.0\n',
            encoding="utf-8",
        )
        _, text = self.ask(str(file), "--rest", "500", "--measured", "180")
        assert "Of 320 pieces left 50 are drawn; at most 1 beyond accept them" in text
        assert "bounds no single lot" in text


@pytest.mark.parametrize("options", [["--rest", "0"], ["--rest", "9", "--measured", "-1"]])
def test_counts_that_are_none_are_wrong_use(options: list[str]) -> None:
    assert said("explain", TRADE, *options)[0] == 2
