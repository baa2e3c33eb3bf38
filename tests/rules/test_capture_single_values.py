"""An indicator that sends finished values: one value, one clamping, nothing observed."""

from dataclasses import replace

import pytest

from rules.capture_model import (
    ClampingStarted,
    Edge,
    Seen,
    Tick,
)
from rules.reading import Reading
from tests.rules.bench_tape import (
    INDEX,
    S,
    captured,
    clampings,
)

OVER_RANGE = Reading(None, flags=frozenset({"over-range"}))


SINGLE = replace(INDEX, mode="single-value")


def values(*spoken: tuple[float, int | None]) -> list[Seen]:
    return [
        Seen("IND-1", OVER_RANGE if nm is None else Reading(nm), round(at_s * S))
        for at_s, nm in spoken
    ]


def test_a_finished_value_is_one_clamping_with_no_loosening_observed() -> None:
    found = clampings(values((1, 4_900), (30, 5_000)), SINGLE)
    assert [c.tir_nm for c in found] == [4_900, 5_000]
    assert {c.loosening.evidence for c in found} == {"not-observed"}


def test_a_value_sooner_than_a_hand_can_re_clamp_is_refused() -> None:
    _, outcomes = captured(values((1, 4_900), (8.9, 4_800), (17, 4_700)), SINGLE)
    names = [type(o).__name__ for o in outcomes if not isinstance(o, ClampingStarted)]
    assert names == ["ClampingEnded", "ValueRefused", "ClampingEnded"]


def test_a_stream_of_values_never_becomes_a_second_clamping() -> None:
    found = clampings(values(*((1 + i / 20, 4_000 + i) for i in range(2_000))), SINGLE)
    assert [c.tir_nm for c in found] == [4_000]


@pytest.mark.parametrize(
    ("value_nm", "expected"), [(-100, "negative-value"), (None, "over-range")]
)
def test_a_finished_value_that_can_be_none_has_no_result(
    value_nm: int | None, expected: str
) -> None:
    (clamping,) = clampings(values((1, value_nm)), SINGLE)
    assert (clamping.tir_nm, clamping.seen_nm, clamping.invalid) == (None, None, expected)


def test_signals_and_silence_mean_nothing_among_finished_values() -> None:
    between = (Edge("foot", True, 2 * S), Edge("index", True, 9 * S), Tick(500 * S))
    _, outcomes = captured([*values((1, 4_000)), *between, *values((600, 3_000))], SINGLE)
    assert sum(isinstance(o, ClampingStarted) for o in outcomes) == 2
