"""A turn must be a turn: whole, at a believable pace, with all its readings."""

import pytest

from rules.capture_model import (
    Edge,
    Seen,
)
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


@pytest.mark.parametrize("degrees", [180, 200, 240, 270, 300, 330, 345])
def test_a_short_turn_has_no_result_and_its_run_out_is_a_lower_bound(degrees: int) -> None:
    for seed in range(12):
        written = tape(seed=seed).reclamp(12.0)
        # From rest at the flag: the index is passed at once, and never again.
        written.turns = written.index_at - 0.01
        written.turn(degrees / 360 + 0.01).rest(8)
        clamping = one(written, INDEX)
        assert (clamping.tir_nm, clamping.invalid) == (None, "short-turn")
        seen_nm = clamping.seen_nm
        assert seen_nm is not None
        assert seen_nm <= 12_000 + 1000 * NEAR_UM
        by_speed = clampings(written.events, SPEED)
        assert all(c.tir_nm is None for c in by_speed)


def test_a_turn_and_a_half_is_one_turn_short() -> None:
    written = tape().reclamp(4.0)
    written.turns = written.index_at - 0.01
    clamping = one(written.turn(1.5).rest(8), INDEX)
    assert clamping.invalid == "short-turn"
    assert clamping.seen_nm is not None
    assert abs(clamping.seen_nm / 1000 - 4.0) < NEAR_UM


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_a_spindle_that_does_not_turn_shows_no_turning(proof: Proof) -> None:
    clamping = one(tape(proof).reclamp(4.0).rest(70), BY_PROOF[proof])
    assert (clamping.tir_nm, clamping.seen_nm, clamping.invalid) == (None, None, "no-turning")


@pytest.mark.parametrize("turned", [0.3, 0.8, 1.1, 1.4, 1.8])
def test_a_spindle_stopped_in_mid_sweep_at_a_known_speed_never_reads_low(turned: float) -> None:
    for seed in range(24):
        written = tape("speed", seed=seed).reclamp(12.0).turn(0.45 + turned).rest(70)
        for clamping in clampings(written.events, SPEED):
            # One whole turn before the stop has shown the run-out, whatever the second did.
            assert clamping.invalid is not None or (clamping.tir_nm or 0) >= 11_900
            assert (clamping.seen_nm or 0) <= 12_000 + 1000 * NEAR_UM


def test_after_a_stopped_sweep_an_honest_clamping_counts() -> None:
    written = tape().reclamp(4.0).turn(1.0).rest(8).honest(6.0)
    found = clampings(written.events, INDEX)
    assert [c.invalid for c in found] == ["short-turn", None]


@pytest.mark.parametrize(
    ("rate_hz", "period_s", "expected"),
    [
        pytest.param(9.0, 2.4, "too-few-samples", id="21 readings a turn"),
        pytest.param(20.0, 1.5, "turned-too-fast", id="a turn of 1.5 s"),
        pytest.param(20.0, 1.2, "turned-too-fast", id="a turn of 1.2 s"),
        pytest.param(20.0, 0.7, "turned-too-fast", id="a turn of 0.7 s"),
        pytest.param(20.0, 6.5, "short-turn", id="a turn of 6.5 s: taken for a stop"),
    ],
)
def test_a_pace_that_hides_run_out_has_no_result(
    rate_hz: float, period_s: float, expected: str
) -> None:
    written = tape(rate_hz=rate_hz, period_s=period_s).honest(4.0, turns=8)
    clamping = one(written, INDEX)
    assert (clamping.tir_nm, clamping.invalid) == (None, expected)


@pytest.mark.parametrize("missing_s", [0.3, 0.6, 1.0])
def test_missing_readings_have_no_result(missing_s: float) -> None:
    written = tape().reclamp(12.0)
    turning_from = written.now_ns
    written.turn(3.4)
    for at_s in (0.8, 1.5, 2.2, 2.9, 3.6, 4.3):
        gone = range(int(turning_from + at_s * S), int(turning_from + (at_s + missing_s) * S))
        events = [e for e in written.events if not (isinstance(e, Seen) and e.at_ns in gone)]
        clamping = next(iter(clampings(events, INDEX)))
        assert (clamping.tir_nm, clamping.invalid) == (None, "readings-missing")


def test_index_bounce_is_one_edge() -> None:
    written = tape().honest(4.0)
    bounced = []
    for event in written.events:
        bounced.append(event)
        if isinstance(event, Edge) and event.signal == "index":
            bounced += [
                Edge("index", is_on, event.at_ns + ms * 1_000_000)
                for ms, is_on in ((3, False), (5, True), (40, False), (200, True), (900, True))
            ]
    bounced.sort(key=lambda event: event.at_ns)
    plain, found = clampings(written.events, INDEX), clampings(bounced, INDEX)
    assert [c.tir_nm for c in found] == [c.tir_nm for c in plain]
