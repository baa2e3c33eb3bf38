"""Which candidate it is, how sure that is, and what stays open."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from daemon.recognise.bcd import bcd_candidates
from daemon.recognise.characters import read_characters
from daemon.recognise.modbus import modbus_candidates
from daemon.recognise.over_range import with_over_range
from daemon.recognise.proposal import Candidate, Doubt
from daemon.recognise.sample import Sample
from daemon.recognise.scpi import scpi_candidates
from daemon.recognise.text import text_candidates
from daemon.recognise.trial import Outcome, try_candidate

Sureness = Literal["sure", "likely", "a guess"]

LEAST_SHARE = 0.6
"""Less than this read is no recognition."""

_SURE_READINGS, _SURE_SHARE, _SURE_VALUES = 20, 0.98, 5
_LIKELY_READINGS, _LIKELY_SHARE, _LIKELY_VALUES = 5, 0.8, 3
_FEWEST_READINGS = 2
_SHARE_WEIGHT = 30
_RIVAL_WITHIN = 2.0


@dataclass(frozen=True, slots=True)
class Finding:
    """What a sample is taken for.

    Attributes:
        outcome: The candidate and what its driver read.
        framing: What parity bits showed; None if they showed nothing.
        sureness: "sure": twenty readings or more through zero, all but 2 % read, no rival.
            "likely": five readings of three values, 80 % read, no rival. Else "a guess".
        doubts: What the bytes could not tell.
    """

    outcome: Outcome
    framing: str | None
    sureness: Sureness
    doubts: tuple[Doubt, ...]


def recognise(sample: Sample) -> Finding | None:
    """Return what the sample is taken for; None if no driver reads it."""
    characters = read_characters(sample)
    plain = characters.sample
    tried = [
        outcome
        for candidate in _candidates(plain)
        if (outcome := try_candidate(candidate, plain)) is not None
        and len(outcome.readings) >= _FEWEST_READINGS
        and outcome.share >= LEAST_SHARE
    ]
    if not tried:
        return None
    best = max(tried, key=_rank)
    best = with_over_range(best, plain) or best
    rivals = [outcome for outcome in tried if _is_rival(outcome, best)]
    doubts = list(best.candidate.doubts)
    doubts += _rival_doubts(rivals)
    return Finding(best, characters.framing, _sureness(best, rivals), tuple(doubts))


def _candidates(sample: Sample) -> Iterator[Candidate]:
    yield from scpi_candidates(sample)
    yield from modbus_candidates(sample)
    yield from text_candidates(sample)
    yield from bcd_candidates(sample)


def _rank(outcome: Outcome) -> tuple[float, int]:
    return weight(outcome), -len(outcome.candidate.doubts)


def weight(outcome: Outcome) -> float:
    """Return how much speaks for an outcome: what its frame proves, and what was read."""
    return outcome.candidate.merit + _SHARE_WEIGHT * outcome.share


def _is_rival(outcome: Outcome, best: Outcome) -> bool:
    """Return True for an outcome as good as the best one that says other values."""
    if weight(outcome) < weight(best) - _RIVAL_WITHIN:
        return False
    return _values(outcome)[-5:] != _values(best)[-5:]


def _values(outcome: Outcome) -> Sequence[int | None]:
    return [reading.value_nm for reading in outcome.readings]


def _rival_doubts(rivals: Sequence[Outcome]) -> list[Doubt]:
    if not rivals:
        return []
    other = max(rivals, key=_rank).candidate
    text = f"{other.driver} with {dict(other.options)} reads the same bytes as other values"
    return [Doubt("driver", text)]


def _sureness(best: Outcome, rivals: Sequence[Outcome]) -> Sureness:
    count = len(best.readings)
    values = {value for value in _values(best) if value is not None}
    is_through_zero = any(value > 0 for value in values) and any(value < 0 for value in values)
    if (
        not rivals
        and count >= _SURE_READINGS
        and best.share >= _SURE_SHARE
        and len(values) >= _SURE_VALUES
        and is_through_zero
    ):
        return "sure"
    if (
        not rivals
        and count >= _LIKELY_READINGS
        and best.share >= _LIKELY_SHARE
        and len(values) >= _LIKELY_VALUES
    ):
        return "likely"
    return "a guess"
