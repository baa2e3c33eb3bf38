"""A bench's masters held against the register: whose certificate a check goes by.

The bench file names a master by its identity. Run-out and U stand in the register, with the
last certificate, and need not be written twice; where both have them they have to agree,
since nobody can say which of two certificates is the newer one.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from rules.instruments import Instrument, InstrumentKind, Register
from rules.length import um_text
from rules.masters import Master, Subject

_KINDS: Mapping[Subject, InstrumentKind] = {
    "solid-mandrel": "mandrel",
    "reference-collet": "reference-collet",
    "eccentric-master": "eccentric-master",
    "gauge-block": "gauge-block",
}
"""As what the register knows a master; the taper seat itself is no instrument."""

_SUBJECTS: Mapping[str, Subject] = {kind: subject for subject, kind in _KINDS.items()}


class CertificateError(ValueError):
    """A master whose values can't be had.

    Attributes:
        key: The key of its table in the bench file: subject, tir_um, height_um or
            uncertainty_um.
        text: What is wrong and what is accepted.
    """

    def __init__(self, key: str, text: str) -> None:
        super().__init__(f"{key}: {text}")
        self.key = key
        self.text = text


@dataclass(frozen=True, slots=True)
class NamedMaster:
    """A master as a bench file names it.

    Attributes:
        id: Its identity.
        subject: What it is.
        tir_nm: Run-out (TIR) as the file has it; None: as the register has it.
        expanded_uncertainty_nm: U (k = 2) of its value, likewise.
        height_nm: Height of a gauge block, which has no run-out, likewise.
    """

    id: str
    subject: Subject
    tir_nm: int | None = None
    expanded_uncertainty_nm: int | None = None
    height_nm: int | None = None

    @property
    def is_in_register(self) -> bool:
        """Return whether it is a thing with a certificate, and not a part of the bench."""
        return self.subject in _KINDS

    @property
    def has_values(self) -> bool:
        """Return whether its values are known without the register."""
        values = (self.value_nm, self.expanded_uncertainty_nm)
        return not self.is_in_register or None not in values

    @property
    def value_nm(self) -> int | None:
        """Return what its certificate says, as the file has it."""
        return self.height_nm if self.subject == "gauge-block" else self.tir_nm

    def master(self, value_nm: int, expanded_uncertainty_nm: int) -> Master:
        """Return it with these values."""
        if self.subject == "gauge-block":
            return Master(self.id, self.subject, 0, expanded_uncertainty_nm, value_nm)
        return Master(self.id, self.subject, value_nm, expanded_uncertainty_nm)


def certified(named: NamedMaster, register: Register) -> Master:
    """Return a master with the values a check goes by.

    Raises:
        CertificateError: If neither has them, the two differ, or it is of another kind there.
    """
    if not named.is_in_register:
        return named.master(named.tir_nm or 0, named.expanded_uncertainty_nm or 0)
    key = "height_um" if named.subject == "gauge-block" else "tir_um"
    u_nm = named.expanded_uncertainty_nm
    known = register.get(named.id)
    if known is None:
        value_nm = _known(named, key, named.value_nm)
        return named.master(value_nm, _known(named, "uncertainty_um", u_nm))
    _check_kind(named, known)
    there_nm = known.height_nm if known.kind == "gauge-block" else known.tir_nm
    value_nm = _agreed(key, named.value_nm, there_nm, known)
    u_nm = _agreed("uncertainty_um", u_nm, known.expanded_uncertainty_nm, known)
    return named.master(value_nm, u_nm)


def _check_kind(named: NamedMaster, known: Instrument) -> None:
    if known.kind == _KINDS[named.subject]:
        return
    here = _SUBJECTS.get(known.kind)
    accepted = f"subject {here!r}" if here else "another identity"
    raise CertificateError(
        "subject",
        f"{named.subject!r}, and {named.id} is of kind {known.kind} in the register; "
        f"accepted is {accepted}",
    )


def _known(named: NamedMaster, key: str, here_nm: int | None) -> int:
    if here_nm is None:
        raise CertificateError(
            key,
            f"missing, and {named.id} is in no register; accepted is the certificate's value "
            "here, or the master in the register (reclamp instrument add)",
        )
    return here_nm


def _agreed(key: str, here_nm: int | None, there_nm: int | None, known: Instrument) -> int:
    assert there_nm is not None  # no master is entered without
    if here_nm in (None, there_nm):
        return there_nm
    by = f" by certificate {known.certificate}" if known.certificate else ""
    raise CertificateError(
        key,
        f"{um_text(here_nm or 0)} µm, and the register has {um_text(there_nm)} µm for "
        f"{known.id}{by}; accepted is the same, or none here: the register's then counts",
    )
