"""Sweeps of a spindle whose every angle is known: driven, by hand, rocked; any proof.

The geometry is ours and independent of ``simulators``: a pin with five harmonics on a spindle
that follows a path of angle over time.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import cos, inf, pi, sin
from random import Random

from rules.spindle_angle import TURN_UDEG
from rules.sweep import TIMED, Proof, Sweep, SweepRules
from tests.rules.bench_tape import INDEX_RULES, SPEED_RULES, S

RULES: dict[Proof, SweepRules] = {
    "index": INDEX_RULES,
    "speed": SPEED_RULES,
    "period": replace(INDEX_RULES, proof="period", slowest_turn_ns=3_900_000_000),
    "angle": replace(INDEX_RULES, proof="angle"),
}
TWO_FLAGS = replace(INDEX_RULES, second_flag_deg=90)

Path = Callable[[float], float]
"""Angle of the spindle in turns over time in seconds."""


@dataclass(frozen=True)
class Pin:
    """A pin: amplitudes in nm and phases in turns of the harmonics 1, 2, …

    At ``end_nm`` the stylus comes to the end of its travel and follows it no further.
    """

    harmonics: tuple[tuple[float, float], ...]
    end_nm: float = inf

    def at(self, turns: float) -> float:
        true = sum(
            a * cos(2 * pi * (k * turns + p)) for k, (a, p) in enumerate(self.harmonics, 1)
        )
        return min(true, self.end_nm)

    @property
    def tir_nm(self) -> float:
        values = [self.at(k / 1440) for k in range(1440)]
        return max(values) - min(values)

    def scaled(self, tir_nm: float) -> "Pin":
        by = tir_nm / self.tir_nm
        return Pin(tuple((a * by, p) for a, p in self.harmonics))


def drawn_pin(rng: Random, tir_nm: float, form: float = 0.15) -> Pin:
    """Return a pin of this TIR: eccentric, with harmonics 2 to 5 up to a share of it."""
    shares = [1.0, *(rng.uniform(0, form) / k for k in (1, 2, 3, 4))]
    return Pin(tuple((share, rng.random()) for share in shares)).scaled(tir_nm)


def steady(period_s: float = 2.4, ripple: float = 0.0, at: float = 0.0) -> Path:
    """Return a spindle that turns at its speed, uneven within each turn."""
    swing = ripple / (2 * pi)

    def angle(seconds: float) -> float:
        turns = seconds / period_s
        return turns + swing * (sin(2 * pi * (turns + at)) - sin(2 * pi * at))

    return angle


def stopping(path: Path, after: float) -> Path:
    """Return the same spindle, stopped after so many turns."""
    return lambda seconds: min(path(seconds), after)


def rocking(degrees: float, period_s: float = 4.0, about: float = 0.0) -> Path:
    """Return a spindle rocked to and fro over so many degrees about an angle, in turns."""
    half = degrees / 720
    return lambda seconds: about - half * cos(2 * pi * seconds / period_s)


@dataclass
class Reader:
    """How the indicator reads: its rate, noise, step, drift and averaging; the flags."""

    rng: Random = field(default_factory=lambda: Random(1))
    rate_hz: float = 20.0
    noise_nm: float = 50.0
    step_nm: int = 100
    drift_nm_s: float = 0.0
    mean_s: float = 0.0
    index_at: float = 0.0
    second_deg: int = 90

    def value(self, pin: Pin, path: Path, at_s: float) -> int:
        if self.mean_s:
            parts = [path(at_s - self.mean_s * k / 16) for k in range(17)]
            true = sum(pin.at(turns) for turns in parts) / len(parts)
        else:
            true = pin.at(path(at_s))
        noisy = true + self.rng.gauss(0, self.noise_nm) + self.drift_nm_s * at_s
        return round(noisy / self.step_nm) * self.step_nm

    def sweep(self, pin: Pin, path: Path, rules: SweepRules, most_s: float = 40.0) -> Sweep:
        """Return the sweep that capture would take: until its turns are whole, or given up."""
        every = 1 / self.rate_hz
        start_s, index = 0.0, []
        if rules.proof == "index":
            index = passings(path, self.index_at, most_s)
            start_s = index[0] if index else 0.0
            ends = index[rules.turns : rules.turns + 1]
            until_s = ends[0] if ends else most_s
        elif rules.proof == "angle":
            until_s = most_s
        else:
            until_s = rules.turns * rules.swept_turn_ns / S
        offset = self.rng.random()
        jitter = (self.rng.uniform(-0.2, 0.2) for _ in range(round(most_s / every)))
        times = [(k + offset + late) * every for k, late in enumerate(jitter, 1)]
        times = [t for t in times if t >= start_s - every]
        if rules.proof in TIMED:
            until_s += times[0]
        if rules.proof == "angle":
            done = (t for t in times if abs(path(t) - path(times[0])) >= rules.turns)
            until_s = next(done, most_s)
        last = bisect_left(times, until_s) + 1
        times = times[:last]
        angles = tuple(round(path(t) * TURN_UDEG) % TURN_UDEG for t in times)
        second = passings(path, self.index_at + self.second_deg / 360, until_s)
        return Sweep(
            tuple(ns(t) for t in times),
            tuple(self.value(pin, path, t) for t in times),
            tuple(ns(t) for t in index if t <= until_s),
            None,
            angles if rules.proof == "angle" else (),
            tuple(ns(t) for t in second if t > start_s) if rules.second_flag_deg else (),
        )


def ns(seconds: float) -> int:
    return 10 * S + round(seconds * S)


def passings(path: Path, angle: float, until_s: float) -> list[float]:
    """Return when the spindle passes an angle, either way, to a tenth of a millisecond."""
    found, grid = [], 0.01
    before = path(0.0) - angle
    for k in range(1, round(until_s / grid) + 1):
        now = path(k * grid) - angle
        if before // 1 != now // 1:
            border = max(before // 1, now // 1)
            share = (border - before) / (now - before)
            found.append((k - 1 + share) * grid)
        before = now
    return found
