"""Encoder, own period and two flags through the capture, event by event."""

from collections.abc import Callable

import pytest

from rules.capture_model import CaptureEvent, CaptureRules, Edge, Seen
from rules.clamping import Clamping
from rules.diagnosed import diagnosed
from rules.facts import ClampingFact, CycleEndedFact
from rules.grading import Assessed
from rules.reading import Reading
from rules.spindle_angle import TURN_UDEG
from rules.sweep import SweepRules
from tests.rules.bench_tape import S, capture_rules, clampings, loosenings
from tests.rules.turned_sweeps import (
    RULES,
    TWO_FLAGS,
    Path,
    Pin,
    passings,
    rocking,
    steady,
    stopping,
)

PIN = Pin(((3_000, 0.2),))
EVERY_NS = S // 20


def told(
    path: Path, rules: SweepRules, seconds: float = 14.0, clamped: int = 1
) -> list[CaptureEvent]:
    """Return a bench's events: lifted for 10 s, set, at rest for 2 s, then turned; repeated."""
    events: list[CaptureEvent] = []
    for number in range(clamped):
        start = (10 + number * 40) * S
        for k in range(round((12 + seconds) * S) // EVERY_NS):
            at_ns = start + k * EVERY_NS
            turns = path(max(0.0, (at_ns - start) / S - 12))
            value = round(PIN.at(turns) / 100) * 100 if at_ns - start >= 10 * S else None
            flags = frozenset({"over-range"}) if value is None else frozenset()
            angle = round(turns * TURN_UDEG) % TURN_UDEG if rules.proof == "angle" else None
            events.append(
                Seen("IND-1", Reading(value, flags=flags, angle_udeg=angle), at_ns)  # type: ignore[arg-type]
            )
        for signal, place in (("index", 0.1), ("index-2", 0.35)):
            events += [
                Edge(signal, True, start + round((12 + at) * S))  # type: ignore[arg-type]
                for at in passings(path, place, seconds)
            ]
    return sorted(events, key=lambda event: (event.at_ns, isinstance(event, Seen)))


BENCHES: dict[str, CaptureRules] = {
    "angle": capture_rules(RULES["angle"]),
    "period": capture_rules(RULES["period"]),
    "two flags": capture_rules(TWO_FLAGS),
}


def found(name: str, path: Path, clamped: int = 1, seconds: float = 14.0) -> list[Clamping]:
    rules = BENCHES[name]
    return clampings(told(path, rules.sweep, seconds, clamped), rules)


@pytest.mark.parametrize("name", BENCHES)
def test_an_honest_clamping_counts_once_with_its_run_out(name: str) -> None:
    (clamping,) = found(name, stopping(steady(), 4.6))
    assert clamping.invalid is None
    assert clamping.tir_nm == pytest.approx(6_000, abs=100)
    counted = ClampingFact(1, True, 1, "first", 1, clamping, Assessed("within", 6_000, None))
    ended = CycleEndedFact(1, 1, "graded", "")
    shown, same = diagnosed((counted, ended), BENCHES[name].indicators)
    assert isinstance(shown, ClampingFact)
    assert shown.clamping.positions[0].run_out.diagnosis is not None
    assert (diagnosed((shown,), BENCHES[name].indicators), same) == ((shown,), ended)


@pytest.mark.parametrize("name", BENCHES)
def test_three_clampings_follow_each_other(name: str) -> None:
    assert [c.invalid for c in found(name, stopping(steady(), 4.6), 3)] == [None] * 3


@pytest.mark.parametrize("name", ["angle", "two flags"])
@pytest.mark.parametrize("degrees", [60, 200, 300, 350])
def test_rocking_is_told_at_once_and_has_no_result(name: str, degrees: int) -> None:
    made = found(name, rocking(degrees, 5.0, 0.2), seconds=30)
    assert all(clamping.tir_nm is None for clamping in made)
    if degrees > 60:
        assert [clamping.invalid for clamping in made] == ["turned-back"]


@pytest.mark.parametrize("name", ["angle", "two flags"])
def test_a_spindle_stopped_in_the_sweep_is_short(name: str) -> None:
    (clamping,) = found(name, stopping(steady(), 1.4), seconds=30)
    assert clamping.invalid == "short-turn"


def test_an_encoder_shows_a_spindle_that_never_stopped_for_the_loosening() -> None:
    rules = BENCHES["angle"]
    events = told(steady(), rules.sweep, clamped=1, seconds=20)
    start = events[-1].at_ns
    turning: Callable[[int], float] = lambda at_ns: steady()((at_ns - 22 * S) / S)  # noqa: E731
    for k in range(1, 600):
        at_ns = start + k * EVERY_NS
        is_off = k < 260
        value = None if is_off else round(PIN.at(turning(at_ns)) / 100) * 100
        angle = round(turning(at_ns) * TURN_UDEG) % TURN_UDEG
        flags = frozenset({"over-range"}) if is_off else frozenset()
        events.append(Seen("IND-1", Reading(value, flags=flags, angle_udeg=angle), at_ns))  # type: ignore[arg-type]
    assert loosenings(events, rules).count("stylus-lift") == 2
    assert len(clampings(events, rules)) == 1


def test_readings_without_an_angle_make_no_clamping_under_an_encoder() -> None:
    rules = BENCHES["angle"]
    events = told(stopping(steady(), 4.6), RULES["period"])
    assert clampings(events, rules) == []
