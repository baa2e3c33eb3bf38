"""A master check at the bench: seats taken like clampings, from its start to good or failed.

Begun by foot switch or command, never guessed: a clamping that nobody announced as one of a
master is none. One kind after the other until all that are asked for are good; a failed one
ends it. A seat whose sweep has no result is taken again and is on record. The faces of a
static step are its seats: each is announced and read by ``rules.static_step``.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from rules.capture_model import CaptureRules
from rules.check_facts import BROKEN_OFF, BegunBy, CheckFact, PositionCheck
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.length import um_text
from rules.master_check import (
    CheckResult,
    MasterCheck,
    judge_run_out,
    judge_sensitivity,
    judge_static,
)
from rules.master_seat import Seat, finished_seat, seat_of
from rules.masters import CheckKind, CheckLimits, Subject
from rules.static_step import FaceSpoiled, StepState, face_of, level_nm
from rules.sweep import RunOut, Sweep

SEATS: Mapping[CheckKind, int] = {"run-out": 1, "sensitivity": 2, "static-step": 2}
"""Seats of a check; of a static step faces, for each indicator."""

_SEATING: Mapping[Subject, str] = {
    "solid-mandrel": "seat mandrel {} in the holder's taper, the stylus on it",
    "taper-seat": "set the stylus on the taper seat itself",
    "reference-collet": "clamp reference collet {} with its pin",
    "eccentric-master": "clamp eccentric master {}",
    "gauge-block": "set gauge block {} under the stylus",
}

SEATS_WITHIN_NS = 600 * 1_000_000_000
"""As long as a piece may lie before it is somebody else's. A proposal, no source."""

_WORST: tuple[CheckResult, ...] = ("failed", "invalid", "good")

ZeroKey = tuple[CheckKind, str]
"""Kind of check and position of the indicator."""


@dataclass(frozen=True, slots=True)
class CheckRules:
    """What the bench file asks for.

    Attributes:
        asked: Limits of each kind asked for, in the order they are made.
        zero_drift_nm: Most that the mean indication on a master may move between two good
            checks; None: no limit.
        unproved: Kinds asked for whose master can prove nothing as file and register have
            it, and why; while there is one no check can be made.
        seats_within_ns: A seat has to begin so soon after the one before, or the beginning:
            later nobody knows what was done to bench and master meanwhile.
    """

    asked: tuple[CheckLimits, ...]
    zero_drift_nm: int | None = None
    unproved: Mapping[CheckKind, str] = field(default_factory=dict)
    seats_within_ns: int = SEATS_WITHIN_NS

    @property
    def kinds(self) -> frozenset[CheckKind]:
        """Return the kinds that make one good check together."""
        return frozenset(limits.kind for limits in self.asked).union(self.unproved)

    def of(self, kind: CheckKind) -> CheckLimits:
        """Return the limits of a kind that is asked for."""
        return next(limits for limits in self.asked if limits.kind == kind)


@dataclass(frozen=True, slots=True)
class CheckAtWork:
    """The check that is being made.

    Attributes:
        kind: Which.
        by: How it was begun.
        role: Who began it, by role.
        seats: Seats measured so far.
        good: Kinds found good of this check.
        note: What is to be done again, and why; "" when nothing is.
        face: Where the reading of a static step's face stands.
        since_ns: When the last seat ended; before one, and after a face, when the first tick
            came; None before that.
    """

    kind: CheckKind
    by: BegunBy
    role: str
    seats: tuple[Clamping, ...] = ()
    good: frozenset[CheckKind] = frozenset()
    note: str = ""
    face: StepState = field(default_factory=StepState)
    since_ns: int | None = None

    @property
    def seat(self) -> int:
        """Return the seat that comes next, from 1."""
        return len(self.seats) + 1


@dataclass(frozen=True, slots=True)
class CheckStanding:
    """What the record says of the bench's fitness, besides what is due.

    Attributes:
        good: Kinds found good since the bench measured or was disturbed.
        zeros: Mean indication at the last good check, by kind and position, while neither
            indicator nor holder was touched since.
    """

    good: frozenset[CheckKind] = frozenset()
    zeros: Mapping[ZeroKey, int] = field(default_factory=dict)


def begin(rules: CheckRules, good: frozenset[CheckKind], by: BegunBy, role: str) -> CheckAtWork:
    """Return a check begun: with what is still missing, or from the start."""
    left = good if good < rules.kinds else frozenset()
    return CheckAtWork(_next_kind(rules, left), by, role, good=left)


def _next_kind(rules: CheckRules, good: frozenset[CheckKind]) -> CheckKind:
    return next(limits.kind for limits in rules.asked if limits.kind not in good)


def seat_taken(
    at_work: CheckAtWork,
    clamping: Clamping,
    capture: CaptureRules,
    rules: CheckRules,
    zeros: Mapping[ZeroKey, int],
) -> tuple[CheckAtWork | None, CheckFact | None]:
    """Take a seat; return what is still to be made, and the check if one kind is at its end.

    Args:
        at_work: The check that is being made.
        clamping: The seat as captured.
        capture: How the bench captures.
        rules: What is asked for.
        zeros: Indications at the last good check.
    """
    seats = (*at_work.seats, clamping)
    if len(seats) < SEATS[at_work.kind] and clamping.invalid is None:
        return replace(at_work, seats=seats, note=""), None
    limits = rules.of(at_work.kind)
    checks = tuple(
        _position(number, at_work.kind, limits, seats, capture)
        for number in range(len(clamping.positions))
    )
    zeroed = tuple(_with_drift(one, at_work.kind, zeros) for one in checks)
    fact = _fact(at_work, limits, seats, zeroed)
    # A sweep without a result is taken again; two seats that don't fit are both.
    kept = at_work.seats if clamping.invalid is not None else ()
    return _after(at_work, fact, kept, rules), fact


def face_read(
    at_work: CheckAtWork, sweep: Sweep, capture: CaptureRules, rules: CheckRules
) -> tuple[CheckAtWork | None, CheckFact | None]:
    """Take a face of a static step; return as ``seat_taken`` does."""
    number, _ = face_of(at_work.seat)
    by = capture.indicators[number]
    still = PositionRunOut(by.id, by.position, sweep, RunOut(None, None, invalid="no-turning"))
    nobody = Loosening("not-observed", sweep.at_ns[0])
    face = Clamping("sweep", sweep.at_ns[0], sweep.at_ns[-1], (still,), nobody)
    seats = (*at_work.seats, face)
    if len(seats) < seats_needed(at_work.kind, capture):
        return replace(at_work, seats=seats, note=""), None
    limits = rules.of(at_work.kind)
    checks = tuple(
        _stepped(seats[2 * i : 2 * i + 2], capture.moving_nm, limits)
        for i in range(len(capture.indicators))
    )
    fact = _fact(at_work, limits, seats, checks)
    return _after(at_work, fact, (), rules), fact


def _stepped(faces: Sequence[Clamping], moving_nm: int, limits: CheckLimits) -> PositionCheck:
    beside, on = (level_nm(face.positions[0].sweep.value_nm) for face in faces)
    of = faces[0].positions[0]
    check = judge_static(beside, on, moving_nm, limits)
    return PositionCheck(of.position, of.indicator, check)


def face_spoiled(
    at_work: CheckAtWork, spoiled: FaceSpoiled, rules: CheckRules
) -> tuple[CheckAtWork, CheckFact]:
    """Return a static step of which a face has to be read again, and the record of it."""
    fact = CheckFact(
        at_work.kind, "invalid", spoiled.reason, spoiled.what_to_do,
        rules.of(at_work.kind).master, (), at_work.seats, at_work.by, at_work.role,
    )  # fmt: skip
    whole = len(at_work.seats) // 2 * 2 if spoiled.from_start else len(at_work.seats)
    note = f"{spoiled.reason}: {spoiled.what_to_do}"
    return replace(at_work, seats=at_work.seats[:whole], note=note), fact


def seats_needed(kind: CheckKind, capture: CaptureRules) -> int:
    """Return how many seats a check has on this bench."""
    return SEATS[kind] * (len(capture.indicators) if kind == "static-step" else 1)


def _position(
    number: int,
    kind: CheckKind,
    limits: CheckLimits,
    clampings: Sequence[Clamping],
    capture: CaptureRules,
) -> PositionCheck:
    swept = [clamping.positions[number] for clamping in clampings]
    indicator = next(i for i in capture.indicators if i.id == swept[0].indicator)
    is_finished = capture.mode == "single-value"
    seats = [
        finished_seat(one.sweep) if is_finished else seat_of(one.sweep, indicator.sweep)
        for one in swept
    ]
    check = _judged(kind, seats, limits, indicator.sweep.fastest_turn_ns)
    # A finished TIR says nothing of where the zero lies.
    values = [v for one in swept for v in one.sweep.value_nm if not is_finished]
    zero_nm = (2 * sum(values) + len(values)) // (2 * len(values)) if values else None
    return PositionCheck(swept[0].position, swept[0].indicator, check, zero_nm)


def _judged(
    kind: CheckKind, seats: Sequence[Seat], limits: CheckLimits, fastest_turn_ns: int
) -> MasterCheck:
    if kind == "run-out":
        return judge_run_out(seats[-1], limits)
    return judge_sensitivity(seats, limits, fastest_turn_ns)


def _with_drift(
    one: PositionCheck, kind: CheckKind, zeros: Mapping[ZeroKey, int]
) -> PositionCheck:
    before = zeros.get((kind, one.position))
    if before is None or one.zero_nm is None or one.check.result != "good":
        return one
    return replace(one, drift_nm=one.zero_nm - before)


def _fact(
    at_work: CheckAtWork,
    limits: CheckLimits,
    seats: tuple[Clamping, ...],
    positions: tuple[PositionCheck, ...],
) -> CheckFact:
    result = next(r for r in _WORST if any(p.check.result == r for p in positions))
    worst = [one for one in positions if one.check.result == result]
    several = len(positions) > 1
    reason = "; ".join(
        f"{one.position}: {one.check.reason}" if several else one.check.reason for one in worst
    )
    return CheckFact(
        at_work.kind, result, reason, worst[0].check.what_to_do, limits.master, positions,
        seats, at_work.by, at_work.role,
    )  # fmt: skip


def _after(
    at_work: CheckAtWork, fact: CheckFact, kept: tuple[Clamping, ...], rules: CheckRules
) -> CheckAtWork | None:
    if fact.result == "failed":
        return None
    if fact.result == "invalid":
        return replace(at_work, seats=kept, note=f"{fact.reason}: {fact.what_to_do}")
    good = at_work.good | {at_work.kind}
    if good >= rules.kinds:
        return None
    return CheckAtWork(_next_kind(rules, good), at_work.by, at_work.role, good=good)


def broken_off(at_work: CheckAtWork, rules: CheckRules, reason: str, role: str) -> CheckFact:
    """Return the record of a check that was given up: it changes nothing."""
    return CheckFact(
        at_work.kind, "invalid", f"{BROKEN_OFF}{reason}", "make the check anew",
        rules.of(at_work.kind).master, (), at_work.seats, at_work.by, role,
    )  # fmt: skip


def late_text(at_work: CheckAtWork, rules: CheckRules, at_ns: int) -> str:
    """Return that a seat beginning now comes too late; "" while it does not."""
    since_ns, most_ns = at_work.since_ns, rules.seats_within_ns
    if since_ns is None or at_ns - since_ns <= most_ns:
        return ""
    before = f"seat {at_work.seat - 1}" if at_work.seats else "the check was begun"
    return (
        f"{at_work.kind}, seat {at_work.seat}, did not begin within {most_ns / 6e10:g} min "
        f"after {before}"
    )


def drift_text(fact: CheckFact, rules: CheckRules) -> str:
    """Return which zero moved too far since the last good check; "" when none did."""
    most_nm = rules.zero_drift_nm
    if most_nm is None:
        return ""
    far = [p for p in fact.positions if p.drift_nm is not None and abs(p.drift_nm) > most_nm]
    return "; ".join(
        f"{one.position}: zero moved by {um_text(one.drift_nm or 0)} µm since the last good"
        f" check, at most {um_text(most_nm)} µm is allowed"
        for one in far
    )


def seating(at_work: CheckAtWork, rules: CheckRules, capture: CaptureRules) -> str:
    """Return what is to be put on the bench, as a sentence without its full stop."""
    master = rules.of(at_work.kind).master
    if at_work.kind == "static-step":
        return _setting(at_work, master.id, capture)
    if at_work.seat == 2:
        return f"Master check: loosen, turn {master.id} by half a turn, clamp it again"
    return f"Master check: {_SEATING[master.subject].format(master.id)}"


def _setting(at_work: CheckAtWork, master: str, capture: CaptureRules) -> str:
    """Return where the stylus is to be set, and of which indicator where there are several."""
    number, face = face_of(at_work.seat)
    by = capture.indicators[number]
    whose = f" of {by.position}" if len(capture.indicators) > 1 else ""
    if at_work.face.is_reading:
        return f"Hands off: the stylus{whose} is read {face} gauge block {master}"
    return (
        f"Static step: the spindle stands; set the stylus{whose} {face} gauge block {master}, "
        "then press the foot switch"
    )
