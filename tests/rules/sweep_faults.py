"""What can go wrong in a sweep, drawn at random: each a sweep that could hide bad metal.

The geometry is drawn by ``tests.rules.turned_sweeps``.
"""

from collections.abc import Callable
from dataclasses import replace
from random import Random

from rules.sweep import Sweep, SweepRules
from tests.rules.turned_sweeps import Pin, Reader, rocking, steady, stopping

Fault = Callable[[Random, Pin, SweepRules], Sweep]


def reader_of(rng: Random) -> Reader:
    return Reader(rng, index_at=rng.random())


def short(degrees: int) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        reader = reader_of(rng)
        start = reader.index_at if rules.proof == "index" else 0.0
        path = stopping(steady(), start + degrees / 360 + 0.001)
        return reader.sweep(pin, path, rules)

    return made


def rocked(degrees: int) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        # About its high spot, as an inspector does; the flag lies where it lies.
        high = max(range(360), key=lambda k: pin.at(k / 360)) / 360
        path = rocking(degrees, rng.uniform(2.5, 6.0), high)
        return reader_of(rng).sweep(pin, path, rules)

    return made


def honest(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return reader_of(rng).sweep(pin, steady(2.4, rng.uniform(-0.04, 0.04)), rules)


def valued(change: Callable[[Random, tuple[int, ...]], tuple[int, ...]]) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        sweep = honest(rng, pin, rules)
        return replace(sweep, value_nm=change(rng, sweep.value_nm))

    return made


def frozen(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    at = rng.randrange(1, len(values) * 9 // 20)  # within the first turn
    return values[:at] + (values[at],) * (len(values) - at)


def at_its_end(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    high, low = max(values), min(values)
    end = round((low + (high - low) * rng.uniform(0.05, 0.8)) / 100) * 100
    return tuple(min(end, value) for value in values)


def folded(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    middle = (max(values) + min(values)) // 2
    return tuple(abs(value - middle) for value in values)


def in_inch(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(round(value / 25.4 / 100) * 100 for value in values)


def spiked(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    at = rng.randrange(2, len(values) - 2)
    return (*values[:at], values[at] + rng.choice((-3_000, 3_000)), *values[at + 1 :])


def drifting(rng: Random, values: tuple[int, ...]) -> tuple[int, ...]:
    whole = rng.choice((-1, 1)) * rng.uniform(2_000, 8_000)
    return tuple(round((v + whole * k / len(values)) / 100) * 100 for k, v in enumerate(values))


def gap(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    sweep = honest(rng, pin, rules)
    first = rng.randrange(1, len(sweep.at_ns) // 2)
    gone = range(first, first + rng.randrange(6, 20))
    kept = [i for i in range(len(sweep.at_ns)) if i not in gone]
    angles = tuple(sweep.angle_udeg[i] for i in kept) if sweep.angle_udeg else ()
    return replace(
        sweep,
        at_ns=tuple(sweep.at_ns[i] for i in kept),
        value_nm=tuple(sweep.value_nm[i] for i in kept),
        angle_udeg=angles,
    )


def averaged(mean_s: float, turn_s: float) -> Fault:
    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        reader = replace(reader_of(rng), mean_s=mean_s)
        return reader.sweep(pin, steady(turn_s), rules)

    return made


def few(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return replace(reader_of(rng), rate_hz=6.0).sweep(pin, steady(), rules)


def too_fast(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return replace(reader_of(rng), mean_s=0.3, rate_hz=40).sweep(pin, steady(0.9), rules)


def still(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
    return reader_of(rng).sweep(pin, lambda _: 0.3, rules)


FAULTS: dict[str, Fault] = {
    **{f"short turn {d}°": short(d) for d in (180, 210, 240, 270, 300, 330, 350)},
    "not turning": still,
    "turned too fast, averaging": too_fast,
    "too few readings": few,
    "readings missing": gap,
    "frozen in the first turn": valued(frozen),
    "stylus at its end": valued(at_its_end),
    "spike": valued(spiked),
    "drift": valued(drifting),
    "folded sign": valued(folded),
    "inch taken for mm": valued(in_inch),
    "0.5 s mean at 2.4 s a turn": averaged(0.5, 2.4),
}
"""What is drawn at random; the last three no sweep alone can show (see README's limits)."""

UNSEEN = ("folded sign", "inch taken for mm", "0.5 s mean at 2.4 s a turn")

ROCKED = {f"rocked over {d}°": rocked(d) for d in (60, 120, 180, 240, 300, 350)}


def near_the_limit(is_digital: bool, limit_nm: int) -> Fault:
    """Return a stylus that shows 0.7 to 1 of the limit and no more: the worst there is.

    Its end is that of its mechanism, in noise, or (digital) of what its numbers can say.
    """

    def made(rng: Random, pin: Pin, rules: SweepRules) -> Sweep:
        end_nm = min(pin.at(k / 720) for k in range(720)) + limit_nm * rng.uniform(0.7, 1.0)
        if not is_digital:
            return honest(rng, replace(pin, end_nm=end_nm), rules)
        sweep, last_nm = honest(rng, pin, rules), round(end_nm / 100) * 100
        return replace(sweep, value_nm=tuple(min(last_nm, v) for v in sweep.value_nm))

    return made
