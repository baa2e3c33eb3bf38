"""A slender pin under the stylus, against a figure worked out by hand."""

import pytest

from rules.instruments import Entered, Instrument, fold
from rules.pin_bending import bend_faults, bend_nm


def test_the_bend_is_that_of_a_cantilever_worked_out_by_hand() -> None:
    """2 mm of steel, 0.5 N, 10 mm out: I = 0.7854 mm⁴, 500 / (3 · 210 000 · 0.7854) mm."""
    assert bend_nm(500, 10_000_000, 2_000_000) == pytest.approx(1_010.5, abs=1)


@pytest.mark.parametrize(("times", "by"), [((2, 1, 1), 2), ((1, 2, 1), 8), ((1, 1, 2), 1 / 16)])
def test_it_goes_with_force_length_cubed_and_diameter_to_the_fourth(
    times: tuple[int, int, int], by: float
) -> None:
    force, length, diameter = times
    once = bend_nm(500, 20_000_000, 2_000_000)
    more = bend_nm(500 * force, 20_000_000 * length, 2_000_000 * diameter)
    assert more == pytest.approx(once * by, abs=4)


@pytest.mark.parametrize(
    ("diameter_mm", "force_mn", "says"),
    [(10, 800, False), (2, 500, True), (2, 100, False), (10, None, False), (None, 500, False)],
)
def test_a_small_bore_asks_for_a_small_force(
    diameter_mm: int | None, force_mn: int | None, says: bool
) -> None:
    pin = Instrument("MP-2", "pin", diameter_nm=diameter_mm and diameter_mm * 1_000_000)
    indicator = Instrument("IND-21", "indicator", measuring_force_mn=force_mn)
    register = fold([Entered(pin, "lead"), Entered(indicator, "lead")])
    found = bend_faults(register, "IND-21", 10_000_000, ("MP-2", "MP-9"), 4_000)
    assert bool(found) == says
    if says:
        assert "bend it by 1.01" in found[0]


def test_a_small_bore_asks_for_the_force_where_nobody_entered_it() -> None:
    """0.5 N bend it by 1.0105 µm, so 0.4 µm are reached at 197.9 mN: worked out by hand."""
    pin = Instrument("MP-2", "pin", diameter_nm=2_000_000)
    register = fold([Entered(pin, "lead"), Entered(Instrument("IND-21", "indicator"), "lead")])
    (found,) = bend_faults(register, "IND-21", 10_000_000, ("MP-2",), 4_000)
    assert "above 197 mN" in found
    assert "no force of indicator IND-21" in found
    assert bend_faults(register, "IND-9", 10_000_000, ("MP-2",), 4_000) == ()
