"""Whose run-out is it, over a stored lot: against the truth of the simulated pieces."""

import json
from collections.abc import Callable
from contextlib import closing
from math import exp, pi, radians, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.separation import LotSeparation, holder_series, separate_lot
from daemon.store import Store
from daemon.store.read_only import reading_only
from daemon.store.stored import lots
from rules.separation import CONFOUNDED
from simulators.collet import ColletKind
from simulators.indicator import Indicator
from tests.daemon.measured import Bench, Shop, measured, stamp

E_UM, S_UM = 0.9, 0.4
PLAIN = ColletKind(E_UM, S_UM, outlier_share=0.0, chip_share=0.0)
WIDE = ("limit_um = 4.0", "limit_um = 400.0")


def all_three(bench_file: Path) -> Path:
    """Let every piece have three clampings: a top limit nothing exceeds."""
    for rules in bench_file.parent.glob("*.rules.toml"):
        text = rules.read_text(encoding="utf-8").replace(*WIDE)
        rules.write_text(text.replace("limit_um = 12.0", "limit_um = 900.0"), encoding="utf-8")
    return bench_file


def separated(shop: Shop, restarts: tuple[int, ...] = ()) -> LotSeparation:
    with reading_only(shop.config.store_path) as db:
        (found,) = separate_lot(db, lots(db)[0], restarts)
    return found


def asked(shop: Shop, *words: str) -> tuple[int, dict[str, Any]]:
    command = ["lot", "separation", "--store", str(shop.config.store_path), "--json", *words]
    done = CliRunner().invoke(app, command)
    assert done.stdout, done.output
    return done.exit_code, json.loads(done.stdout)


def collet_errors_um(shop: Shop, found: LotSeparation) -> list[float]:
    """Return what is wrong with each collet's vector, by axis."""
    truth = dict(enumerate(shop.truth, start=1))
    errors = []
    for piece in found.pieces:
        wrong = piece.separated.collet / 1_000 - truth[piece.piece].vector_um
        errors += [wrong.real, wrong.imag]
    return errors


def test_holder_scatter_and_collets_come_back_from_the_record(
    bench_folder: Callable[..., Path],
) -> None:
    kind = Bench(holder_um=0.5j, collets=PLAIN, rotate_scatter_deg=0.0)
    shop = measured(all_three(bench_folder()), 60, kind=kind)
    found = separated(shop)
    assert len(found.firsts) == len(found.pieces) == 60
    share = found.holder
    assert share is not None
    assert share.clampings == 50
    assert abs(share.run_out_nm - 1_000) <= share.uncertainty_nm
    scatter = found.scatter()
    assert scatter is not None
    assert scatter.low_nm <= S_UM * 1_000 <= scatter.high_nm
    assert scatter.degrees_of_freedom == 120
    # Theory of three equal steps: s/√3 an axis.
    assert float(np.std(collet_errors_um(shop, found))) == pytest.approx(
        S_UM / sqrt(3), rel=0.15
    )
    assert not found.is_backwards
    assert not found.is_holder_beyond


def test_a_collet_rotated_the_other_way_raises_the_alarm(
    bench_folder: Callable[..., Path],
) -> None:
    kind = Bench(collets=PLAIN, rotate_deg=-120.0)
    shop = measured(all_three(bench_folder()), 20, kind=kind)
    assert separated(shop).is_backwards
    code, answer = asked(shop)
    assert code == 0
    (alarm,) = answer["positions"][0]["alarms"]
    assert "rotate them the way the spindle turns" in alarm
    assert 'set rotation.collet = "against-spindle"' in alarm


def test_a_holder_above_its_limit_raises_the_alarm(bench_folder: Callable[..., Path]) -> None:
    shop = measured(bench_folder(), 40, kind=Bench(holder_um=2.0 + 0j))
    _, answer = asked(shop)
    (one,) = answer["positions"]
    assert one["holder_limit_um"] == 1.2  # a tenth of grade 2's 12 µm: it needs one clamping
    (alarm,) = one["alarms"]
    assert alarm.startswith(
        "the holder's share is above its limit: the holder is dirty or worn"
    )
    assert one["holder"][0]["piece"] == 5
    assert [point["piece"] for point in one["holder"]] == list(range(5, 41))


def test_pieces_that_were_beyond_on_the_first_clamping_count_for_the_holder(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 30)
    found = separated(shop)
    assert len(found.firsts) == 30
    assert len(found.pieces) < 30


def test_a_clamping_without_result_has_no_vector_and_takes_its_place_in_the_rotation(
    bench_folder: Callable[..., Path],
) -> None:
    kind = Bench(collets=PLAIN, rotate_scatter_deg=0.0, cut="stopped")
    shop = measured(all_three(bench_folder()), 60, kind=kind)
    found = separated(shop)
    assert found.without == {"no result": 6}
    by_piece = {piece.piece: piece.separated for piece in found.pieces}
    # Clampings 1, 3, 4 of piece 10 lie at 0°, 240° and 360°: the collet is still found.
    for number in (10, 20, 30, 40, 50, 60):
        assert by_piece[number].clampings == 3
        wrong = by_piece[number].collet / 1_000 - shop.truth[number - 1].vector_um
        assert abs(wrong) < 4 * S_UM


def test_the_series_starts_again_where_the_holder_left_the_spindle() -> None:
    # The same holder, put back with its vector the other way round: together they cancel.
    firsts = [(n, 1_000 + 0j if n <= 30 else -1_000 + 0j) for n in range(1, 61)]
    blind = holder_series(firsts)
    assert min(point.share.run_out_nm for point in blind) < 100
    told = holder_series(firsts, restarts=(31,))
    assert {round(point.share.run_out_nm) for point in told} == {2_000}
    assert [point.piece for point in told if point.share.clampings == 5] == [5, 35]
    assert 31 not in {point.piece for point in told}


def test_a_restart_can_be_told_to_the_command(bench_folder: Callable[..., Path]) -> None:
    shop = measured(bench_folder(), 20)
    _, answer = asked(shop, "--restart", "11")
    pieces = [point["piece"] for point in answer["positions"][0]["holder"]]
    assert pieces == [5, 6, 7, 8, 9, 10, 15, 16, 17, 18, 19, 20]


@pytest.mark.parametrize("how", ["with-collet", "with-holder", "free"])
def test_how_the_pin_moves_is_told_with_what_it_confounds(
    bench_folder: Callable[..., Path], how: str
) -> None:
    said = ('code = "W-2611-A"', f'code = "W-2611-A"\npin_moves = "{how}"')
    shop = measured(bench_folder(said), 6)
    _, answer = asked(shop)
    (one,) = answer["positions"]
    assert one["pin_moves"] == [how]
    assert one["confounds"] == [CONFOUNDED[how]]  # type: ignore[index]
    assert one["inseparable_harmonics"] == [3, 6, 9]


def test_how_the_pin_moves_is_taken_from_the_record_where_it_was_said_at_the_opening(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 6)
    with closing(Store(shop.config.store_path)) as store, store.reading() as db:
        db.execute("UPDATE lots SET pin_moves = 'with-holder'")
    (one,) = asked(shop)[1]["positions"]
    assert one["pin_moves"] == ["with-holder"]
    assert one["confounds"] == [CONFOUNDED["with-holder"]]


def test_what_a_bench_file_says_of_another_lot_is_not_said_of_this_one(
    bench_folder: Callable[..., Path],
) -> None:
    said = ('code = "W-2611-A"', 'code = "W-OTHER"\npin_moves = "free"')
    assert asked(measured(bench_folder(said), 6))[1]["positions"][0]["pin_moves"] == []


def test_a_word_for_the_pin_that_is_none_is_refused(bench_folder: Callable[..., Path]) -> None:
    said = ('code = "W-2611-A"', 'code = "W-2611-A"\npin_moves = "sideways"')
    done = CliRunner().invoke(app, ["check", str(bench_folder(said))])
    assert done.exit_code == 2
    assert "bench.0.lot.pin_moves: got 'sideways'" in done.output


def test_without_an_index_there_is_no_direction_and_it_says_so(
    bench_folder: Callable[..., Path],
) -> None:
    by_speed = ('proof = "index"', 'proof = "speed"\nturn_s = 2.4')
    shop = measured(bench_folder(by_speed), 6)
    code, answer = asked(shop)
    assert code == 1
    (reason,) = answer["positions"][0]["clampings_without_vector"]
    assert reason == "no direction without an index or an encoder"
    done = CliRunner().invoke(
        app, ["lot", "separation", "--config", str(shop.config.source.path)]
    )
    assert done.exit_code == 1
    assert "no direction without an index" in done.output


def test_a_closed_lot_is_read_as_well_as_an_open_one(bench_folder: Callable[..., Path]) -> None:
    shop = measured(bench_folder(), 12)
    with closing(Store(shop.config.store_path)) as store:
        store.close_lot("done", "lead", {}, shop.by, stamp(10**13))
    code, answer = asked(shop, "--lot", "W-2611-A")
    assert (code, answer["lot"]) == (0, "W-2611-A")


def test_people_read_it_in_lines(bench_folder: Callable[..., Path]) -> None:
    shop = measured(bench_folder(), 30)
    done = CliRunner().invoke(
        app, ["lot", "separation", "--store", str(shop.config.store_path)]
    )
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert lines[0] == "lot W-2611-A (MR-10-MED), bench b1, position far"
    assert lines[1].startswith("  holder    ")
    assert lines[1].endswith("from the last 30 of 30 first clampings; limit 1.2 µm")
    assert "3 steps can't tell the collet's harmonics 3, 6, 9" in done.stdout
    assert "own run-out" in lines[-1]
    noise = next(line for line in lines if line.startswith("  noise"))
    assert noise.split(": ")[1].startswith("a run-out of 4 µm reads 0.")
    assert any(line.startswith("  alike     by chance two clampings") for line in lines)
    assert any("taken again where only the stylus lift is seen" in line for line in lines)


def test_what_noise_adds_and_how_often_chance_reads_alike_are_told(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 60, kind=Bench(collets=PLAIN))
    (one,) = asked(shop)[1]["positions"]
    noise, alike = one["noise"], one["alike_by_chance"]
    assert noise["per_reading_um"] == pytest.approx(Indicator().noise_um, abs=0.012)
    assert 0.0 < noise["reads_high_um"] < 0.25
    # Without run-out of its own: two Rayleigh vectors within a step (0.1 µm) of each other.
    spread = 2 * one["scatter"]["per_axis_um"] ** 2
    assert alike[0]["share"] == pytest.approx(1 - exp(-(0.1**2) / 2 / spread), abs=2e-4)
    # The step is what is near enough for another clamping to be asked for.
    assert [row["asked_again"] for row in alike] == [row["share"] for row in alike]
    shares = [row["share"] for row in alike]
    assert shares == sorted(shares, reverse=True)


def test_a_lot_without_a_clamping_says_so(bench_folder: Callable[..., Path]) -> None:
    shop = measured(bench_folder(), 0)
    done = CliRunner().invoke(
        app, ["lot", "separation", "--store", str(shop.config.store_path)]
    )
    assert done.exit_code == 1
    assert "lot W-2611-A has no clamping yet" in done.output


@pytest.mark.long
def test_table_of_a_thousand_pieces_with_angles_by_eye(
    bench_folder: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    pieces = 1_000
    rows = []
    for angle_deg in (0.0, 5.0, 10.0, 15.0):
        kind = Bench(holder_um=0.2j, collets=PLAIN, rotate_scatter_deg=angle_deg)
        folder = bench_folder()
        folder.with_name("millrace.db").unlink(missing_ok=True)
        shop = measured(all_three(folder), pieces, kind=kind)
        found = separated(shop)
        errors = collet_errors_um(shop, found)
        holders = [p.separated.holder / 1_000 - kind.holder_um for p in found.pieces]
        holder = float(np.std([part for h in holders for part in (h.real, h.imag)]))
        scatter = found.scatter()
        assert scatter is not None
        rows.append((angle_deg, float(np.std(errors)), holder, scatter.per_axis_nm / 1_000))
    with capsys.disabled():
        print("\nangle error of one rotation  σ collet/axis  theory  σ holder/axis  scatter")
        for angle_deg, collet, holder, pooled in rows:
            print(f"{angle_deg:>20.0f}° {collet:>18.3f} {theory_um(angle_deg):>9.3f}"
                  f" {holder:>12.3f} {pooled:>11.3f}   µm")  # fmt: skip
    for angle_deg, collet, _, _ in rows:
        # 2 000 axes: the relative standard error of a standard deviation is 1.6 %.
        assert collet == pytest.approx(theory_um(angle_deg), rel=0.06)
    assert rows[0][3] == pytest.approx(S_UM, rel=0.05)
    assert rows[0][2] == pytest.approx(S_UM / sqrt(3), rel=0.06)


def theory_um(angle_deg: float) -> float:
    """Return the standard deviation an axis of a collet's vector, to first order.

    Scatter gives s/√3. Rotations off by σ each, one on top of the other, leave the second
    clamping off by δ₂ and the third by δ₂ + δ₃: C is off by i·C·(2δ₂ + δ₃)/3, a variance of
    5σ²/9 of |C|², half of it an axis; E|C|² is 2e². Derived here; no source.
    """
    sigma = radians(angle_deg)
    assert sigma < pi / 8
    return sqrt(S_UM**2 / 3 + E_UM**2 * 5 * sigma**2 / 9)
