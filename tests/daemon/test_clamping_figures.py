"""A piece is shown with what its sweeps show: each figure from the readings, the pin's axis."""

import json
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from daemon.cli import app
from rules.sweep import Sweep
from tests.daemon.measured import Bench, Shop, measured
from tests.daemon.odd_pieces import FIRST_CHANNEL, TWO_POSITIONS

SHARE = 45
"""What the indicator at the face, 5 mm from it, sees of the one 25 mm away, percent."""


def leaning(_: int, __: int, position: str, swept: Sweep) -> Sweep:
    """Let the axis of the pin cross the spindle's beyond the face."""
    if position == "far":
        return swept
    return replace(swept, value_nm=tuple(value * SHARE // 100 for value in swept.value_nm))


@pytest.fixture
def shop(bench_folder: Callable[..., Path]) -> Shop:
    return measured(bench_folder(TWO_POSITIONS, FIRST_CHANNEL), 2, kind=Bench(spoil=leaning))


def shown(shop: Shop, *words: str) -> str:
    command = ["piece", "show", "1", *words, "--store", str(shop.config.store_path)]
    done = CliRunner().invoke(app, command)
    assert done.exit_code == 0, done.output
    return done.output


def clampings(shop: Shop) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(shown(shop, "--plot", "x.svg", "--json"))["cycles"]
    return [clamping for cycle in found for clamping in cycle["clampings"]]


@pytest.fixture(autouse=True)
def _in_a_folder_of_its_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_two_positions_show_how_the_pin_leans(shop: Shop) -> None:
    """One vector is 0.45 of the other: by the line through both, 20 mm apart, it leans
    (1 − 0.45) V / 20 mm the same way, and is 0.45 V − 5 mm of that off at the face."""
    for clamping in clampings(shop):
        far, face = (
            next(p for p in clamping["positions"] if p["position"] == name)
            for name in ("far", "face")
        )
        vector_um = far["diagnosis"]["eccentricity_um"]
        assert face["diagnosis"]["eccentricity_um"] == pytest.approx(0.45 * vector_um, abs=0.01)
        a_mm_um = 0.55 * vector_um / 20
        pin = clamping["pin"]
        assert pin["tilt_urad"] == pytest.approx(1000 * a_mm_um, abs=1)
        assert pin["direction_deg"] == pytest.approx(far["diagnosis"]["direction_deg"], abs=1)
        assert pin["face_um"] == pytest.approx((0.45 * vector_um - 5 * a_mm_um), abs=0.02)
        assert pin["residual_um"] == 0.0


def test_the_event_says_the_same_of_the_pin(shop: Shop) -> None:
    with closing(sqlite3.connect(shop.config.store_path)) as db:
        rows = db.execute(
            "SELECT body FROM events WHERE kind = 'clamping' ORDER BY seq"
        ).fetchall()
    told = [json.loads(row[0])["data"] for row in rows]
    first = [data for data in told if data["piece"] == 1]
    assert [data["pin"] for data in first] == [one["pin"] for one in clampings(shop)]
    assert [data["loosening"] for data in first] == [
        one["loosening"] for one in clampings(shop)
    ]


def test_a_loosening_is_kept_with_its_size_and_its_times(shop: Shop) -> None:
    for clamping in clampings(shop):
        assert clamping["loosening"] == {
            "evidence": "pin-jump", "size_um": 90.0, "duration_s": 1.0, "before_s": 20.0,
        }  # fmt: skip
    assert "pin-jump of 90 µm for 1.0 s, 20.0 s before the sweep" in shown(
        shop, "--plot", "x.svg"
    )


def test_every_figure_is_told_in_words(shop: Shop) -> None:
    said = shown(shop, "--plot", "x.svg")
    place = clampings(shop)[0]["positions"][1]
    found = place["diagnosis"]
    assert place["position"] == "far"
    assert (
        f"far       turns {' and '.join(f'{t:g}' for t in place['turns_um'])} µm,"
        f" {place['samples']} readings a turn,"
        f" start and end differ by {place['closure_um']:.2f} µm"
    ) in said
    assert f"eccentricity {found['eccentricity_um']:.2f} µm at" in said
    assert f"form {found['form_um']:.1f}, noise {found['noise_um']:.2f}, drift" in said
    loss = "/".join(f"{um:.2f}" for um in found["loss_um"])
    gap = f"largest gap {found['gap_deg']:.1f}°"
    assert f"{gap}: may hide {loss} µm of 1/2/3 waves a turn" in said
    assert re.search(r"pin       leans \d+ µrad towards \d+°, \d\.\d µm off at the face", said)


def test_without_distances_no_axis_is_told(bench_folder: Callable[..., Path]) -> None:
    near = (TWO_POSITIONS[0], TWO_POSITIONS[1].replace("projection_mm = 5\n", ""))
    shop = measured(bench_folder(near, FIRST_CHANNEL), 1, kind=Bench(spoil=leaning))
    assert {clamping["pin"] for clamping in clampings(shop)} == {None}


def test_a_record_of_an_earlier_release_is_shown_without_them(shop: Shop) -> None:
    with closing(sqlite3.connect(shop.config.store_path)) as db, db:
        db.execute("DROP VIEW diagnoses_um")
        db.execute("DROP TABLE clamping_diagnoses")
        db.execute("ALTER TABLE clampings DROP COLUMN loosening_at_ns")
    first = clampings(shop)[0]
    assert (first["tir_um"], first["result"]) == (first["positions"][1]["tir_um"], "within")
    assert first["loosening"]["size_um"] == 90.0
    assert first["loosening"]["before_s"] is None
    assert [place["diagnosis"] for place in first["positions"]] == [None, None]
