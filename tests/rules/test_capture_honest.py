"""An honest clamping is whole, exact and counted once."""

from dataclasses import replace
from random import Random

import pytest

from rules.capture_model import (
    Edge,
    Seen,
)
from rules.clamping import Clamping
from rules.sweep import Proof
from tests.rules.bench_tape import (
    BY_PROOF,
    CONTACT,
    INDEX,
    NEAR_UM,
    SPEED,
    Tape,
    clampings,
    one,
    tape,
)


def oracle_tir_nm(written: Tape, clamping: Clamping, turns: int = 2) -> int:
    """Return TIR anew from what was written: the largest turn between its index edges."""
    edges = [e.at_ns for e in written.events if isinstance(e, Edge) and e.signal == "index"]
    seen = [e for e in written.events if isinstance(e, Seen)]
    first = next(i for i, at in enumerate(edges) if at >= clamping.started_ns)
    tirs = []
    for start, end in zip(edges[first:], edges[first + 1 : first + 1 + turns], strict=False):
        values = [e.reading.value_nm or 0 for e in seen if start <= e.at_ns <= end]
        tirs.append(max(values) - min(values))
    return max(tirs)


@pytest.mark.parametrize("on_readings", [True, False], ids=["flag in the frame", "modem line"])
@pytest.mark.parametrize("tir_um", [1.0, 4.9, 15.0, 60.0])
def test_an_honest_clamping_is_valid_and_exact(tir_um: float, on_readings: bool) -> None:
    written = replace(tape(ripple=0.2), index_on_readings=on_readings).honest(tir_um)
    clamping = one(written, INDEX)
    assert clamping.invalid is None
    assert clamping.tir_nm == oracle_tir_nm(written, clamping)
    assert abs(clamping.tir_nm / 1000 - tir_um) < NEAR_UM + 0.005 * tir_um
    assert clamping.loosening.evidence == "stylus-lift"


@pytest.mark.parametrize("period_s", [2.28, 2.4, 2.52])
@pytest.mark.parametrize("tir_um", [1.0, 4.9, 15.0])
def test_an_honest_clamping_at_a_known_speed_is_valid(tir_um: float, period_s: float) -> None:
    written = tape("speed", period_s=period_s).honest(tir_um, turns=5)
    clamping = one(written, SPEED)
    assert clamping.invalid is None
    assert clamping.tir_nm is not None
    assert abs(clamping.tir_nm / 1000 - tir_um) < NEAR_UM


def test_a_run_contact_lets_a_perfect_collet_be_perfect() -> None:
    written = tape("speed").reclamp(0.0).edge("run").turn(5).edge("run", is_on=False)
    clamping = one(written, CONTACT)
    assert clamping.invalid is None
    assert clamping.tir_nm is not None
    assert clamping.tir_nm < 500


def test_a_stylus_set_on_a_turning_pin_is_taken_with_a_run_contact_too() -> None:
    written = tape("speed").lift(5).clamp(4.0).edge("run").turn(6).edge("run", is_on=False)
    assert one(written, CONTACT).invalid is None


def test_clampings_follow_each_other_with_a_run_contact() -> None:
    written = tape("speed")
    for tir_um in (0.5, 4.0, 9.0):
        written.reclamp(tir_um).rest(3).edge("run").turn(5).edge("run", is_on=False).rest(2)
    found = clampings(written.events, CONTACT)
    assert [c.invalid for c in found] == [None] * 3


def test_a_knock_before_the_spindle_starts_is_no_sweep_at_a_known_speed() -> None:
    for away_um in (0.6, 1.5, 6.0):
        written = tape("speed").reclamp(4.0).spring(away_um, 0.3).rest(7).turn(6)
        clamping = one(written, SPEED)
        assert clamping.invalid is None


def test_the_first_turns_after_settling_count_however_long_it_goes_on_turning() -> None:
    written = tape().honest(4.0, turns=30)
    clamping = one(written, INDEX)
    assert len(clamping.positions[0].run_out.turns_nm) == 2


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_three_honest_clampings_follow_each_other(proof: Proof) -> None:
    written = tape(proof).honest(3.0, 6).honest(4.0, 6).honest(9.0, 6)
    found = clampings(written.events, BY_PROOF[proof])
    assert [c.invalid for c in found] == [None] * 3
    assert [round(c.tir_nm / 1000) for c in found if c.tir_nm] == [3, 4, 9]


def test_every_reading_of_a_sweep_is_kept_once_and_in_order() -> None:
    written = tape().honest(4.0).honest(5.0)
    seen = {e.at_ns: e.reading.value_nm for e in written.events if isinstance(e, Seen)}
    for clamping in clampings(written.events, INDEX):
        sweep = clamping.positions[0].sweep
        times = [at for at in seen if sweep.at_ns[0] <= at <= sweep.at_ns[-1]]
        assert list(sweep.at_ns) == times
        assert list(sweep.value_nm) == [seen[at] for at in times]


def test_two_hundred_honest_sweeps_are_all_valid() -> None:
    rng = Random(42)
    for seed in range(200):
        written = Tape(
            seed=seed, ripple=rng.uniform(-0.2, 0.2), ripple_at=rng.random(),
            index_at=rng.random(), index_on_readings=seed % 2 == 0,
        )  # fmt: skip
        tir_um = rng.uniform(1, 15)
        clamping = one(written.honest(tir_um), INDEX)
        assert clamping.invalid is None
        assert clamping.tir_nm is not None
        assert abs(clamping.tir_nm / 1000 - tir_um) < NEAR_UM
