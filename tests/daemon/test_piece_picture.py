"""The picture of a piece: what stands on it is what stands in the record."""

import json
import re
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from daemon.picture.ink import BAND
from daemon.picture.page import drawn
from daemon.picture.scale import Scale, nice_step
from daemon.picture.sheet import PieceSheet, read_sheet
from daemon.store import Store
from daemon.store.read_only import reading_only
from daemon.store.stored import lots
from rules.sweep import Sweep
from tests.daemon.measured import Bench, Shop, measured, stamp
from tests.daemon.odd_pieces import BY_SPEED, HONEST, ODD, PER_POSITION, SPIKED, odd_shop

SVG = "{http://www.w3.org/2000/svg}"


def sheet_of(shop: Shop, piece: int) -> PieceSheet:
    with reading_only(shop.config.store_path) as db:
        found = read_sheet(db, lots(db)[0], piece)
    assert found is not None
    return found


def texts(svg: str) -> list[str]:
    return [node.text or "" for node in Xml.fromstring(svg).iter(f"{SVG}text")]


def curves(svg: str) -> list[list[tuple[float, float]]]:
    """Return the points of every path, in the order they were drawn."""
    found = []
    for node in Xml.fromstring(svg).iter(f"{SVG}path"):
        numbers = [float(n) for n in re.findall(r"-?[0-9.]+", node.get("d", ""))]
        found.append(list(zip(numbers[::2], numbers[1::2], strict=True)))
    return found


def shown(shop: Shop, *words: str) -> tuple[int, str]:
    command = ["piece", "show", *words, "--store", str(shop.config.store_path)]
    done = CliRunner().invoke(app, command)
    return done.exit_code, done.output


def graded(shop: Shop, grade: str) -> int:
    """Return a piece of this grade."""
    with reading_only(shop.config.store_path) as db:
        (number,) = db.execute(
            "SELECT p.number FROM verdicts v JOIN cycles c ON c.id = v.cycle"
            " JOIN pieces p ON p.id = c.piece WHERE v.grade = ?", (grade,)
        ).fetchone()  # fmt: skip
    return int(number)


def test_every_clamping_stands_there_with_its_tir_and_the_limits(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 8)
    number = graded(shop, "grade-1")
    sheet = sheet_of(shop, number)
    said = texts(drawn(sheet))
    assert said[0] == f"Piece {number} of lot W-2611-A"
    verdict = sheet.cycles[0].verdict
    assert verdict is not None
    assert f"grade-1, bin 1: {verdict.reason}" in said
    assert "grade-1 accepts 3.2 (limit 4.0)" in said
    assert any(text.startswith("Band: as wide as grade-1 accepts, 3.2 µm") for text in said)
    for trace in sheet.traces:
        assert trace.place.tir_nm is not None
        figure = f"{trace.place.tir_nm / 1000:.1f} µm"
        assert f"Clamping {trace.clamping.number}: TIR {figure}" in said
        assert said.count(figure) >= 2  # at its bar, and beside its sweep
    assert said.count("degrees from the index") == 3
    assert sum(text.startswith("high spot ") for text in said) == 3


def test_the_curve_is_as_high_as_its_tir_on_the_scale_it_is_drawn_on(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 3)
    sheet = sheet_of(shop, 1)
    svg = drawn(sheet)
    trace = sheet.traces[0]
    (curve,) = [c for c in curves(svg) if len(c) == len(trace.sweep.value_nm)][:1]
    heights = [y for _, y in curve]
    marks = {
        node.text: float(node.get("y", "0")) - 4
        for node in Xml.fromstring(svg).iter(f"{SVG}text")
        if node.text in ("+1", "−1")
    }
    per_um = (marks["−1"] - marks["+1"]) / 2
    values = trace.sweep.value_nm
    assert max(heights) - min(heights) == pytest.approx(
        (max(values) - min(values)) / 1000 * per_um, abs=0.05
    )
    dots = [node for node in Xml.fromstring(svg).iter(f"{SVG}circle") if node.get("r") == "1.9"]
    assert len(dots) == sum(len(t.sweep.value_nm) for t in sheet.traces)
    hollow = [dot for dot in dots if dot.get("fill") == "#ffffff"]
    outside = [
        along
        for t in sheet.traces
        for along in t.along
        if not t.turns[0].start <= along <= t.turns[-1].end
    ]
    assert len(hollow) == len(outside) > 0


def test_the_high_spot_on_the_dial_is_where_the_indication_is_largest(
    bench_folder: Callable[..., Path],
) -> None:
    sheet = sheet_of(measured(bench_folder(), 1), 1)
    trace = sheet.traces[0]
    assert trace.vector is not None
    assert trace.angle is not None
    assert trace.angle.angle is not None
    turn = dict(zip(trace.sweep.value_nm, trace.angle.angle, strict=True))
    high = turn[max(trace.sweep.value_nm)] * 360 % 360
    off = (trace.vector.whole.direction_deg - high + 180) % 360 - 180
    assert abs(off) < 25  # noise and step make the top of a wave broad


def test_an_invalid_sweep_says_why_and_what_to_do_and_gives_no_tir(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 10, kind=Bench(cut="stopped"))
    said = texts(drawn(sheet_of(shop, 10)))
    assert said.count("invalid: short-turn") == 3  # bar, heading, and on the sweep itself
    (advice,) = [text for text in said if text.startswith("short-turn: no whole turns")]
    assert "were there whatever went wrong" in advice
    assert "Clamping 2: no result" in said
    assert "seconds; the angle is not known" in said
    assert "no angle is known" in said


def test_a_sound_position_beside_a_spoilt_one_keeps_its_tir(
    bench_folder: Callable[..., Path],
) -> None:
    shop = odd_shop(bench_folder)
    said = texts(drawn(sheet_of(shop, SPIKED)))
    assert "Clamping 1, far: no result" in said
    assert any(re.fullmatch(r"Clamping 1, face: TIR [0-9.]+ µm", text) for text in said)
    assert "the clamping is invalid by another position: spike" in said
    assert "no TIR" in said
    assert any("scale of its own" in text for text in said)


def test_a_retried_piece_shows_both_its_cycles(bench_folder: Callable[..., Path]) -> None:
    said = texts(drawn(sheet_of(odd_shop(bench_folder), SPIKED)))
    assert "Cycle 1, first" in said
    assert "Cycle 2, retry" in said
    assert {"cycle 2, clamping 1, face", "cycle 2, clamping 1, far"} <= set(said)


def test_turns_by_a_known_speed_are_unrolled_without_a_direction(
    bench_folder: Callable[..., Path],
) -> None:
    said = texts(drawn(sheet_of(measured(bench_folder(BY_SPEED), 2), 1)))
    assert "degrees from where it began, by the known time of a turn" in said
    assert not any(text.startswith("high spot") for text in said)


def test_finished_values_are_bars_alone(bench_folder: Callable[..., Path]) -> None:
    shop = measured(bench_folder(), 1)
    sheet = sheet_of(shop, 1)
    sheet.traces.clear()
    said = texts(drawn(sheet))
    assert "clamping 1" in said
    assert not any(text.startswith("Clamping") for text in said)


def test_a_text_that_is_not_to_be_had_is_told_and_the_readings_are_drawn_all_the_same(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 1)
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        db.execute("UPDATE texts SET text = text || ' ' WHERE kind = 'bench'")
    said = texts(drawn(sheet_of(shop, 1)))
    assert any("bench.toml was altered" in text for text in said)
    assert "seconds; the angle is not known" in said


def test_a_name_with_signs_of_its_own_breaks_nothing(bench_folder: Callable[..., Path]) -> None:
    sheet = sheet_of(measured(bench_folder(), 1), 1)
    sheet.lot = replace(sheet.lot, code='<W&"1>', article="a</text><script>")
    svg = drawn(sheet)
    assert texts(svg)[0] == 'Piece 1 of lot <W&"1>'
    assert Xml.fromstring(svg).find(f".//{SVG}script") is None


def test_a_sweep_without_a_reading_is_no_accident(bench_folder: Callable[..., Path]) -> None:
    kind = Bench(spoil=lambda piece, before, _, swept: Sweep((), ()) if piece == 1 else swept)
    said = texts(drawn(sheet_of(measured(bench_folder(), 1, kind=kind), 1)))
    assert "no reading was taken" in said


def test_the_command_draws_svg_and_png(bench_folder: Callable[..., Path]) -> None:
    shop = measured(bench_folder(), 2)
    folder = shop.config.store_path.parent
    code, output = shown(shop, "1", "--plot", str(folder / "p.svg"))
    assert (code, output.splitlines()[-1]) == (0, f"  drawn: {folder / 'p.svg'}")
    root = Xml.parse(folder / "p.svg").getroot()
    code, _ = shown(shop, "1", "--plot", str(folder / "p.PNG"))
    assert code == 0
    png = (folder / "p.PNG").read_bytes()
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    wide, high = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))
    assert (wide, high) == (2 * int(root.get("width", "")), 2 * int(root.get("height", "")))


def test_it_works_for_a_closed_lot_and_beside_the_running_service(
    bench_folder: Callable[..., Path],
) -> None:
    shop = measured(bench_folder(), 2)
    with closing(Store(shop.config.store_path)) as store:
        store.close_lot("done", "lead", {}, shop.by, stamp(10**13))
        code, output = shown(shop, "2", "--lot", "W-2611-A", "--json")
    assert code == 0
    answer = json.loads(output)
    assert (answer["lot"], answer["piece"], answer["plot"]) == ("W-2611-A", 2, None)
    assert len(answer["cycles"][0]["clampings"]) >= 1


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (
            ("1", "--plot", "p.pdf"),
            2,
            "--plot p.pdf: accepted are files that end in .svg or .png",
        ),
        (("99",), 1, "no piece 99 in lot W-2611-A of bench b1"),
        (("1", "--lot", "W-9"), 2, "--lot: got 'W-9', accepted are W-2611-A"),
        (("1", "--bench", "b9"), 2, "--bench: got 'b9', accepted are b1"),
        (("1", "--plot", "no/such/folder/p.svg"), 3, "No such file or directory"),
    ],
)
def test_what_can_not_be_drawn_is_told(
    bench_folder: Callable[..., Path], words: tuple[str, ...], code: int, said: str
) -> None:
    found, output = shown(measured(bench_folder(), 1), *words)
    assert found == code
    assert said in output


def test_png_without_its_renderer_says_how_to_get_it(
    bench_folder: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "resvg_py", None)  # as where it is not installed
    code, output = shown(measured(bench_folder(), 1), "1", "--plot", "p.png")
    assert code == 3
    assert "pip install 'reclamp[plot]', or write p.svg, which needs nothing" in output


@pytest.mark.parametrize(
    ("least", "step"), [(1.0, 1.0), (1.01, 2.0), (0.3, 0.5), (7, 10), (50, 50), (0.0011, 0.002)]
)
def test_axes_are_marked_at_round_values(least: float, step: float) -> None:
    assert nice_step(least) == pytest.approx(step)


def test_a_scale_is_marked_from_end_to_end() -> None:
    assert Scale(-2.0, 2.0, 0, 100).marks(4) == [-2, -1, 0, 1, 2]
    assert Scale(-2.0, 2.0, 100, 0)(2.0) == 0


def test_every_kind_of_piece_can_be_drawn(bench_folder: Callable[..., Path]) -> None:
    shop = odd_shop(bench_folder)
    for number in ODD:
        Xml.fromstring(drawn(sheet_of(shop, number)))


def test_each_position_has_its_own_limit_on_its_bars_and_in_its_sweep(
    bench_folder: Callable[..., Path],
) -> None:
    def with_limits(*changes: tuple[str, str]) -> Path:
        path = bench_folder(*changes)
        rules = path.with_name("mr-10-med.rules.toml")
        text = rules.read_text(encoding="utf-8")
        assert PER_POSITION[0] in text
        rules.write_text(text.replace(*PER_POSITION), encoding="utf-8")
        return path

    sheet = sheet_of(odd_shop(with_limits), HONEST)
    svg = drawn(sheet)
    said = texts(svg)
    assert "grade-1 face accepts 1.2 (limit 1.5)" in said
    assert "grade-1 far accepts 3.2 (limit 4.0)" in said
    assert any(
        text.startswith(
            "Band: as wide as grade-1 accepts, face 1.2 µm, far 3.2 µm; dashed: its limit,"
            " face 1.5 µm, far 4.0 µm"
        )
        for text in said
    )
    bands = [
        float(node.get("height", "0"))
        for node in Xml.fromstring(svg).iter(f"{SVG}rect")
        if node.get("fill") == BAND
    ]
    turns = [trace.place.position for trace in sheet.traces for _ in trace.turns]
    by_place = {
        name: {height for height, at in zip(bands, turns, strict=True) if at == name}
        for name in ("face", "far")
    }
    (face,), (far,) = by_place["face"], by_place["far"]
    assert face / far == pytest.approx(1.2 / 3.2, abs=0.01)


def test_two_positions_tell_how_the_pin_leans(bench_folder: Callable[..., Path]) -> None:
    sheet = sheet_of(odd_shop(bench_folder), HONEST)
    said = [text for text in texts(drawn(sheet)) if text.startswith("The pin leans ")]
    assert len(said) == len(sheet.cycles[0].clampings)
    vector = next(t.vector for t in sheet.traces if t.place.position == "far" and t.vector)
    tilt = 0.55 * vector.whole.amplitude_nm / 20  # the face sees 0.45 of it, 20 mm away
    assert said[0].startswith(f"The pin leans {tilt:.0f} µrad towards ")
    assert f"towards {vector.whole.direction_deg:.0f}°" in said[0]
