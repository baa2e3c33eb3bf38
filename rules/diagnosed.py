"""Facts with what their sweeps show beside the run-out: worked out once the lamp is lit.

The fit costs as much as all that a verdict rests on, and no verdict rests on it. So a step of
the bench leaves it out, and whoever keeps the facts puts it in first.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from rules.capture_model import IndicatorRules
from rules.clamping import Clamping, PositionRunOut
from rules.diagnosis import diagnose
from rules.facts import ClampingFact, Fact, RefusedFact
from rules.sweep import SweepRules


def diagnosed(facts: Iterable[Fact], indicators: Sequence[IndicatorRules]) -> tuple[Fact, ...]:
    """Return the facts, every sweep in them with its diagnosis.

    Args:
        facts: Of one step.
        indicators: Those of the bench, as the step went by them.
    """
    return tuple(_with_diagnosis(fact, indicators) for fact in facts)


def _with_diagnosis(fact: Fact, indicators: Sequence[IndicatorRules]) -> Fact:
    match fact:
        case ClampingFact():
            return replace(fact, clamping=_examined(fact.clamping, indicators))
        case RefusedFact(clamping=Clamping() as clamping):
            return replace(fact, clamping=_examined(clamping, indicators))
        case _:
            return fact


def _examined(clamping: Clamping, indicators: Sequence[IndicatorRules]) -> Clamping:
    if clamping.mode != "sweep":
        return clamping
    rules = {one.id: one.sweep for one in indicators}
    positions = tuple(_shown(place, rules[place.indicator]) for place in clamping.positions)
    return replace(clamping, positions=positions)


def _shown(place: PositionRunOut, rules: SweepRules) -> PositionRunOut:
    found = diagnose(place.sweep, rules)
    return replace(place, run_out=replace(place.run_out, diagnosis=found))
