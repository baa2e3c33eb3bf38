"""What the ``[bench.capture]`` table takes as proof of a turn, and what it refuses."""

from collections.abc import Callable, Mapping
from decimal import Decimal
from pathlib import Path

import pytest
from pydantic import ValidationError

from daemon.bench_warnings import warnings_of
from daemon.capture_section import CaptureSection
from daemon.config import load
from daemon.toml_values import KeyFaultError

SWEEP = {"mode": "sweep"}
DRIVEN = {**SWEEP, "turning": "driven"}
BY_HAND = {**SWEEP, "turning": "by-hand"}


@pytest.mark.parametrize(
    "keys",
    [
        {**DRIVEN, "proof": "index"},
        {**DRIVEN, "proof": "index", "second_flag_deg": 90},
        {**DRIVEN, "proof": "angle"},
        {**DRIVEN, "proof": "period", "slowest_turn_s": Decimal("3.9")},
        {**DRIVEN, "proof": "speed", "turn_s": Decimal("2.4")},
        {**BY_HAND, "proof": "angle"},
        {**BY_HAND, "proof": "index", "second_flag_deg": 270},
        {**BY_HAND, "proof": "index", "one_way_clutch": "OWC-1"},
    ],
)
def test_a_proof_that_can_prove_a_turn_is_taken(keys: Mapping[str, object]) -> None:
    assert CaptureSection.model_validate(keys).proof == keys["proof"]


@pytest.mark.parametrize(
    ("keys", "key"),
    [
        ({**BY_HAND, "proof": "speed", "turn_s": Decimal(3)}, "proof"),
        ({**BY_HAND, "proof": "period", "slowest_turn_s": Decimal("3.9")}, "proof"),
        ({**BY_HAND}, "proof"),
        ({**BY_HAND, "proof": "index"}, "one_way_clutch"),
        ({**DRIVEN, "proof": "period"}, "slowest_turn_s"),
        ({**DRIVEN, "proof": "period", "slowest_turn_s": Decimal(4)}, "slowest_turn_s"),
        ({**DRIVEN, "proof": "index", "second_flag_deg": 180}, "second_flag_deg"),
        ({**DRIVEN, "proof": "angle", "second_flag_deg": 90}, "second_flag_deg"),
    ],
)
def test_a_proof_that_a_rocked_pin_would_pass_is_refused(
    keys: Mapping[str, object], key: str
) -> None:
    with pytest.raises(ValidationError) as caught:
        CaptureSection.model_validate(keys)
    (error,) = caught.value.errors()
    fault = error["ctx"]["error"]
    assert isinstance(fault, KeyFaultError)
    assert fault.key == key


def test_by_hand_with_a_clutch_and_one_flag_is_warned_of(
    bench_folder: Callable[..., Path],
) -> None:
    by_hand = 'turning = "by-hand"\nproof = "index"\none_way_clutch = "OWC-1"'
    config = load(bench_folder(('turning = "driven"\nproof = "index"', by_hand)))
    assert any("only the clutch proves the direction" in text for text in warnings_of(config))


def test_the_signals_own_period_is_warned_of(bench_folder: Callable[..., Path]) -> None:
    period = 'turning = "driven"\nproof = "period"\nslowest_turn_s = 3.9'
    config = load(bench_folder(('turning = "driven"\nproof = "index"', period)))
    assert any("by its own period" in text for text in warnings_of(config))
    assert config.benches[0].rules.capture.sweep.swept_turn_ns == 3_900_000_000 * 105 // 100
