"""Collets and clampings against what geometry and statistics say of them."""

from cmath import exp as cexp
from math import hypot, log, pi, sqrt

import numpy as np
import pytest
from scipy import stats  # scipy ships no types

from simulators.collet import SOFT_CHIP_TURNS, Clamper, Collet, ColletKind, fill_tray
from simulators.scenario import HOLDER_UM, LOT_A, LOT_B
from simulators.stand import Stand, StandKind

PURE_A = ColletKind(0.9, 0.4, outlier_share=0.0, chip_share=0.0)
PURE_B = ColletKind(2.2, 0.9, outlier_share=0.0, chip_share=0.0)
NO_HOLDER = 0j


def _three_clampings(seed: str, kind: ColletKind, pieces: int) -> np.ndarray:
    """Return the true run-out of three clampings by 120° for each piece."""
    rows = []
    for collet in fill_tray(seed, kind, pieces):
        clamper = Clamper(seed, collet, kind, HOLDER_UM)
        row = []
        for _ in range(3):
            row.append(clamper.tighten().run_out_um)
            clamper.rotate(120.0, 10.0)
        rows.append(row)
    return np.array(rows)


def test_the_pin_shows_a_tir_of_twice_its_eccentricity() -> None:
    # Circular run-out, ISO 1101 (from memory): FIM over one turn = 2 e for a pure eccentricity.
    stand = Stand(StandKind())
    collet = Collet(1, 3 * cexp(0.7j) + 0j, is_outlier=False)
    still = ColletKind(0.0, 0.0, 0.0, 1.0, 0.0)
    pin = Clamper("1", collet, still, NO_HOLDER).tighten()
    stand.tighten(pin, 0)
    stand.set_stylus(True, 0, takes_s=0.0)
    stand.switch_spindle(True, 0)
    turn = [stand.position_um(10_000_000_000 + ns) for ns in range(0, 2_400_000_000, 1_000_000)]
    assert max(turn) - min(turn) == pytest.approx(6.0, abs=1e-4)
    assert pin.run_out_um == pytest.approx(6.0)


def test_tir_of_the_collets_alone_is_rayleigh_with_twice_the_deviation() -> None:
    # Textbook: two independent normal components of deviation s make a Rayleigh(s) length.
    tirs = [2 * abs(collet.vector_um) for collet in fill_tray("7", PURE_A, 4000)]
    assert stats.kstest(tirs, stats.rayleigh(scale=1.8).cdf).pvalue > 0.01
    assert np.mean(tirs) == pytest.approx(1.8 * sqrt(pi / 2), rel=0.03)
    assert np.median(tirs) == pytest.approx(1.8 * sqrt(2 * log(2)), rel=0.03)


def test_tir_of_first_clampings_is_rice_with_the_holders_vector_as_its_offset() -> None:
    tirs = _three_clampings("8", PURE_A, 4000)[:, 0]
    sigma_um = hypot(0.9, 0.4)
    rice = stats.rice(0.2 / sigma_um, scale=2 * sigma_um)
    assert stats.kstest(tirs, rice.cdf).pvalue > 0.01


def test_the_same_piece_clamped_again_and_again_is_rice_about_its_own_vector() -> None:
    collet = Collet(1, 1.1 + 0.3j, is_outlier=False)
    clamper = Clamper("9", collet, PURE_A, NO_HOLDER)
    tirs = [clamper.tighten().run_out_um for _ in range(4000)]
    rice = stats.rice(abs(collet.vector_um) / 0.4, scale=0.8)
    assert stats.kstest(tirs, rice.cdf).pvalue > 0.01


@pytest.mark.parametrize(
    ("kind", "limit_um", "share"),
    [
        pytest.param(PURE_A, 3.2, 0.554, id="lot A: about 55 %"),
        pytest.param(PURE_B, 6.0, 0.359, id="lot B: about 36 %"),
    ],
)
def test_the_share_of_grade_1_is_what_the_design_computed(
    kind: ColletKind, limit_um: float, share: float
) -> None:
    pieces = 6000
    grade_1 = np.count_nonzero(_three_clampings("10", kind, pieces).max(axis=1) <= limit_um)
    # The expected share by an independent draw of the same formula, TIR = 2|m + e + s|.
    rng = np.random.default_rng(3)
    e = kind.eccentricity_um * (rng.normal(size=400_000) + 1j * rng.normal(size=400_000))
    worst = np.zeros(400_000)
    for turn in range(3):
        s = kind.scatter_um * (rng.normal(size=400_000) + 1j * rng.normal(size=400_000))
        worst = np.maximum(worst, 2 * np.abs(0.2 + e * np.exp(2j * pi * turn / 3) + s))
    expected = float(np.mean(worst <= limit_um))
    assert expected == pytest.approx(share, abs=0.01)
    assert stats.binomtest(grade_1, pieces, expected).pvalue > 0.01


def test_the_largest_of_three_is_never_below_the_collets_own_run_out_without_scatter() -> None:
    # Three vectors e·w^k + m with w = exp(2πi/3): their mean square is |e|² + |m|².
    calm = ColletKind(0.9, 0.0, outlier_share=0.0, chip_share=0.0)
    for collet in fill_tray("11", calm, 300):
        clamper = Clamper("11", collet, calm, 5 * HOLDER_UM)
        tirs = []
        for _ in range(3):
            tirs.append(clamper.tighten().run_out_um)
            clamper.rotate(120.0, 0.0)
        assert max(tirs) >= 2 * abs(collet.vector_um) - 1e-9


def test_three_clampings_by_120_degrees_separate_collet_holder_and_scatter() -> None:
    # Multi-step separation: constant term = holder, +1 term = collet, −1 term = scatter alone.
    turn = np.exp(2j * pi * np.arange(3) / 3)
    constants, own_errors, leftovers = [], [], []
    for collet in fill_tray("12", PURE_A, 3000):
        clamper = Clamper("12", collet, PURE_A, HOLDER_UM)
        vectors = []
        for _ in range(3):
            vectors.append(clamper.tighten().vector_um)
            clamper.rotate(120.0, 0.0)
        found = np.array(vectors)
        constants.append(found.mean())
        own_errors.append((found / turn).mean() - collet.vector_um)
        leftovers.append((found * turn).mean())
    assert np.mean(constants) == pytest.approx(HOLDER_UM, abs=0.02)
    for terms in (own_errors, leftovers):
        assert np.std(np.real(terms)) == pytest.approx(0.4 / sqrt(3), rel=0.05)


@pytest.mark.parametrize("kind", [LOT_A.collets, LOT_B.collets], ids=["lot A", "lot B"])
def test_three_in_a_hundred_pieces_have_three_times_the_eccentricity(kind: ColletKind) -> None:
    pieces = fill_tray("13", kind, 20_000)
    bad = [abs(collet.vector_um) for collet in pieces if collet.is_outlier]
    assert stats.binomtest(len(bad), len(pieces), 0.03).pvalue > 0.01
    scale_um = 3 * kind.eccentricity_um
    assert stats.kstest(bad, stats.rayleigh(scale=scale_um).cdf).pvalue > 0.01


def test_one_in_a_hundred_tightenings_traps_a_chip() -> None:
    kind = ColletKind(0.9, 0.4, soft_chip_share=0.0)
    pieces = fill_tray("14", kind, 20_000)
    first = [Clamper("14", collet, kind, NO_HOLDER).tighten() for collet in pieces]
    chips = [pin for pin in first if pin.chip_um]
    assert stats.binomtest(len(chips), len(first), 0.01).pvalue > 0.01
    assert all(kind.chip_um[0] <= pin.chip_um <= kind.chip_um[1] for pin in chips)
    assert all(pin.is_steady for pin in chips)


def test_a_soft_chip_gives_way_while_the_pin_turns_and_stays_with_the_piece() -> None:
    kind = ColletKind(0.0, 0.0, 0.0, 1.0, chip_share=1.0, soft_chip_share=1.0)
    clamper = Clamper("15", Collet(1, 0j, is_outlier=False), kind, NO_HOLDER)
    pins = [clamper.tighten() for _ in range(4)]
    assert not any(pin.is_steady for pin in pins)
    for pin in pins:
        assert abs(pin.vector_at(0.0)) == pytest.approx(pin.chip_um)
        assert abs(pin.vector_at(SOFT_CHIP_TURNS)) == pytest.approx(pin.chip_um / np.e)


def test_a_chip_by_mistake_spoils_one_clamping_alone() -> None:
    clamper = Clamper("16", Collet(1, 0j, is_outlier=False), PURE_A, NO_HOLDER)
    chips = [clamper.tighten(with_chip=chip).chip_um > 0 for chip in (False, True, False)]
    assert chips == [False, True, False]


def test_the_truth_of_a_piece_depends_on_seed_and_piece_alone() -> None:
    kind = LOT_A.collets
    long, short = fill_tray("17", kind, 50), fill_tray("17", kind, 10)
    assert long[:10] == short
    assert fill_tray("18", kind, 10) != short
    once = [Clamper("17", long[4], kind, HOLDER_UM).tighten() for _ in range(2)]
    assert once[0] == once[1]


def test_collets_are_rotated_by_eye() -> None:
    clamper = Clamper("19", Collet(1, 1 + 0j, is_outlier=False), PURE_A, NO_HOLDER)
    angles = []
    for _ in range(2000):
        angles.append(clamper.tighten().angle_deg)
        clamper.rotate(120.0, 10.0)
    steps = np.diff(angles)
    assert np.mean(steps) == pytest.approx(120.0, abs=1.0)
    assert np.std(steps) == pytest.approx(10.0, rel=0.06)
