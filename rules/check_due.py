"""When a master check is due: warned of before, then grading stops at a piece boundary.

A fold over the same facts as ``rules.assurance``, and one look at it with the time now. Hours
are counted by the monotonic clock of one boot, which no clock step and no daylight saving
touches; another boot is a check due by itself. Only the start of a shift needs a time of day:
while that can't be trusted a check is due after the shortest time between two shift starts.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import Literal

from rules.assurance_model import AssuranceFact, Cause, Checked, Disturbed, Graded
from rules.check_facts import BROKEN_OFF
from rules.masters import CheckKind
from rules.moment import CLOCK_BACK_S, Moment

Level = Literal["good", "soon", "due"]

CAUSE_TEXT: dict[Cause, str] = {
    "shift-start": "a shift began",
    "restart": "the service started anew",
    "reconnect": "an indicator was connected anew: if it is another one, tell that first",
    "lot-change": "another lot was opened",
    "pin-change": "another pin is in use",
    "holder-change": "another holder is in use",
    "indicator-change": "another indicator is in use",
    "holder-share": "the holder's share of the run-out is above its limit",
    "order-filled": "the order is filled: the closing check is due",
    "instrument-leaving": "an instrument is to leave the bench: its closing check comes first",
}

_NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class DueRules:
    """When the bench file asks for checks; each may be left out.

    Attributes:
        asked: Kinds of check that make one good check together; empty: none is asked for.
        every_pieces: After so many graded pieces, from 1; None: not by pieces.
        every_s: After so many seconds, above 0; None: not by time.
        causes: Events after which a check is due.
        shift_starts: Local times at which shifts start.
        zone: Time zone of those.
        warn_percent: Share of pieces or time from which a warning is given, 1 to 100.
    """

    asked: frozenset[CheckKind]
    every_pieces: int | None = 50
    every_s: int | None = 7_200
    causes: frozenset[Cause] = frozenset(CAUSE_TEXT)
    shift_starts: tuple[time, ...] = ()
    zone: tzinfo = UTC
    warn_percent: int = 80


@dataclass(frozen=True, slots=True)
class DueState:
    """What happened since the last good check.

    Attributes:
        good_at: When the older half of the last good check was made; None: there was none.
        halves: Kinds found good since the bench measured or was disturbed, with their times.
        pieces: Pieces graded since the last good check.
        causes: What makes one due, in order, each once.
        failed: What the last check said, if it failed; "" else.
        broken_off: Why the last check was given up, if it was; "" else.
    """

    good_at: Moment | None = None
    halves: tuple[tuple[CheckKind, Moment], ...] = ()
    pieces: int = 0
    causes: tuple[Cause, ...] = ()
    failed: str = ""
    broken_off: str = ""


@dataclass(frozen=True, slots=True)
class Due:
    """Whether a check is due, and why in words."""

    level: Level
    reasons: tuple[str, ...] = ()

    def stops(self, is_piece_begun: bool) -> bool:
        """Return whether the next clamping must wait: a piece that was begun is finished."""
        return self.level == "due" and not is_piece_begun


def fold(facts: Iterable[AssuranceFact], rules: DueRules) -> DueState:
    """Return what these facts make due."""
    state = DueState()
    for fact in facts:
        state = step(state, fact, rules)
    return state


def step(state: DueState, fact: AssuranceFact, rules: DueRules) -> DueState:
    """Return the next state. Pure: no clock, no I/O."""
    match fact:
        case Checked():
            return _checked(state, fact, rules)
        case Graded():
            return replace(state, pieces=state.pieces + 1, halves=())
        case Disturbed():
            is_new = fact.cause in rules.causes and fact.cause not in state.causes
            causes = (*state.causes, fact.cause) if is_new else state.causes
            return replace(state, causes=causes, halves=())
        case _:
            return state


def _checked(state: DueState, fact: Checked, rules: DueRules) -> DueState:
    if fact.result == "invalid":
        left = fact.reason.removeprefix(BROKEN_OFF)
        return state if left == fact.reason else replace(state, broken_off=left)
    state = replace(state, broken_off="")
    if fact.result == "failed":
        failed = fact.reason or f"the {fact.kind} check failed"
        return replace(state, failed=failed, halves=())
    halves = (*(half for half in state.halves if half[0] != fact.kind), (fact.kind, fact.at))
    if not {kind for kind, _ in halves} >= rules.asked:
        return replace(state, halves=halves)
    return DueState(good_at=halves[0][1])


def look(state: DueState, now: Moment, rules: DueRules) -> Due:
    """Return whether a check is due now."""
    if not rules.asked:
        return Due("good", ("the bench file asks for no master checks",))
    why = _why(state, now, rules)
    if why:
        left = state.broken_off
        return Due("due", (*why, *([f"the last one was broken off: {left}"] if left else ())))
    assert state.good_at is not None  # else one is due
    soon = [
        *_by_pieces(state.pieces, rules, rules.warn_percent),
        *_by_time(state.good_at, now, rules, rules.warn_percent),
    ]
    return Due("soon", tuple(soon)) if soon else Due("good")


def _why(state: DueState, now: Moment, rules: DueRules) -> list[str]:
    """Return everything that makes a check due now."""
    if state.failed:
        return [f"the last check failed: {state.failed}"]
    if state.good_at is None:
        return ["no good check was made yet"]
    reasons = [CAUSE_TEXT[cause] for cause in state.causes]
    reasons += _by_pieces(state.pieces, rules, 100)
    reasons += _by_time(state.good_at, now, rules, 100)
    return reasons + _by_shift(state.good_at, now, rules)


def _by_pieces(pieces: int, rules: DueRules, percent: int) -> list[str]:
    every = rules.every_pieces
    if every is None or pieces * 100 < every * percent:
        return []
    return [f"{pieces} of {every} pieces since the last good check"]


def _by_time(good_at: Moment, now: Moment, rules: DueRules, percent: int) -> list[str]:
    if rules.every_s is None:
        return []
    gone_ns = now.since_ns(good_at)
    if gone_ns is None:
        return ["the machine started anew: nobody can say how long ago the last check was"]
    if gone_ns * 100 < rules.every_s * percent * _NS_PER_S:
        return []
    return [f"{gone_ns // _NS_PER_S // 60} of {rules.every_s // 60} min since the last check"]


def _by_shift(good_at: Moment, now: Moment, rules: DueRules) -> list[str]:
    if not rules.shift_starts or "shift-start" not in rules.causes:
        return []
    # A check that was made while the clock ran ahead would hold off every shift until then.
    is_after = (good_at.utc - now.utc).total_seconds() <= CLOCK_BACK_S
    if now.is_trusted and good_at.is_trusted and is_after:
        began = last_shift_start(now.utc, rules.shift_starts, rules.zone)
        return [CAUSE_TEXT["shift-start"]] if began > good_at.utc else []
    gone_ns = now.since_ns(good_at)
    if gone_ns is not None and gone_ns < _shortest_shift_s(rules.shift_starts) * _NS_PER_S:
        return []
    return ["a shift may have begun: the clock can't be trusted"]


def last_shift_start(utc: datetime, starts: Sequence[time], zone: tzinfo) -> datetime:
    """Return when the shift that runs at ``utc`` began, UTC.

    A local time that daylight saving skips counts as the moment after the skip; one that
    comes twice counts once, the first time.
    """
    today = utc.astimezone(zone).date()
    moments = [
        datetime.combine(today + timedelta(days=days), start, zone).astimezone(UTC)
        for days in (-1, 0)
        for start in starts
    ]
    return max(moment for moment in moments if moment <= utc)


def _shortest_shift_s(starts: Sequence[time]) -> int:
    seconds = sorted(at.hour * 3600 + at.minute * 60 + at.second for at in starts)
    return min(b - a for a, b in pairwise((*seconds, seconds[0] + 86_400)))
