"""What a master check, a disturbance and a decision on a piece ask the store to keep."""

from dataclasses import dataclass
from typing import Literal

from rules.assurance_model import Action, Cause
from rules.clamping import Clamping
from rules.master_check import CheckResult, MasterCheck
from rules.masters import CheckKind, Master

BROKEN_OFF = "broken off: "
"""How the reason of a check begins that was given up before its end."""

BegunBy = Literal["foot-switch", "command"]
"""How a check was started: nothing is taken for one that nobody started."""


@dataclass(frozen=True, slots=True)
class PositionCheck:
    """What a check says of one indicator.

    Attributes:
        position: Where it stands.
        indicator: Which one.
        check: What its sweeps on the master show.
        zero_nm: Mean indication on the master; None without a sweep, as with finished values.
        drift_nm: What that moved since the last good check on the same master; None where
            there was none, or where the indicator was touched since.
    """

    position: str
    indicator: str
    check: MasterCheck
    zero_nm: int | None = None
    drift_nm: int | None = None


@dataclass(frozen=True, slots=True)
class CheckFact:
    """A master check of one kind was made, or broken off.

    Attributes:
        kind: Which.
        result: The worst over all indicators of the bench; ``invalid`` has to be taken again
            and changes nothing.
        reason: In words, with figures and limits.
        what_to_do: In words; "" when good.
        master: What it was made on.
        positions: Indicator by indicator; none where it was broken off.
        seats: The clampings of the master, in order.
        begun_by: How it was started.
        role: Who started it, by role.
    """

    kind: CheckKind
    result: CheckResult
    reason: str
    what_to_do: str
    master: Master
    positions: tuple[PositionCheck, ...]
    seats: tuple[Clamping, ...]
    begun_by: BegunBy
    role: str


@dataclass(frozen=True, slots=True)
class DisturbanceFact:
    """Something happened after which the bench has to be checked again."""

    cause: Cause
    text: str
    role: str = "service"


@dataclass(frozen=True, slots=True)
class DisposedFact:
    """A decision on a piece of the open lot, or on a whole box of it.

    Attributes:
        action: What is to be done.
        piece: Number of the piece; None for a box.
        box: Label of the box; "" for a piece.
        grade: The grade after a regrade; None else.
        role: Who decided, by role.
        reason: Why.
        bin: Where a regraded piece has to be carried; None else.
    """

    action: Action
    piece: int | None
    box: str
    grade: str | None
    role: str
    reason: str
    bin: str | None = None
