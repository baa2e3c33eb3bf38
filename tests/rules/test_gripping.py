"""A pin has to be gripped over the whole bore. Common practice, no source."""

import pytest

from rules.gripping import gripping_faults
from rules.instruments import Instrument, Register

MM = 1_000_000


def register(**lengths_nm: int | None) -> Register:
    return {
        name: Instrument(name, "pin", gripping_length_nm=nm) for name, nm in lengths_nm.items()
    }


@pytest.mark.parametrize(
    ("has_nm", "asked_nm", "says"),
    [
        pytest.param(32 * MM, 32 * MM, "", id="just long enough"),
        pytest.param(
            31_999_999,
            32 * MM,
            "31.999999 mm of it can be gripped; the collet grips over 32 mm",
            id="a nanometre too short",
        ),
        pytest.param(None, 32 * MM, "the register has no gripping length", id="not known"),
        pytest.param(5 * MM, None, "", id="the rule file says nothing"),
    ],
)
def test_a_pin_that_grips_too_short_is_unfit(
    has_nm: int | None, asked_nm: int | None, says: str
) -> None:
    found = gripping_faults(register(P=has_nm), ("P",), asked_nm)
    assert found.blocks == found.warns == found.unfit
    assert len(found.blocks) == bool(says)
    assert says in "".join(found.blocks)


def test_each_pin_of_the_lot_is_held_to_it() -> None:
    found = gripping_faults(register(P=20 * MM, Q=40 * MM, R=10 * MM), ("P", "Q", "R"), 30 * MM)
    assert [text.split(":")[0] for text in found.blocks] == [
        "pin P grips too short", "pin R grips too short",
    ]  # fmt: skip


@pytest.mark.parametrize("pins", [(), ("P-9",)])
def test_what_can_not_be_compared_is_said_and_stops_nothing(pins: tuple[str, ...]) -> None:
    found = gripping_faults(register(), pins, 30 * MM)
    assert (found.blocks, found.unfit) == ((), ())
    assert "no pin of the register is named" in found.warns[0]
