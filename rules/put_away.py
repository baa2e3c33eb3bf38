"""Put-away: a piece is a piece until it lies in its bin.

All transitions are in this file. After a verdict the next piece starts only when the last
one was put away: by the bin's own sensor or button, by foot switch, or, if the bench file
chooses it, at the next removal. A wrong bin locks the bench until it is put right.
"""

from dataclasses import dataclass, replace
from typing import Literal

Confirmation = Literal["bin", "foot", "removal"]


@dataclass(frozen=True, slots=True)
class Graded:
    """A verdict says where the piece in hand belongs."""

    bin: str


@dataclass(frozen=True, slots=True)
class Placed:
    """A bin's sensor or button saw a piece."""

    bin: str


@dataclass(frozen=True, slots=True)
class FootPressed:
    """The foot switch was pressed and let go again."""

    held_ns: int


@dataclass(frozen=True, slots=True)
class Removed:
    """The collet was taken out of the holder."""


@dataclass(frozen=True, slots=True)
class Voided:
    """The verdict no longer stands: a retry was asked for, or the piece was given up."""


PutAwayEvent = Graded | Placed | FootPressed | Removed | Voided


@dataclass(frozen=True, slots=True)
class PieceClosed:
    """The piece lies in its bin."""

    bin: str
    by: Confirmation


@dataclass(frozen=True, slots=True)
class WrongBin:
    """It was put into another bin than the lit one; the bench is locked."""

    bin: str
    expected: str


@dataclass(frozen=True, slots=True)
class NothingPending:
    """A bin was confirmed while no piece waited: harmless, recorded."""

    bin: str


PutAwayOutcome = PieceClosed | WrongBin | NothingPending


@dataclass(frozen=True, slots=True)
class PutAwayRules:
    """Which confirmations count on this bench.

    Attributes:
        by: Those that close a piece.
        confirm_within_ns: Quiet for so long without one is an alarm; None: never.
    """

    by: frozenset[Confirmation]
    confirm_within_ns: int | None = None


@dataclass(frozen=True, slots=True)
class PutAwayState:
    """Where the piece in hand belongs.

    Attributes:
        pending: The bin it belongs in; None when no piece waits.
        wrong: The bin it was put into instead, until that is put right.
    """

    pending: str | None = None
    wrong: str | None = None


def step(
    state: PutAwayState, event: PutAwayEvent, rules: PutAwayRules
) -> tuple[PutAwayState, tuple[PutAwayOutcome, ...]]:
    """Return the next state and what came out of it. Pure: no clock, no I/O."""
    match event:
        case Graded():
            return PutAwayState(event.bin), ()
        case Voided():
            return PutAwayState(), ()
        case Placed():
            return _placed(state, event.bin, rules)
        case FootPressed():
            return _confirmed(state, "foot", rules)
        case Removed():
            return _confirmed(state, "removal", rules)


def _placed(
    state: PutAwayState, bin_id: str, rules: PutAwayRules
) -> tuple[PutAwayState, tuple[PutAwayOutcome, ...]]:
    if state.pending is None:
        return state, (NothingPending(bin_id),)
    if bin_id != state.pending:
        return replace(state, wrong=bin_id), (WrongBin(bin_id, state.pending),)
    # Without "bin" among the confirmations its sensor is a witness, not the key.
    return _confirmed(replace(state, wrong=None), "bin", rules)


def _confirmed(
    state: PutAwayState, by: Confirmation, rules: PutAwayRules
) -> tuple[PutAwayState, tuple[PutAwayOutcome, ...]]:
    """Close the piece; a wrong bin is put right at the right bin only, never by foot."""
    if state.pending is None or by not in rules.by or state.wrong is not None:
        return state, ()
    return PutAwayState(), (PieceClosed(state.pending, by),)
