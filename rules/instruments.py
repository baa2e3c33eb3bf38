"""The register of instruments.

Indicators, pins, holders, masters and torque tools are entered, calibrated, used and
withdrawn by facts; the register is a fold over them.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal

InstrumentKind = Literal[
    "indicator", "pin", "holder", "mandrel", "reference-collet", "eccentric-master",
    "gauge-block", "torque-tool",
]  # fmt: skip

MASTERS: frozenset[InstrumentKind] = frozenset(
    {"mandrel", "reference-collet", "eccentric-master", "gauge-block"}
)
"""What a master check is made on; each has a value and its U by certificate."""


class InstrumentError(ValueError):
    """A fact that does not fit the register; the message says why and what is accepted."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument as it stands today. Values are those of its last certificate.

    Attributes:
        id: Its identity, as engraved or labelled.
        kind: What it is.
        certificate: Number of its last certificate; "" while it has none.
        due: Last day on which the calibration is in date; None: it needs none.
        form_nm: Roundness of a pin; None where not known.
        tir_nm: Run-out of a master; None for others.
        expanded_uncertainty_nm: U (k = 2) of a master's value; None for others.
        diameter_nm: Nominal diameter of a pin; None for others.
        gripping_length_nm: How much of a pin is there for a collet to grip; None: not known.
        measuring_force_mn: Measuring force of an indicator in millinewtons; None: not known.
        height_nm: Height of a gauge block; None for others.
        uses: Clampings it was used for; of a master, checks made on it.
        is_withdrawn: It is not to be used any more.
    """

    id: str
    kind: InstrumentKind
    certificate: str = ""
    due: date | None = None
    form_nm: int | None = None
    tir_nm: int | None = None
    expanded_uncertainty_nm: int | None = None
    diameter_nm: int | None = None
    gripping_length_nm: int | None = None
    measuring_force_mn: int | None = None
    height_nm: int | None = None
    uses: int = 0
    is_withdrawn: bool = False


@dataclass(frozen=True, slots=True)
class Entered:
    """An instrument came into the register."""

    instrument: Instrument
    role: str


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A new certificate; values it does not give stay as they were.

    One that was withdrawn is in use again: it came back from repair with a certificate.
    """

    id: str
    certificate: str
    due: date | None
    role: str
    form_nm: int | None = None
    tir_nm: int | None = None
    expanded_uncertainty_nm: int | None = None
    diameter_nm: int | None = None
    gripping_length_nm: int | None = None
    measuring_force_mn: int | None = None
    height_nm: int | None = None


@dataclass(frozen=True, slots=True)
class Used:
    """So many more clampings, or checks of a master, were made with it."""

    id: str
    clampings: int


@dataclass(frozen=True, slots=True)
class Withdrawn:
    """It is not to be used any more."""

    id: str
    reason: str
    role: str


InstrumentFact = Entered | Calibrated | Used | Withdrawn
Register = Mapping[str, Instrument]


def fold(facts: Iterable[InstrumentFact]) -> Register:
    """Return the register after these facts, in their order."""
    register: Register = {}
    for fact in facts:
        register = step(register, fact)
    return register


def step(register: Register, fact: InstrumentFact) -> Register:
    """Return the register with one more fact. Pure: no clock, no I/O.

    Raises:
        InstrumentError: If the identity is taken, unknown or withdrawn, or a value is missing.
    """
    if isinstance(fact, Entered):
        _check_entry(register, fact)
        return {**register, fact.instrument.id: fact.instrument}
    known = register.get(fact.id)
    is_back = isinstance(fact, Calibrated) and bool(fact.certificate)
    if known is None or (known.is_withdrawn and not is_back):
        accepted = ", ".join(sorted(k for k, i in register.items() if not i.is_withdrawn))
        raise InstrumentError(f"no instrument {fact.id!r}; accepted are {accepted or 'none'}")
    return {**register, fact.id: _changed(known, fact)}


_CERTIFIED = (
    "form_nm", "tir_nm", "expanded_uncertainty_nm", "diameter_nm", "gripping_length_nm",
    "measuring_force_mn", "height_nm",
)  # fmt: skip


def _changed(known: Instrument, fact: Calibrated | Used | Withdrawn) -> Instrument:
    match fact:
        case Calibrated():
            given: dict[str, Any] = {
                name: getattr(fact, name)
                for name in _CERTIFIED
                if getattr(fact, name) is not None
            }
            return replace(
                known,
                certificate=fact.certificate or known.certificate,
                due=fact.due,
                is_withdrawn=False,
                **given,
            )
        case Used():
            if fact.clampings < 1:
                raise InstrumentError(f"{fact.clampings} clampings; accepted is 1 or more")
            return replace(known, uses=known.uses + fact.clampings)
        case Withdrawn():
            if not fact.reason.strip():
                raise InstrumentError(f"instrument {fact.id}: withdrawing it needs a reason")
            return replace(known, is_withdrawn=True)


def _check_entry(register: Register, fact: Entered) -> None:
    new = fact.instrument
    if not new.id.strip() or new.id in register:
        what = f"{new.id!r} is taken" if new.id.strip() else "an identity is missing"
        raise InstrumentError(f"{what}; accepted is an identity that was never used")
    is_block = new.kind == "gauge-block"
    value_nm = new.height_nm if is_block else new.tir_nm
    if new.kind in MASTERS and None in (value_nm, new.expanded_uncertainty_nm):
        what = "height" if is_block else "run-out"
        raise InstrumentError(f"master {new.id}: its {what} and U are needed")
