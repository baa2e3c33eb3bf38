"""Masters of a bench and the limits that their certificates give a check.

A check is to *prove* that the bench errs by no more than is allowed, so the certificate's
value and its expanded uncertainty U go against the bench (guarded acceptance as in
ISO 14253-1, from memory; the shares below are common practice, no source):

* run-out: what the holder has itself is at most reading + certificate + U, whichever way
  the two vectors lie. So the reading may be at most allowed − certificate − U.
* sensitivity, static step: |reading − certificate| may be at most allowed − U.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rules.length import um_text
from rules.ruleset import Grade

CheckKind = Literal["run-out", "sensitivity", "static-step"]
"""A static step is added to a sensitivity check, never made instead of it."""

Subject = Literal[
    "solid-mandrel", "taper-seat", "reference-collet", "eccentric-master", "gauge-block"
]
"""What a check is made on. A pin does not clamp without a collet."""

HOLDER_ALONE: frozenset[Subject] = frozenset({"solid-mandrel", "taper-seat"})
"""Only these judge the holder by itself; a reference collet adds its own vector."""

ALLOWED_SHARE = 10
"""The bench may err by a tenth of the tightest limit."""

ECCENTRIC_PERCENT = (80, 150)
"""Least and largest run-out of an eccentric master, of the tightest limit: a far larger
one hides reversal play, a far smaller one shows nothing."""


class MasterError(ValueError):
    """A master that can prove nothing here; the message says why and what is accepted."""


@dataclass(frozen=True, slots=True)
class Master:
    """A thing of known run-out, or of known height.

    Attributes:
        id: Its identity in the register.
        subject: What it is.
        tir_nm: Run-out (TIR) by its certificate, from 0; 0 for the taper seat itself and for
            a gauge block.
        expanded_uncertainty_nm: U (k = 2) of its value, from 0; 0 for the taper seat.
        height_nm: Height of a gauge block by its certificate; 0 for others.
    """

    id: str
    subject: Subject
    tir_nm: int
    expanded_uncertainty_nm: int
    height_nm: int = 0

    @property
    def value_nm(self) -> int:
        """Return what its certificate says: of a gauge block its height, else its run-out."""
        return self.height_nm if self.subject == "gauge-block" else self.tir_nm


@dataclass(frozen=True, slots=True)
class CheckLimits:
    """What a check's reading has to lie within, both ends included.

    Attributes:
        kind: Which check.
        master: What it is made on.
        low_nm: Least reading that is good; a run-out check has 1: exactly 0 is suspect.
        high_nm: Largest reading that is good.
        allowed_nm: What the bench may err by: what the limits were made from.
    """

    kind: CheckKind
    master: Master
    low_nm: int
    high_nm: int
    allowed_nm: int


def tightest_limit_nm(grades: Sequence[Grade]) -> int:
    """Return the smallest tolerance limit: what a check has to be good enough for."""
    return min(limit.tolerance_limit_nm for grade in grades for limit in grade.limits)


def holder_allowed_nm(grades: Sequence[Grade]) -> int:
    """Return the largest run-out of the holder that no grade suffers from.

    One clamping can hide the holder's whole vector: each grade takes a tenth of its limit,
    or its guard band where that is larger (design, part 2).
    """
    return min(
        max(limit.tolerance_limit_nm // ALLOWED_SHARE, limit.guard_band_nm)
        for grade in grades
        for limit in grade.limits
    )


def run_out_limits(master: Master, allowed_nm: int) -> CheckLimits:
    """Return the limits of a run-out check.

    Args:
        master: Mandrel, taper seat or reference collet.
        allowed_nm: Largest run-out the holder may have, above 0.

    Raises:
        MasterError: If the certificate leaves nothing of what is allowed.
    """
    if master.subject in ("eccentric-master", "gauge-block"):
        raise MasterError(
            f"master {master.id}: a {master.subject} shows no run-out of the holder; accepted "
            "are a solid mandrel, the taper seat, a reference collet with its pin"
        )
    most_nm = allowed_nm - master.tir_nm - master.expanded_uncertainty_nm
    if most_nm < 1:
        raise MasterError(
            f"master {master.id}: run-out {um_text(master.tir_nm)} µm with U "
            f"{um_text(master.expanded_uncertainty_nm)} µm leaves nothing of the "
            f"{um_text(allowed_nm)} µm allowed; accepted is a sum below that"
        )
    return CheckLimits("run-out", master, 1, most_nm, allowed_nm)


def sensitivity_limits(
    master: Master, tightest_nm: int, allowed_nm: int | None = None
) -> CheckLimits:
    """Return the limits of a sensitivity check.

    Args:
        master: An eccentric master.
        tightest_nm: The tightest tolerance limit of the rule files in use, above 0.
        allowed_nm: What the bench may err by at the master; None: a tenth of that limit.

    Raises:
        MasterError: If it is no eccentric master, its run-out doesn't suit the limit, or
            its U is more than half of what is allowed.
    """
    if master.subject != "eccentric-master":
        raise MasterError(
            f"master {master.id}: a {master.subject} can't show whether the indicator "
            "follows; accepted is an eccentric master"
        )
    low, high = (tightest_nm * percent // 100 for percent in ECCENTRIC_PERCENT)
    if not low <= master.tir_nm <= high:
        raise MasterError(
            f"master {master.id}: run-out {um_text(master.tir_nm)} µm; accepted is "
            f"{um_text(low)} to {um_text(high)} µm, 0.8 to 1.5 times the tightest limit"
        )
    allowed = tightest_nm // ALLOWED_SHARE if allowed_nm is None else allowed_nm
    return _about_value("sensitivity", master, allowed)


@dataclass(frozen=True, slots=True)
class StillSpan:
    """What a stylus at standstill can be read over.

    Attributes:
        reach_nm: Width of the narrowest window of the bench's indicators.
        moving_nm: Change of indication that shows that something moved.
    """

    reach_nm: int
    moving_nm: int


def static_limits(
    master: Master, tightest_nm: int, still: StillSpan, allowed_nm: int | None = None
) -> CheckLimits:
    """Return the limits of a static step: the height that has to be read.

    Args:
        master: A gauge block.
        tightest_nm: The tightest tolerance limit of the rule files in use, above 0.
        still: What the indicators can show, and what counts as lying still.
        allowed_nm: What the bench may err by over it; None: a tenth of that limit.

    Raises:
        MasterError: If it is no gauge block, too low to show anything, higher than the
            indicators reach, or its U is more than half of what is allowed.
    """
    if master.subject != "gauge-block":
        raise MasterError(
            f"master {master.id}: a {master.subject} has no height; accepted is a gauge block"
        )
    low = max(tightest_nm * ECCENTRIC_PERCENT[0] // 100, 2 * still.moving_nm)
    if not low <= master.height_nm < still.reach_nm:
        raise MasterError(
            f"master {master.id}: height {um_text(master.height_nm)} µm; accepted is "
            f"{um_text(low)} µm (0.8 times the tightest limit, twice moving_um) or more, and "
            f"less than the {um_text(still.reach_nm)} µm that a window is wide"
        )
    allowed = tightest_nm // ALLOWED_SHARE if allowed_nm is None else allowed_nm
    return _about_value("static-step", master, allowed)


def _about_value(kind: CheckKind, master: Master, allowed_nm: int) -> CheckLimits:
    uncertainty_nm = master.expanded_uncertainty_nm
    if 2 * uncertainty_nm > allowed_nm:
        raise MasterError(
            f"master {master.id}: U {um_text(uncertainty_nm)} µm; accepted is at most half of "
            f"the {um_text(allowed_nm)} µm that the bench may err by"
        )
    band_nm = allowed_nm - uncertainty_nm
    low_nm, high_nm = master.value_nm - band_nm, master.value_nm + band_nm
    return CheckLimits(kind, master, low_nm, high_nm, allowed_nm)
