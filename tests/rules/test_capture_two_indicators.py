"""Two indicators on one bench make one clamping."""

from dataclasses import replace

from rules.capture_model import (
    Edge,
    Seen,
    Tick,
)
from tests.rules.bench_tape import (
    INDEX,
    NEAR_UM,
    S,
    Tape,
    clampings,
    tape,
)


def merged(*tapes: Tape) -> list[Edge | Seen]:
    events = [e for written in tapes for e in written.events if isinstance(e, Edge | Seen)]
    return sorted(events, key=lambda e: (e.at_ns, isinstance(e, Seen)))


def two(far_um: float, face_um: float) -> tuple[Tape, Tape]:
    far = tape(seed=1).honest(far_um, 4)
    face = replace(tape(seed=2), indicator="IND-2", has_index=False).honest(face_um, 4)
    return far, face


BOTH = replace(
    INDEX,
    indicators=(
        INDEX.indicators[0],
        replace(INDEX.indicators[0], id="IND-2", position="face"),
    ),
)


def test_two_indicators_make_one_clamping_and_the_larger_run_out_decides() -> None:
    found = clampings(merged(*two(7.0, 3.0)), BOTH)
    assert len(found) == 1
    assert [p.position for p in found[0].positions] == ["far", "face"]
    assert found[0].invalid is None
    assert found[0].tir_nm == max(p.run_out.tir_nm or 0 for p in found[0].positions)
    assert [round((p.run_out.tir_nm or 0) / 1000) for p in found[0].positions] == [7, 3]


def test_doubt_at_one_indicator_is_doubt_about_the_clamping() -> None:
    far, face = two(4.0, 3.0)
    held: list[int] = []

    def freeze(event: Edge | Seen) -> Edge | Seen:
        value_nm = event.reading.value_nm if isinstance(event, Seen) else None
        if isinstance(event, Seen) and event.indicator == "IND-2" and value_nm is not None:
            held.append(value_nm)
            return replace(event, reading=replace(event.reading, value_nm=held[0]))
        return event

    found = clampings([freeze(e) for e in merged(far, face)], BOTH)
    assert [c.invalid for c in found] == ["frozen-value"]
    assert found[0].seen_nm is not None
    assert abs(found[0].seen_nm / 1000 - 4.0) < NEAR_UM


def test_an_indicator_that_stays_silent_leaves_no_result() -> None:
    far, _ = two(4.0, 3.0)
    found = clampings([*far.events, Tick(far.now_ns + 8 * S)], BOTH)
    assert [c.tir_nm for c in found] == [None]


def test_the_opening_seen_by_one_indicator_inflates_the_bound_of_neither() -> None:
    written = []
    for name, away_um in (("IND-1", 60.0), ("IND-2", 15.0)):
        pin = replace(tape(seed=3), indicator=name, has_index=name == "IND-1").reclamp(4.0)
        pin.turns = pin.index_at - 0.01
        written.append(pin.turn(0.7).spring(away_um, 2))
    clamping = clampings(merged(*written), BOTH)[0]
    assert clamping.invalid == "short-turn"
    assert (clamping.seen_nm or 0) <= 4_000 + 1000 * NEAR_UM
