"""What an overdue calibration stops, and a pin that is not fit for the limits.

An overdue calibration blocks a new lot and warns in an open one. A clock that can't be trusted
can't show that a calibration is in date, so it counts as overdue: measuring in an open lot may
go on.

A bench none of whose instruments is registered is warned, not stopped: a workshop that keeps
its due dates on paper can't be in date by a register it doesn't have, and refusing it would
only teach people to enter anything. Once one of them is registered all have to be, or a
mistyped pin would pass for one in date.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from rules.instruments import Instrument, Register
from rules.length import um_text

PIN_FORM_SHARE = 10
"""The form of a pin may be a tenth of the tightest limit: it adds to every TIR (common
practice, no source)."""


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
