"""A static step: the spindle stands, and a gauge block of known height lifts the stylus.

Two faces, read one after the other: beside the block, then on it. Each is announced (foot
switch or command) and read from then on: a stylus that hangs free lies as still as one that
rests on a face, and nobody but the person at the bench knows which it is. A reading counts
once the indication has lain within the bench's ``moving_nm`` for a second.

It shows unit, scale and sign at a glance. At standstill nothing averages and no play is
passed through, so it is added to the sensitivity check and never made instead of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from rules.capture_model import Edge, IndicatorRules, Seen, Track
from rules.stylus import fault_of, value_on_pin
from rules.sweep import Cut, Sweep

STILL_NS = 1_000_000_000
"""So long an indication has to lie still; a hand that lets go takes less to come to rest."""

READINGS_MIN = 8
"""Fewest readings a face is read with: their mean is then better than the digital step."""

_FAULTS = {
    "over-range": "the indicator is out of its range",
    "frozen": "the indicator holds its value",
    "wrong-mode": "the indicator sends its max-min memory",
    "unit-changed": "the indicator's unit changed",
    "offset-changed": "the indicator was zeroed",
}

_SPOILS_BOTH: frozenset[Cut] = frozenset({"unit-changed", "offset-changed"})
"""After these the face that was read before can't be compared with any other."""


@dataclass(frozen=True, slots=True)
class Announced:
    """Somebody says that the stylus is set and the hands are off."""


@dataclass(frozen=True, slots=True)
class FaceRead:
    """The stylus lay still on a face."""

    sweep: Sweep


@dataclass(frozen=True, slots=True)
class FaceSpoiled:
    """It did not: the face is announced again; ``from_start``: both faces of the indicator."""

    reason: str
    what_to_do: str
    from_start: bool = False


StepEvent = Announced | Seen | Edge
StepOutcome = FaceRead | FaceSpoiled


@dataclass(frozen=True, slots=True)
class StepState:
    """Where the reading of one face stands.

    Attributes:
        is_reading: The face was announced and is being read.
        at_ns: Times of its readings.
        value_nm: Their values.
        has_beside: The first face was read: unit and offset have to stay.
        track: Unit and offset of the last reading, for the next to be held against.
        seen_ns: Time of the last reading of all; None before the first.
    """

    is_reading: bool = False
    at_ns: tuple[int, ...] = ()
    value_nm: tuple[int, ...] = ()
    has_beside: bool = False
    track: Track = field(default_factory=Track)
    seen_ns: int | None = None


Result = tuple[StepState, tuple[StepOutcome, ...]]


def step(state: StepState, event: StepEvent, by: IndicatorRules, moving_nm: int) -> Result:
    """Return the next state and what came out of it. Pure: no clock, no I/O.

    Args:
        state: Where the reading of the face stands.
        event: An announcement, a reading of this indicator, or an edge of the spindle's.
        by: The indicator whose stylus is set.
        moving_nm: Change of indication that shows that something moves.
    """
    match event:
        case Announced():
            return replace(state, is_reading=True, at_ns=(), value_nm=()), ()
        case Edge():
            is_turning = event.is_on and event.signal in ("index", "index-2", "run")
            if not (state.is_reading and is_turning):
                return state, ()
            return _spoiled(state, "the spindle turns", "let it stand, then announce the face")
        case Seen():
            return _seen(state, event, by, moving_nm)


def _seen(state: StepState, seen: Seen, by: IndicatorRules, moving_nm: int) -> Result:
    cut = fault_of(seen.reading, state.track)
    track = Track(
        unit=seen.reading.unit, has_offset="offset-set" in seen.reading.flags
    )  # fmt: skip
    state = replace(state, seen_ns=seen.at_ns, track=track)
    if cut in _SPOILS_BOTH and (state.is_reading or state.has_beside):
        return _spoiled(state, _FAULTS[cut], "set it back; both faces are read anew", cut)
    if not state.is_reading:
        return state, ()
    value_nm = value_on_pin(seen.reading, by)
    if cut is not None:
        return _spoiled(state, _FAULTS[cut], "set it right, then announce the face")
    if value_nm is None:
        return _spoiled(state, "the stylus touches nothing", "set it, then announce the face")
    at_ns, values = (*state.at_ns, seen.at_ns), (*state.value_nm, value_nm)
    if max(values) - min(values) > moving_nm:
        return _spoiled(state, "the stylus does not lie still", "hands off, then announce it")
    state = replace(state, at_ns=at_ns, value_nm=values)
    if at_ns[-1] - at_ns[0] < STILL_NS or len(values) < READINGS_MIN:
        return state, ()
    read = StepState(has_beside=not state.has_beside, track=track, seen_ns=seen.at_ns)
    return read, (FaceRead(Sweep(at_ns, values)),)


def _spoiled(state: StepState, reason: str, what_to_do: str, cut: Cut | None = None) -> Result:
    from_start = cut in _SPOILS_BOTH
    state = replace(state, is_reading=False, at_ns=(), value_nm=())
    if from_start:
        state = replace(state, has_beside=False)
    return state, (FaceSpoiled(reason, what_to_do, from_start),)


def level_nm(values: Sequence[int]) -> int:
    """Return the mean indication on a face, rounded half up; at least one value."""
    return (2 * sum(values) + len(values)) // (2 * len(values))


Face = Literal["beside", "on"]


def face_of(number: int) -> tuple[int, Face]:
    """Return which indicator's stylus is set on which face, of the faces counted from 1."""
    return (number - 1) // 2, "beside" if number % 2 else "on"
