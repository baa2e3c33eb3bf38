"""Whose certificate a check goes by: the bench file's, the register's, or nobody's."""

import pytest

from rules.certificates import CertificateError, NamedMaster, certified
from rules.instruments import Instrument, Register
from rules.masters import Master, Subject

MASTER = Instrument(
    "EM-1", "eccentric-master", "C-12", tir_nm=5_120, expanded_uncertainty_nm=90
)
REGISTER: Register = {
    "EM-1": MASTER,
    "RC-1": Instrument("RC-1", "reference-collet", tir_nm=300, expanded_uncertainty_nm=50),
    "MP-10-1": Instrument("MP-10-1", "pin"),
}


@pytest.mark.parametrize(
    ("here", "register", "values"),
    [
        pytest.param((None, None), REGISTER, (5_120, 90), id="the register alone"),
        pytest.param((5_120, 90), REGISTER, (5_120, 90), id="both, and they agree"),
        pytest.param((5_120, None), REGISTER, (5_120, 90), id="one value here"),
        pytest.param((5_100, 100), {}, (5_100, 100), id="the file alone"),
    ],
)
def test_a_check_goes_by_the_values_that_one_of_both_has(
    here: tuple[int | None, int | None], register: Register, values: tuple[int, int]
) -> None:
    named = NamedMaster("EM-1", "eccentric-master", *here)
    assert certified(named, register) == Master("EM-1", "eccentric-master", *values)


def test_a_reference_collet_is_a_master_and_the_taper_seat_is_in_no_register() -> None:
    assert certified(NamedMaster("RC-1", "reference-collet"), REGISTER).tir_nm == 300
    seat = NamedMaster("seat", "taper-seat")
    assert (seat.is_in_register, seat.has_values) == (False, True)
    assert certified(seat, REGISTER) == Master("seat", "taper-seat", 0, 0)


@pytest.mark.parametrize(
    ("name", "subject", "here", "key", "says"),
    [
        ("EM-1", "eccentric-master", (5_100, None), "tir_um",
         "5.1 µm, and the register has 5.12 µm for EM-1 by certificate C-12; accepted is"),
        ("EM-1", "eccentric-master", (None, 0), "uncertainty_um",
         "0.0 µm, and the register has 0.09 µm for EM-1"),
        ("EM-1", "solid-mandrel", (None, None), "subject",
         "'solid-mandrel', and EM-1 is of kind eccentric-master in the register; accepted is"
         " subject 'eccentric-master'"),
        ("MP-10-1", "solid-mandrel", (100, 50), "subject", "accepted is another identity"),
        ("EM-9", "eccentric-master", (None, 90), "tir_um", "missing, and EM-9 is in no reg"),
        ("EM-9", "eccentric-master", (5_000, None), "uncertainty_um", "missing, and EM-9"),
    ],
)  # fmt: skip
def test_what_contradicts_or_is_missing_is_refused_with_its_key(
    name: str, subject: Subject, here: tuple[int | None, int | None], key: str, says: str
) -> None:
    with pytest.raises(CertificateError) as refused:
        certified(NamedMaster(name, subject, *here), REGISTER)
    assert refused.value.key == key
    assert says in refused.value.text
