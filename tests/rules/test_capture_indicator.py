"""Doubt about stylus or indicator leaves no result, and no bound that an opening made."""

from dataclasses import replace

import pytest

from rules.capture_model import (
    Seen,
)
from rules.reading import Flag, Reading
from rules.sweep import Proof
from tests.rules.bench_tape import (
    BY_PROOF,
    INDEX,
    NEAR_UM,
    SPEED,
    S,
    clampings,
    one,
    tape,
)


@pytest.mark.parametrize("flag", ["frozen", "over-range"])
@pytest.mark.parametrize("proof", ["index", "speed"])
def test_a_flag_of_doubt_in_the_sweep_leaves_no_result(proof: Proof, flag: Flag) -> None:
    written = tape(proof).reclamp(4.0).turn(2.0, stop=False)
    written.flags = frozenset({flag})
    written.turn(4).rest(70)
    clamping = clampings(written.events, BY_PROOF[proof])[0]
    expected = "frozen-value" if flag == "frozen" else "over-range"
    assert (clamping.tir_nm, clamping.seen_nm, clamping.invalid) == (None, None, expected)


@pytest.mark.parametrize("froze_at", [0.31, 0.4, 0.6, 0.9, 1.2, 1.9, 2.2])
def test_a_display_that_freezes_without_saying_so_never_reads_low(froze_at: float) -> None:
    for seed in range(12):
        written = tape(seed=seed).reclamp(12.0)
        turning_from = written.now_ns
        written.turn(4.0)
        froze_ns = turning_from + round(froze_at * 2.4 * S)
        live = [e for e in written.events if isinstance(e, Seen) and e.at_ns <= froze_ns]
        events = [
            replace(e, reading=live[-1].reading)
            if isinstance(e, Seen) and e.at_ns > froze_ns
            else e
            for e in written.events
        ]
        for clamping in clampings(events, INDEX):
            assert clamping.invalid is not None or (clamping.tir_nm or 0) >= 0.8 * 12_000


def test_over_range_in_the_sweep_ends_it_and_is_a_lift_if_it_lasts() -> None:
    written = tape().reclamp(4.0).turn(1.0, stop=False).lift(8).clamp(5.0).rest(1.5).turn(3.4)
    found = clampings(written.events, INDEX)
    assert [c.invalid for c in found] == ["over-range", None]
    assert found[1].loosening.evidence == "stylus-lift"


def test_a_stylus_that_leaves_its_window_in_the_sweep_is_off_the_pin() -> None:
    written = tape(base_um=398.0).reclamp(8.0).turn(3.4)
    clamping = clampings(written.events, INDEX)[0]
    assert (clamping.tir_nm, clamping.invalid) == (None, "stylus-off")


def test_a_stylus_off_for_one_reading_was_off_the_pin() -> None:
    written = tape().reclamp(4.0)
    first = len(written.events)
    written.turn(3.4)
    seen = [i for i, e in enumerate(written.events) if i > first and isinstance(e, Seen)]
    gone = written.events[seen[40]]
    assert isinstance(gone, Seen)
    written.events[seen[40]] = replace(gone, reading=Reading(600_000))
    clamping = one(written, INDEX)
    assert (clamping.tir_nm, clamping.seen_nm, clamping.invalid) == (None, None, "stylus-off")


@pytest.mark.parametrize("end_um", [-4.0, -2.0, 0.0, 2.0, 4.0])
def test_a_stylus_at_the_end_of_its_travel_has_no_result(end_um: float) -> None:
    written = tape().reclamp(12.0)

    def clip(reading: Reading) -> Reading:
        value = reading.value_nm
        return replace(reading, value_nm=max(round(end_um * 1000), value or 0))

    written.reading = clip
    clamping = one(written.turn(3.4), INDEX)
    assert (clamping.tir_nm, clamping.seen_nm, clamping.invalid) == (None, None, "stylus-off")


def test_max_min_memory_is_no_indication() -> None:
    written = tape().reclamp(4.0)
    written.mode = "max-min"
    clamping = one(written.turn(3.4), INDEX)
    assert (clamping.tir_nm, clamping.seen_nm, clamping.invalid) == (None, None, "wrong-mode")


def test_max_min_memory_at_a_known_speed_is_told_after_the_wait() -> None:
    written = tape("speed").reclamp(4.0)
    written.mode = "max-min"
    assert one(written.turn(30), SPEED).invalid == "wrong-mode"


def test_switching_to_max_min_and_back_is_no_jump_of_the_pin() -> None:
    written = tape(base_um=150.0).honest(4.0).rest(2)
    written.mode, written.base_um = "max-min", 4.0
    written.rest(3)
    written.mode, written.base_um = "live", 150.0
    written.rest(2).turn(6)
    assert len(clampings(written.events, INDEX)) == 1


def in_inch(reading: Reading) -> Reading:
    return replace(reading, unit="inch")


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_a_unit_changed_in_mid_sweep_leaves_no_result(proof: Proof) -> None:
    written = tape(proof).reclamp(4.0).turn(2.0, stop=False)
    written.reading = in_inch
    written.turn(4).rest(2)
    clamping = clampings(written.events, BY_PROOF[proof])[0]
    assert (clamping.tir_nm, clamping.seen_nm, clamping.invalid) == (None, None, "unit-changed")


def test_zeroing_that_the_indicator_tells_in_mid_sweep_leaves_no_result() -> None:
    written = tape(base_um=3.0).reclamp(4.0).turn(1.2, stop=False)
    written.flags, written.base_um = frozenset({"offset-set"}), 2.5
    clamping = clampings(written.turn(4).events, INDEX)[0]
    assert (clamping.tir_nm, clamping.invalid) == (None, "offset-changed")


@pytest.mark.parametrize("opened_after", [0.2, 0.7, 1.0, 1.4, 1.9])
@pytest.mark.parametrize("away_um", [-250.0, -60.0, 60.0, 250.0])
def test_an_opening_in_mid_sweep_is_no_run_out(opened_after: float, away_um: float) -> None:
    written = tape().reclamp(4.0)
    written.turns = written.index_at - 0.01
    written.turn(0.01 + opened_after).spring(away_um, 1.5).lift(8)
    found = clampings(written.events, INDEX)
    assert [c.invalid for c in found] == ["short-turn"]
    assert (found[0].seen_nm or 0) <= 4_000 + 1000 * NEAR_UM
    written.clamp(5.0).rest(1.5).turn(3.4)
    found = clampings(written.events, INDEX)
    assert [c.invalid for c in found] == ["short-turn", None]


@pytest.mark.parametrize("seconds", [0.4, 1.0, 3.0])
@pytest.mark.parametrize("away_um", [15.0, 60.0])
def test_a_nut_opened_gently_after_an_early_stop_is_no_run_out(
    away_um: float, seconds: float
) -> None:
    written = tape().reclamp(4.0)
    written.turns = written.index_at - 0.01
    written.turn(0.6).rest(1.4).move(away_um, seconds).rest(1).lift(9)
    clamping = clampings(written.events, INDEX)[0]
    assert clamping.invalid == "short-turn"
    assert clamping.seen_nm is not None
    assert clamping.seen_nm <= 4_000 + 1000 * NEAR_UM


def test_a_short_turn_beyond_a_limit_stays_beyond_it_when_the_stylus_is_lifted() -> None:
    written = tape().reclamp(12.0, phase=0.1)
    written.turns = written.index_at - 0.01
    clamping = clampings(written.turn(0.9).rest(2).lift(9).events, INDEX)[0]
    assert clamping.invalid == "short-turn"
    assert clamping.seen_nm is not None
    assert clamping.seen_nm > 10_000


def test_an_opening_that_begins_gently_is_no_run_out_from_its_beginning() -> None:
    written = tape().reclamp(4.0)
    written.turns = written.index_at - 0.01
    written.turn(0.7).move(16.0, 0.2).spring(60.0, 1.5).lift(8)
    clamping = clampings(written.events, INDEX)[0]
    assert clamping.invalid == "short-turn"
    assert (clamping.seen_nm or 0) <= 4_000 + 1000 * NEAR_UM


def test_an_opening_is_no_run_out_however_short_the_settling() -> None:
    rules = replace(INDEX, settle_ns=S // 10)
    written = tape().reclamp(4.0)
    written.turns = written.index_at - 0.01
    written.turn(0.7).spring(60.0, 1.5).lift(8)
    clamping = clampings(written.events, rules)[0]
    assert clamping.invalid == "short-turn"
    assert (clamping.seen_nm or 0) <= 4_000 + 1000 * NEAR_UM
