"""The delay of an indicator from two speeds, against pins that were read late on purpose."""

from collections.abc import Callable
from dataclasses import replace
from math import cos, pi, sin
from random import Random

import pytest

from rules.indicator_delay import Delay, DelayError, indicator_delay
from rules.spindle_angle import TURN_UDEG
from rules.sweep import Sweep, SweepRules
from tests.rules.bench_tape import S
from tests.rules.turned_sweeps import RULES

RATE_HZ, TURNS = 20, 6
INDEX = replace(RULES["index"], slowest_turn_ns=8 * S)
FLAGS = replace(INDEX, second_flag_deg=120)
ANGLE = replace(RULES["angle"], slowest_turn_ns=8 * S)

Spoil = Callable[[float], float]


def turned(
    turn_s: float,
    delay_s: float,
    rules: SweepRules = INDEX,
    sense: int = 1,
    seed: int = 1,
    mean_s: float = 0.0,
) -> Sweep:
    """Return six turns of a pin 2.55 µm off, its high spot at 130°, read so much late.

    With ``mean_s`` every reading is the mean over that time before it.
    """
    rng = Random(f"{seed}/{turn_s}")
    at_s = [i / RATE_HZ + rng.uniform(0, 0.005) for i in range(int(6.4 * turn_s * RATE_HZ))]

    def indication(at: float) -> float:
        return 2550 * cos(2 * pi * (sense * (at - delay_s) / turn_s - 130 / 360))

    def seen(at: float) -> int:
        parts = 100 if mean_s else 1
        over = (indication(at - mean_s * (k + 0.5) / parts) for k in range(parts))
        return round(sum(over) / parts + rng.gauss(0, 50))

    def passed(share: float) -> tuple[int, ...]:
        return tuple(round((turn + share) * turn_s * S) for turn in range(7))

    second = FLAGS.second_flag_deg / 360
    return Sweep(
        tuple(round(at * S) for at in at_s),
        tuple(map(seen, at_s)),
        passed(0) if rules.proof == "index" else (),
        angle_udeg=tuple(round(sense * at / turn_s * TURN_UDEG) % TURN_UDEG for at in at_s)
        if rules.proof == "angle"
        else (),
        second_ns=passed(second if sense > 0 else 1 - second) if rules.second_flag_deg else (),
    )


def found(delay_s: float, rules: SweepRules, sense: int = 1, seed: int = 1) -> Delay:
    fast, slow = (turned(turn_s, delay_s, rules, sense, seed) for turn_s in (2.4, 6.0))
    return indicator_delay(fast, slow, rules)


@pytest.mark.parametrize("delay_s", [0.0, 0.04, 0.25, -0.025])
@pytest.mark.parametrize(
    ("rules", "sense"),
    [(INDEX, 1), (FLAGS, 1), (FLAGS, -1), (ANGLE, 1), (ANGLE, -1)],
    ids=["index", "two flags", "two flags backwards", "encoder", "encoder falling"],
)
def test_the_delay_is_found_within_its_own_uncertainty(
    delay_s: float, rules: SweepRules, sense: int
) -> None:
    """At 95 % every other ten seeds have one outside; four or more by chance once in 1000."""
    shown = [found(delay_s, rules, sense, seed) for seed in range(10)]
    outside = [d for d in shown if abs(d.delay_ns - delay_s * S) > d.uncertainty_ns]
    assert len(outside) < 4
    assert sum(d.delay_ns for d in shown) / 10 == pytest.approx(delay_s * S, abs=0.002 * S)
    assert all(d.uncertainty_ns < 0.02 * S for d in shown)
    assert delay_s == 0.0 or all(d.is_shown for d in shown)
    assert (shown[0].slow.turn_ns, shown[0].fast.turn_ns) == pytest.approx(
        (6.0 * S, 2.4 * S), rel=1e-3
    )


def test_it_makes_no_matter_which_recording_is_the_faster() -> None:
    fast, slow = turned(2.4, 0.1), turned(6.0, 0.1)
    assert indicator_delay(fast, slow, INDEX) == indicator_delay(slow, fast, INDEX)


def test_a_delay_already_in_the_bench_file_is_measured_anew() -> None:
    corrected = replace(INDEX, delay_ns=round(0.1 * S))
    assert found(0.1, corrected).delay_ns == found(0.1, INDEX).delay_ns


def test_an_average_delays_by_half_its_time_and_flattens() -> None:
    """A mean over T keeps sin(x)/x, x = πT/P, of a wave of period P: textbook, from memory."""
    shown = [
        indicator_delay(
            turned(2.4, 0.0, seed=k, mean_s=0.5), turned(6.0, 0.0, seed=k, mean_s=0.5), INDEX
        )
        for k in range(4)
    ]
    assert sum(one.delay_ns for one in shown) / 4 == pytest.approx(0.25 * S, abs=0.002 * S)
    kept = [sin(pi * 0.5 / turn_s) / (pi * 0.5 / turn_s) for turn_s in (2.4, 6.0)]
    expected = 100 * (1 - kept[0] / kept[1])
    assert shown[0].flattened_percent == pytest.approx(expected, abs=0.8)


def test_what_shows_no_delay_says_why() -> None:
    fast, slow = turned(2.4, 0.1), turned(6.0, 0.1)
    with pytest.raises(DelayError, match=r"2\.40 and 2\.40 s: accepted are two speeds"):
        indicator_delay(fast, turned(2.4, 0.1, seed=2), INDEX)
    short = replace(slow, index_ns=slow.index_ns[:3])
    with pytest.raises(DelayError, match="2 whole turns by index: accepted are 3 or more"):
        indicator_delay(fast, short, INDEX)
    running_up = (*slow.index_ns[:3], *(at + S for at in slow.index_ns[3:]))
    with pytest.raises(DelayError, match="accepted is a steady speed"):
        indicator_delay(fast, replace(slow, index_ns=running_up), INDEX)
    with pytest.raises(DelayError, match="0 whole turns by speed"):
        indicator_delay(replace(fast, index_ns=()), replace(slow, index_ns=()), RULES["speed"])
    unread = replace(slow, at_ns=slow.at_ns[:5], value_nm=slow.value_nm[:5])
    with pytest.raises(DelayError, match="readings"):
        indicator_delay(fast, unread, INDEX)
