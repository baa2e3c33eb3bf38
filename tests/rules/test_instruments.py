"""The register of instruments. Common practice, no source."""

from dataclasses import replace
from datetime import date

import pytest

from rules.instrument_fitness import Today, fitness
from rules.instruments import (
    Calibrated,
    Entered,
    Instrument,
    InstrumentError,
    InstrumentFact,
    Used,
    Withdrawn,
    fold,
)

DUE = date(2026, 11, 30)
PIN = Instrument("MP-10-1", "pin", "C-1", DUE, form_nm=400)
IND = Instrument("IND-21", "indicator", "C-2", DUE)
FACTS: list[InstrumentFact] = [Entered(PIN, "lead"), Entered(IND, "lead")]
USED = ("MP-10-1", "IND-21")


@pytest.mark.parametrize(
    ("today", "blocks", "warns"),
    [
        (date(2026, 11, 15), 0, 0),
        (date(2026, 11, 16), 0, 2),
        (date(2026, 11, 30), 0, 2),
        (date(2026, 12, 1), 2, 2),
    ],
)
def test_a_calibration_is_in_date_on_its_last_day_and_blocks_a_new_lot_after_it(
    today: date, blocks: int, warns: int
) -> None:
    found = fitness(fold(FACTS), USED, 4_000, Today(today))
    assert (len(found.blocks), len(found.warns)) == (blocks, warns)


def test_a_clock_in_doubt_blocks_a_new_lot_since_no_calibration_can_be_shown_in_date() -> None:
    doubted = Today(date(2016, 11, 10), "set back ten years")
    found = fitness(fold(FACTS), USED, 4_000, doubted)
    assert len(found.blocks) == 2
    assert "set back ten years" in found.blocks[0]
    free = fold([Entered(replace(IND, due=None), "lead")])
    assert fitness(free, ("IND-21",), 4_000, doubted).blocks == ()


@pytest.mark.parametrize(("form_nm", "blocks"), [(400, 0), (401, 1), (None, 1)])
def test_the_form_of_a_pin_may_be_a_tenth_of_the_tightest_limit(
    form_nm: int | None, blocks: int
) -> None:
    register = fold([Entered(replace(PIN, form_nm=form_nm), "lead")])
    found = fitness(register, ("MP-10-1",), 4_000, Today(date(2026, 11, 1)))
    assert len(found.blocks) == blocks


def test_a_new_certificate_gives_a_new_date_and_keeps_what_it_does_not_give() -> None:
    later = Calibrated("MP-10-1", "C-9", date(2027, 11, 30), "lead")
    pin = fold([*FACTS, Used("MP-10-1", 3), later, Used("MP-10-1", 4)])["MP-10-1"]
    assert (pin.certificate, pin.due, pin.form_nm, pin.uses) == (
        "C-9", date(2027, 11, 30), 400, 7,
    )  # fmt: skip


def test_what_is_withdrawn_or_unknown_blocks() -> None:
    register = fold([*FACTS, Withdrawn("IND-21", "dropped", "lead")])
    found = fitness(register, (*USED, "H-1"), 4_000, Today(date(2026, 11, 1)))
    assert found.blocks == ("H-1 is not in the register", "indicator IND-21 is withdrawn")


def test_a_bench_without_a_register_is_warned_and_not_stopped() -> None:
    found = fitness(fold(FACTS), ("IND-99", "MP-99"), 4_000, Today(date(2026, 11, 1)))
    assert found.blocks == ()
    assert "none of IND-99, MP-99 is in the register" in found.warns[0]


def test_what_came_back_from_repair_is_in_use_again_with_a_certificate_and_not_without() -> (
    None
):
    withdrawn = [*FACTS, Withdrawn("IND-21", "dropped", "lead")]
    back = Calibrated("IND-21", "C-7", date(2027, 11, 30), "lead", measuring_force_mn=400)
    indicator = fold([*withdrawn, back])["IND-21"]
    assert (indicator.is_withdrawn, indicator.measuring_force_mn) == (False, 400)
    with pytest.raises(InstrumentError, match="accepted are MP-10-1"):
        fold([*withdrawn, replace(back, certificate="")])


def test_a_doubted_clock_is_told_apart_from_an_unfit_instrument() -> None:
    late = fold([*FACTS, Withdrawn("IND-21", "dropped", "lead")])
    doubted = Today(date(2036, 1, 1), "set on ten years")
    found = fitness(late, USED, 4_000, doubted)
    assert found.unfit == ("indicator IND-21 is withdrawn",)
    assert sum("set on ten years" in text for text in found.blocks) == 2


@pytest.mark.parametrize(
    ("fact", "says"),
    [
        (Entered(PIN, "lead"), "is taken"),
        (Entered(replace(PIN, id=" "), "lead"), "identity is missing"),
        (Entered(Instrument("EM-1", "eccentric-master"), "lead"), "run-out and U"),
        (Used("MP-99", 1), "accepted are IND-21, MP-10-1"),
        (Used("IND-21", 0), "1 or more"),
        (Withdrawn("IND-21", " ", "lead"), "needs a reason"),
    ],
)
def test_a_fact_that_does_not_fit_is_refused_with_what_is_accepted(
    fact: InstrumentFact, says: str
) -> None:
    with pytest.raises(InstrumentError, match=says):
        fold([*FACTS, fact])
