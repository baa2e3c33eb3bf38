"""A pin has to be of the size of the collet's bore. Common practice, no source."""

import pytest

from rules.instruments import Instrument, Register
from rules.pin_size import size_faults

MM = 1_000_000
UM = 1_000


def register(**diameters_nm: int | None) -> Register:
    return {name: Instrument(name, "pin", diameter_nm=nm) for name, nm in diameters_nm.items()}


@pytest.mark.parametrize(
    ("has_nm", "bore_nm", "says"),
    [
        pytest.param(10 * MM, 10 * MM, "", id="the nominal size"),
        # ISO 286-1 h6, from memory: 6 to 10 mm 0/-9 um, 30 to 50 mm 0/-16 um
        pytest.param(10 * MM - 9 * UM, 10 * MM, "", id="h6 of 10 mm"),
        pytest.param(40 * MM - 16 * UM, 40 * MM, "", id="h6 of 40 mm"),
        pytest.param(9_525_000, 9_525_000, "", id="three eighths of an inch"),
        pytest.param(10 * MM + 20 * UM, 10 * MM, "", id="at the upper end"),
        pytest.param(
            10 * MM + 20 * UM + 1, 10 * MM, "is 10.020001 mm thick", id="a nanometre above"
        ),
        pytest.param(
            9_525_000,
            10 * MM,
            "pin P is 9.525 mm thick; the collet's bore is 10 mm (bore_mm); accepted is a pin"
            " of 9.98 to 10.02 mm",
            id="the inch size beside it",
        ),
        pytest.param(None, 10 * MM, "the register has no diameter", id="not known"),
        pytest.param(5 * MM, None, "", id="the rule file says nothing"),
    ],
)
def test_a_pin_of_another_size_is_unfit(
    has_nm: int | None, bore_nm: int | None, says: str
) -> None:
    found = size_faults(register(P=has_nm), ("P",), bore_nm)
    assert found.blocks == found.warns == found.unfit
    assert len(found.blocks) == bool(says)
    assert says in "".join(found.blocks)


@pytest.mark.parametrize("pins", [(), ("P-9",)])
def test_what_can_not_be_compared_is_said_and_stops_nothing(pins: tuple[str, ...]) -> None:
    found = size_faults(register(), pins, 10 * MM)
    assert (found.blocks, found.unfit) == ((), ())
    assert "no pin of the register is named" in found.warns[0]
