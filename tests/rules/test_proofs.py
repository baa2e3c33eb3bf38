"""How a whole turn is proved: by angle, by the signal's own period, by two flags."""

from dataclasses import replace
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.flag_order import flags_out_of_order
from rules.own_period import own_period_ns
from rules.run_out import evaluate, evaluate_v1
from rules.spindle_angle import TURN_UDEG, unwrapped, went_back
from rules.sweep import Proof, Sweep
from tests.rules.bench_tape import MS, SPEED_RULES, S
from tests.rules.turned_sweeps import (
    RULES,
    TWO_FLAGS,
    Path,
    Pin,
    Reader,
    drawn_pin,
    rocking,
    steady,
    stopping,
)

ROUND = Pin(((3_000, 0.2),))


@pytest.mark.parametrize("proof", ["index", "speed", "period", "angle"])
@pytest.mark.parametrize("tir_nm", [1_500, 4_000, 15_000])
def test_every_proof_finds_the_run_out_of_a_driven_spindle(proof: Proof, tir_nm: int) -> None:
    for seed in range(20):
        rng = Random(seed)
        pin = drawn_pin(rng, tir_nm)
        path = steady(2.4 * rng.uniform(0.96, 1.04), rng.uniform(-0.04, 0.04), rng.random())
        found = evaluate(Reader(rng).sweep(pin, path, RULES[proof]), RULES[proof])
        assert found.invalid is None
        assert found.tir_nm == pytest.approx(tir_nm, abs=400)


def test_the_own_period_is_the_spindles() -> None:
    for period_s in (2.1, 2.4, 3.0, 3.8):
        rules = RULES["period"]
        sweep = Reader(Random(3)).sweep(ROUND, steady(period_s), rules)
        assert own_period_ns(sweep, rules) == pytest.approx(period_s * S, rel=0.01)


def test_a_nearly_perfect_collet_has_no_period_of_its_own() -> None:
    for seed in range(50):
        sweep = Reader(Random(seed)).sweep(Pin(((50, 0.0),)), steady(), RULES["period"])
        assert evaluate(sweep, RULES["period"]).invalid == "no-turning"


@pytest.mark.parametrize("proof", ["index", "period", "angle"])
@pytest.mark.parametrize("degrees", [180, 240, 300, 350])
def test_a_spindle_that_stops_short_has_no_result(proof: Proof, degrees: int) -> None:
    for seed in range(30):
        rng = Random(seed)
        pin = drawn_pin(rng, 6_250)
        path = stopping(steady(), 0.001 + degrees / 360)
        found = evaluate(Reader(rng).sweep(pin, path, RULES[proof]), RULES[proof])
        assert found.invalid is not None
        if found.seen_nm is not None:
            assert found.seen_nm <= 6_250 + 500


@pytest.mark.parametrize("degrees", [60, 180, 300, 350])
def test_rocking_is_seen_by_an_encoder(degrees: int) -> None:
    sweep = Reader().sweep(ROUND, rocking(degrees), RULES["angle"])
    found = evaluate(sweep, RULES["angle"])
    assert (found.invalid, found.tir_nm) == ("turned-back", None)


def test_turning_the_other_way_is_turning() -> None:
    def backwards(seconds: float) -> float:
        return 0.9 - steady(3.0)(seconds)

    for rules in (RULES["angle"], TWO_FLAGS):
        found = evaluate(Reader().sweep(ROUND, backwards, rules), rules)
        assert found.invalid is None


@pytest.mark.parametrize("degrees", [60, 120, 200, 350])
@pytest.mark.parametrize("about", [0.0, 0.1, 0.25, 0.5, 0.7])
def test_rocking_over_two_flags_is_no_turning(degrees: int, about: float) -> None:
    reader = Reader(index_at=0.001)
    found = evaluate(reader.sweep(ROUND, rocking(degrees, about=about), TWO_FLAGS), TWO_FLAGS)
    assert found.tir_nm is None


def test_a_swing_from_flag_to_flag_takes_as_long_out_as_back() -> None:
    # Reversed on the flags themselves, each is passed once a swing: the times tell.
    assert flags_out_of_order([0, 400, 800], [200, 600], 90)
    assert not flags_out_of_order([0, 400, 800], [100, 500], 90)
    assert not flags_out_of_order([0, 400, 800], [300, 700], 90)  # the other way round
    assert flags_out_of_order([0, 400, 800], [100, 700], 90)  # one turn each way
    assert flags_out_of_order([0, 400, 800], [100, 150, 500], 90)
    assert flags_out_of_order([0, 400, 800], [100], 90)


def held(path: Path, at: float, seconds: float) -> Path:
    """Return a hand that turns and rests once, at an angle, for some seconds."""

    def angle(now: float) -> float:
        turned = path(now)
        if turned <= at:
            return turned
        return max(at, path(now - seconds))

    return angle


def test_a_hand_that_rests_at_the_high_spot_is_no_stylus_at_its_end() -> None:
    for at in (0.3, 0.55, 0.8, 1.3):
        sweep = Reader().sweep(ROUND, held(steady(), at, 2.5), RULES["angle"])
        assert evaluate(sweep, RULES["angle"]).invalid is None


def test_a_spike_in_one_turn_has_no_result_and_is_told_as_that() -> None:
    for seed in range(40):
        rng = Random(seed)
        sweep = Reader(rng).sweep(ROUND, steady(), RULES["index"])
        where, size = rng.randrange(3, len(sweep.value_nm) - 3), rng.choice((-1, 1)) * 2_000
        values = list(sweep.value_nm)
        values[where] += size
        dirty = replace(sweep, value_nm=tuple(values))
        found = evaluate(dirty, RULES["index"])
        assert (found.invalid, found.tir_nm) == ("spike", None)
        assert found.seen_nm is not None
        assert found.seen_nm <= 6_400
        assert evaluate(sweep, RULES["index"]).invalid is None


def test_what_comes_back_in_the_next_turn_is_the_pins_own() -> None:
    sweep = Reader(Random(4), noise_nm=0).sweep(ROUND, steady(), RULES["index"])
    values = list(sweep.value_nm)
    start, close = sweep.index_ns[:2]
    for first in (start + 700 * MS, close + 700 * MS):
        place = next(i for i, at in enumerate(sweep.at_ns) if at >= first)
        values[place] += 1_500
    assert evaluate(replace(sweep, value_nm=tuple(values)), RULES["index"]).invalid is None


def test_version_one_is_still_computed_as_it_was() -> None:
    sweep = Reader(Random(4), noise_nm=0).sweep(ROUND, steady(), RULES["index"])
    values = list(sweep.value_nm)
    values[30] += 900  # above a tenth of limit and TIR, and turns still agree
    dirty = replace(sweep, value_nm=tuple(values))
    assert evaluate(dirty, RULES["index"]).invalid == "spike"
    assert evaluate_v1(dirty, RULES["index"]).invalid is None


@given(st.lists(st.integers(-170_000_000, 170_000_000), max_size=40))
def test_angles_unwrap_whatever_the_wrap(steps: list[int]) -> None:
    gone = [0]
    for step in steps:
        gone.append(gone[-1] + step)
    found = unwrapped([way % TURN_UDEG for way in gone])
    assert list(found) in (gone, [-way for way in gone])


def test_play_is_no_turning_back() -> None:
    assert not went_back((0, 10_000_000, 6_000_000, 20_000_000))
    assert went_back((0, 10_000_000, 4_000_000, 20_000_000))


def test_angles_that_are_missing_prove_nothing() -> None:
    sweep = Reader().sweep(ROUND, steady(), RULES["angle"])
    for angles in ((), sweep.angle_udeg[:-1]):
        found = evaluate(replace(sweep, angle_udeg=angles), RULES["angle"])
        assert found.tir_nm is None
    assert evaluate(Sweep((), ()), RULES["angle"]).invalid == "no-turning"


def test_a_gap_in_the_angle_counts_however_short_it_was() -> None:
    sweep = Reader().sweep(ROUND, steady(), RULES["angle"])
    out = [i for i, at in enumerate(sweep.at_ns) if not 11.0 <= at / S <= 11.4]
    cut = replace(
        sweep,
        at_ns=tuple(sweep.at_ns[i] for i in out),
        value_nm=tuple(sweep.value_nm[i] for i in out),
        angle_udeg=tuple(sweep.angle_udeg[i] for i in out),
    )
    assert evaluate(cut, RULES["angle"]).invalid == "readings-missing"


def test_a_known_speed_is_held_to_its_evidence_still() -> None:
    sweep = Reader().sweep(Pin(((30, 0.0),)), steady(), SPEED_RULES)
    assert evaluate(sweep, SPEED_RULES).invalid == "no-turning"
