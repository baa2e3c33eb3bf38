"""The register of instruments, and what an overdue calibration stops.

Indicators, pins, holders, masters and torque tools are entered, calibrated, used and
withdrawn by facts; the register is a fold over them. An overdue calibration blocks a new lot
and warns in an open one. A clock that can't be trusted can't show that a calibration is in
date, so it counts as overdue: measuring in an open lot may go on.

A bench none of whose instruments is registered is warned, not stopped: a workshop that keeps
its due dates on paper can't be in date by a register it doesn't have, and refusing it would
only teach people to enter anything. Once one of them is registered all have to be, or a
mistyped pin would pass for one in date.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Literal

from rules.length import um_text

InstrumentKind = Literal[
    "indicator", "pin", "holder", "mandrel", "eccentric-master", "torque-tool"
]

PIN_FORM_SHARE = 10
"""The form of a pin may be a tenth of the tightest limit: it adds to every TIR (common
practice, no source)."""


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
        expanded_uncertainty_nm: U (k = 2) of ``tir_nm``; None for others.
        diameter_nm: Nominal diameter of a pin; None for others.
        gripping_length_nm: How much of a pin the collet has to grip; None for others.
        measuring_force_mn: Measuring force of an indicator in millinewtons; None: not known.
        uses: Clampings it was used for.
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


@dataclass(frozen=True, slots=True)
class Used:
    """So many more clampings were made with it."""

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
    "measuring_force_mn",
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
    if new.kind in ("mandrel", "eccentric-master") and (
        new.tir_nm is None or new.expanded_uncertainty_nm is None
    ):
        raise InstrumentError(f"master {new.id}: its run-out and U are needed")


# --- what it stops ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fitness:
    """Whether the instruments of a lot may be used.

    Attributes:
        blocks: Why no new lot may be opened with them.
        warns: The same for a lot that is open, and what is coming.
        unfit: Those of ``blocks`` that lie in an instrument: not in a clock in doubt, nor in
            a register that is still being filled.
    """

    blocks: tuple[str, ...] = ()
    warns: tuple[str, ...] = ()
    unfit: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Today:
    """The day as the bench knows it.

    Attributes:
        date: Local date.
        clock_doubt: Why it can't be trusted (``rules.moment.clock_doubt``); "" when it can.
    """

    date: date
    clock_doubt: str = ""


def fitness(
    register: Register,
    used: Sequence[str],
    tightest_nm: int,
    today: Today,
    warn_days: int = 14,
) -> Fitness:
    """Return what speaks against measuring with these instruments.

    Args:
        register: The register as it stands.
        used: Identities of indicators, pins, holders, masters and tools of the lot.
        tightest_nm: Tightest tolerance limit of its rule file, above 0.
        today: The day; a clock in doubt fails safe.
        warn_days: How many days before the due date a warning is given.
    """
    known = [register[name] for name in used if name in register]
    missing = [name for name in used if name not in register]
    if not known:
        return Fitness(warns=_unregistered(missing))
    unfit: list[str] = []
    for one in known:
        if one.is_withdrawn:
            unfit.append(f"{one.kind} {one.id} is withdrawn")
        unfit += _form_fault(one, tightest_nm)
        unfit += _overdue(one, today)
    doubted = [text for one in known for text in _undecided(one, today)]
    soon = [text for one in known for text in _due_soon(one, today, warn_days)]
    strange = [f"{name} is not in the register" for name in missing]
    blocks = (*strange, *unfit, *doubted)
    return Fitness(blocks, (*blocks, *soon), tuple(unfit))


def _unregistered(names: Sequence[str]) -> tuple[str, ...]:
    if not names:
        return ()
    return (
        f"none of {', '.join(names)} is in the register of instruments: nobody is told when "
        "a calibration is overdue",
    )


def _overdue(instrument: Instrument, today: Today) -> list[str]:
    if instrument.due is None or today.clock_doubt or today.date <= instrument.due:
        return []
    what = f"{instrument.kind} {instrument.id}"
    return [f"{what}: calibration was due on {instrument.due:%Y-%m-%d}"]


def _undecided(instrument: Instrument, today: Today) -> list[str]:
    if instrument.due is None or not today.clock_doubt:
        return []
    return [
        f"{instrument.kind} {instrument.id}: nobody can say whether its calibration is in "
        f"date: {today.clock_doubt}"
    ]


def _due_soon(instrument: Instrument, today: Today, warn_days: int) -> list[str]:
    if instrument.due is None or today.clock_doubt:
        return []
    left = (instrument.due - today.date).days
    if not 0 <= left <= warn_days:
        return []
    when = "is due today" if left == 0 else f"is due in {left} days"
    return [f"{instrument.kind} {instrument.id}: calibration {when}"]


def _form_fault(instrument: Instrument, tightest_nm: int) -> list[str]:
    if instrument.kind != "pin":
        return []
    if instrument.form_nm is None:
        return [f"pin {instrument.id}: its certificate gives no form"]
    if instrument.form_nm * PIN_FORM_SHARE <= tightest_nm:
        return []
    return [
        f"pin {instrument.id}: form {um_text(instrument.form_nm)} µm; accepted is at most "
        f"{um_text(tightest_nm // PIN_FORM_SHARE)} µm, a tenth of the tightest limit"
    ]
