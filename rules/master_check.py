"""Master check: is the bench fit to judge? From the seats of a master to good or failed.

Two kinds, both pure. *Run-out* asks whether holder and spindle run true; a dead stylus, a
wrong unit or an indicator that averages passes it perfectly, so one that reads exactly zero
is as suspect as one too large. *Sensitivity* asks whether the indicator says what is there:
an eccentric master, turning at the fastest speed allowed, at two seats 180° apart. There the
holder's own vector m cancels: the seats show E + m and −E + m; half their difference is E,
and the mean of their two TIRs is off by no more than about |m|²/|E|.

A sweep without a result makes a check *invalid*: it is taken again, closes no span and
fails none, and the bench stays as locked as it was. Only where the readings themselves say
that the indicator does not follow is it a failure.

A seat may be a finished TIR of the indicator's own making. Then nobody saw how fast the master
turned, nor that it was turned over between its seats: a good check says so.

A *static step* may be added to the sensitivity check: a gauge block under the stylus, at
standstill (``rules.static_step``). It shows unit and scale over more of the range, and
neither averaging nor play.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rules.length import um_text
from rules.master_seat import Seat
from rules.masters import CheckKind, CheckLimits
from rules.sweep import WHAT_TO_DO, Invalid

CheckResult = Literal["good", "failed", "invalid"]

_DEAD: frozenset[Invalid] = frozenset({"frozen-value", "negative-value"})
"""Results of a sweep that are no slip of the hand: the indicator does not follow, or lies."""

_SPEED_PERCENT = 120
"""A turn of up to this share of the fastest one's time still shows what averaging does."""

_LEAST_SHARE = 4
"""A vector below this part of the master's has no direction worth believing."""

_COS_LIMIT = 0.89
"""Directions may be 27° off from opposite: 15° by eye, the rest by a holder's own vector.
15° off from half a turn cost 0.9 % of the master's vector."""


@dataclass(frozen=True, slots=True)
class MasterCheck:
    """What a check says.

    Attributes:
        kind: Which check.
        result: ``invalid`` has to be taken again.
        reason: In words, with figures and limits.
        what_to_do: In words; "" when good.
        reading_nm: TIR it was judged by; None where there was none.
        vector_nm: TIR by half the vector difference; None without an index.
        holder: The holder's own vector as a sensitivity check shows it, nm.
        limits: What it was held to.
    """

    kind: CheckKind
    result: CheckResult
    reason: str
    what_to_do: str
    reading_nm: int | None
    limits: CheckLimits
    vector_nm: int | None = None
    holder: complex | None = None


def judge_run_out(seat: Seat, limits: CheckLimits) -> MasterCheck:
    """Return what a run-out check says of holder and spindle."""
    if seat.invalid == "frozen-value" or seat.tir_nm == 0:
        return _failed(
            limits,
            "reads exactly zero: no spindle runs so true, the value does not move",
            "look whether stylus and indicator follow; make the sensitivity check",
            0,
        )
    if seat.invalid is not None or seat.tir_nm is None:
        return _not_measured(limits, (seat,))
    reading_nm = seat.judged_tir_nm
    assert reading_nm is not None  # it has a TIR
    if reading_nm > limits.high_nm:
        return _failed(
            limits,
            f"reads {um_text(reading_nm)} µm, at most {um_text(limits.high_nm)} µm is good: "
            f"{um_text(limits.allowed_nm)} µm allowed less the certificate's value and U",
            "clean taper, seat, nut and pin, and check again; then change holder or pin",
            reading_nm,
        )
    return _good(limits, reading_nm, _TURN_UNSEEN if seat.is_finished else "")


def judge_sensitivity(
    seats: Sequence[Seat], limits: CheckLimits, fastest_turn_ns: int
) -> MasterCheck:
    """Return what a sensitivity check says of the indicator.

    Args:
        seats: The two seats of the eccentric master, 180° apart.
        limits: See ``rules.masters.sensitivity_limits``.
        fastest_turn_ns: The fastest turn the bench file allows: pieces may turn so fast.
    """
    dead = next((seat.invalid for seat in seats if seat.invalid in _DEAD), None)
    if dead is not None:
        return _failed(limits, f"the indicator does not follow: {WHAT_TO_DO[dead]}", _LOOK, 0)
    tirs = [seat.judged_tir_nm for seat in seats if seat.judged_tir_nm is not None]
    if len(seats) != 2 or len(tirs) != len(seats):
        return _not_measured(limits, seats)
    slow = _too_slow(seats, fastest_turn_ns)
    if slow:
        return _again(limits, slow, "turn the master at the fastest speed the bench allows")
    first, second = seats[0].vector, seats[1].vector
    mean_nm = (tirs[0] + tirs[1] + 1) // 2
    if first is None or second is None:
        unseen = _SPEED_UNSEEN if any(seat.is_finished for seat in seats) else ""
        return _by_tir(limits, mean_nm, unseen)
    if not _is_turned_over(first, second, limits):
        text = "both seats show the same direction: the master was not turned by 180°"
        return _again(limits, text, "loosen, turn the master by half a turn, clamp again")
    return _by_vector(limits, mean_nm, first, second)


def judge_static(
    beside_nm: int, on_nm: int, moving_nm: int, limits: CheckLimits
) -> MasterCheck:
    """Return what a gauge block says of the indicator.

    Args:
        beside_nm: Mean indication beside the block.
        on_nm: Mean indication on it; which of the two is larger is the stylus' own affair.
        moving_nm: Change of indication that shows that something moved, above 0.
        limits: See ``rules.masters.static_limits``.
    """
    height_nm = abs(on_nm - beside_nm)
    if height_nm <= moving_nm:
        text = f"both faces read alike, {um_text(height_nm)} µm apart: the indicator does not"
        return _again(limits, f"{text} follow, or the stylus was not set over", _SET_OVER)
    wrong = _outside(limits, height_nm, "the step between both faces reads")
    return _failed(limits, wrong, _LOOK, height_nm) if wrong else _good(limits, height_nm)


_SET_OVER = "set the stylus beside the block, then on it; look whether the indicator follows"

_LOOK = (
    "look at the stylus, at unit, scale and mode of the indicator and at the driver's options; "
    "nothing is graded until a check is good"
)


_TURN_UNSEEN = "; a finished value: no turn was seen"
_SPEED_UNSEEN = (
    "; finished values: neither the speed was seen nor that the master was turned over"
)


def _by_tir(limits: CheckLimits, mean_nm: int, unseen: str) -> MasterCheck:
    wrong = _outside(limits, mean_nm, "the mean of the two seats' run-outs is")
    return _failed(limits, wrong, _LOOK, mean_nm) if wrong else _good(limits, mean_nm, unseen)


def _by_vector(
    limits: CheckLimits, mean_nm: int, first: complex, second: complex
) -> MasterCheck:
    """Judge run-out and vector: play shows in the one, a bent shape in the other."""
    vector_nm = round(abs(first - second))
    wrong = _outside(limits, mean_nm, "the mean of the two seats' run-outs is") or _outside(
        limits, vector_nm, "twice half the difference of the two seats' vectors is"
    )
    result: CheckResult = "failed" if wrong else "good"
    reason = wrong or _inside(limits, mean_nm)
    return MasterCheck(
        limits.kind, result, reason, _LOOK if wrong else "", mean_nm, limits, vector_nm,
        (first + second) / 2,
    )  # fmt: skip


def _is_turned_over(first: complex, second: complex, limits: CheckLimits) -> bool:
    """Return whether the seats lie about 180° apart.

    True as well where they are too short to tell: then the run-out itself is far outside.
    """
    lengths = abs(first), abs(second)
    if min(lengths) * 2 * _LEAST_SHARE < limits.master.tir_nm:
        return True
    cosine = (first * second.conjugate()).real / (lengths[0] * lengths[1])
    return cosine <= -_COS_LIMIT


def _too_slow(seats: Sequence[Seat], fastest_turn_ns: int) -> str:
    turns = [seat.turn_ns for seat in seats if seat.turn_ns is not None]
    most_ns = fastest_turn_ns * _SPEED_PERCENT // 100
    if not turns or max(turns) <= most_ns:
        return ""
    return (
        f"a turn took {max(turns) / 1e9:.2f} s; accepted is at most {most_ns / 1e9:.2f} s, "
        "since a slower one can't show an indicator that averages"
    )


def _outside(limits: CheckLimits, value_nm: int, what: str) -> str:
    if limits.low_nm <= value_nm <= limits.high_nm:
        return ""
    certified_nm = limits.master.value_nm
    share = 100 * value_nm / certified_nm
    return (
        f"{what} {um_text(value_nm)} µm, {share:.0f} % of the certificate's "
        f"{um_text(certified_nm)} µm; good is {um_text(limits.low_nm)} to "
        f"{um_text(limits.high_nm)} µm"
    )


def _inside(limits: CheckLimits, value_nm: int) -> str:
    return (
        f"{um_text(value_nm)} µm on {limits.master.id}; good is {um_text(limits.low_nm)} to "
        f"{um_text(limits.high_nm)} µm"
    )


def _good(limits: CheckLimits, value_nm: int, unseen: str = "") -> MasterCheck:
    reason = _inside(limits, value_nm) + unseen
    return MasterCheck(limits.kind, "good", reason, "", value_nm, limits)


def _failed(
    limits: CheckLimits, reason: str, what_to_do: str, value_nm: int | None
) -> MasterCheck:
    return MasterCheck(limits.kind, "failed", reason, what_to_do, value_nm, limits)


def _again(limits: CheckLimits, reason: str, what_to_do: str) -> MasterCheck:
    return MasterCheck(limits.kind, "invalid", reason, what_to_do, None, limits)


def _not_measured(limits: CheckLimits, seats: Sequence[Seat]) -> MasterCheck:
    """Return a check to take again, or failed where the readings can't be a run-out."""
    why = next((seat.invalid for seat in seats if seat.invalid is not None), None)
    if why is None:
        return _again(limits, f"{len(seats)} seats were measured, 2 are needed", "measure both")
    if why in _DEAD:
        return _failed(limits, f"no run-out can be read so: {why}", _LOOK, None)
    what = "value is none" if any(seat.is_finished for seat in seats) else "sweep has no result"
    return _again(limits, f"the {what}: {why}", WHAT_TO_DO[why])
