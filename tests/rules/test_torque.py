"""The torque at which the nut is tightened: asked for, said, or said by nobody."""

import pytest

from rules.torque import tightened_text, torque_fault, torque_faults, torque_text


@pytest.mark.parametrize(
    ("nmm", "text"),
    [(40_000, "40 N·m"), (8_500, "8.5 N·m"), (24_405, "24.405 N·m"), (800, "0.8 N·m")],
)
def test_a_torque_is_told_in_newton_metres_with_every_digit(nmm: int, text: str) -> None:
    assert torque_text(nmm) == text


@pytest.mark.parametrize(
    ("asked_nmm", "set_nmm", "blocks", "warns"),
    [
        pytest.param(None, None, 0, 0, id="nobody asks"),
        pytest.param(None, 40_000, 0, 0, id="said though nobody asks"),
        pytest.param(40_000, 40_000, 0, 0, id="as asked for"),
        pytest.param(40_000, None, 0, 1, id="asked for, and nobody said"),
        pytest.param(40_000, 39_999, 1, 1, id="too little by the least digit"),
        pytest.param(40_000, 45_000, 1, 1, id="too much"),
    ],
)
def test_only_the_setting_asked_for_opens_a_lot(
    asked_nmm: int | None, set_nmm: int | None, blocks: int, warns: int
) -> None:
    found = torque_faults(asked_nmm, set_nmm)
    assert (len(found.blocks), len(found.warns), found.unfit) == (blocks, warns, ())
    assert bool(torque_fault(asked_nmm, set_nmm)) == bool(blocks)


def test_a_fault_names_what_is_set_what_is_accepted_and_the_key() -> None:
    assert torque_fault(40_000, 35_500) == (
        "the torque tool is set to 35.5 N·m; accepted is what the rule file asks for, 40 N·m "
        "(torque_nmm = 40000)"
    )


def test_how_the_nut_was_tightened_is_told_and_that_nobody_said() -> None:
    assert tightened_text("TT-1", 40_000) == "tightened at 40 N·m, torque tool TT-1"
    assert tightened_text("", None) == "torque not said, torque tool not said"
