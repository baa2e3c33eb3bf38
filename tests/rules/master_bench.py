"""A bench with its masters in simulation: what the stylus sees, what the indicator makes of it.

Geometry and faults are ours and independent of ``simulators``.
"""

from cmath import exp, rect
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from math import pi, radians
from random import Random
from struct import pack, unpack

from rules.master_seat import Seat, finished_seat, seat_of
from rules.masters import Master
from rules.sweep import Cut, Sweep, SweepRules
from tests.rules.bench_tape import CONTACT_RULES, INDEX_RULES, S

MASTER = Master("EM-1", "eccentric-master", 5_100, 100)
FASTEST_NS = 2 * S
TURN_NS = 2_100_000_000
RATE_HZ = 40
TRAVEL_NM = 700_000

Fault = Callable[[list[float]], list[float]]
"""What an indicator makes of what the stylus sees, nm, evenly in time at ``FINE`` a reading."""

FINE = 8
"""Positions between two readings: averaging and play act on the movement itself."""


def honest(seen: list[float]) -> list[float]:
    return seen


def dead(seen: list[float]) -> list[float]:
    return [seen[0]] * len(seen)


def scaled(by: float) -> Fault:
    return lambda seen: [by * value for value in seen]


def folded(seen: list[float]) -> list[float]:
    return [abs(value) for value in seen]


def play(width_nm: float) -> Fault:
    """Return reversal play: the indication waits until the gap is taken up."""

    def fault(seen: list[float]) -> list[float]:
        shown, found = seen[0], []
        for value in seen:
            shown = min(max(shown, value - width_nm / 2), value + width_nm / 2)
            found.append(shown)
        return found

    return fault


def averaging(mean_s: float) -> Fault:
    width = round(mean_s * RATE_HZ * FINE)

    def fault(seen: list[float]) -> list[float]:
        sums, total = [], 0.0
        for number, value in enumerate(seen):
            total += value - (seen[number - width] if number >= width else 0.0)
            sums.append(total / min(number + 1, width))
        return sums

    return fault


def words_swapped(seen: list[float]) -> list[float]:
    """Return millimetres in a single float whose 16-bit words are taken the wrong way round."""
    found = []
    for value in seen:
        raw = pack(">f", value / 1e6)
        (wrong,) = unpack(">f", raw[2:] + raw[:2])
        found.append(wrong * 1e6)
    return found


@dataclass(frozen=True)
class MasterBench:
    """One bench: holder's vector in nm, the indicator's fault, whether it has an index."""

    holder_nm: complex = 0j
    fault: Fault = honest
    has_index: bool = True
    noise_nm: float = 50.0
    step_nm: int = 100
    zero_nm: float = 0.0
    seed: int = 1
    rules: SweepRules = field(init=False)

    def __post_init__(self) -> None:
        base = INDEX_RULES if self.has_index else replace(CONTACT_RULES, turn_ns=TURN_NS)
        rules = replace(base, step_nm=self.step_nm, top_limit_nm=4_000)
        object.__setattr__(self, "rules", rules)

    def seat(self, master_nm: complex, number: int) -> Seat:
        """Return what a sweep of three turns on a pin that is off by a vector shows."""
        return seat_of(self.sweep(master_nm, number), self.rules)

    def finished(self, master_nm: complex, number: int) -> Seat:
        """Return what an indicator that makes the TIR itself says of the same turns."""
        sweep = self.sweep(master_nm, number)
        tir_nm = max(sweep.value_nm, default=0) - min(sweep.value_nm, default=0)
        return finished_seat(Sweep(sweep.at_ns[-1:], (tir_nm,), (), sweep.cut))

    def sweep(self, master_nm: complex, number: int) -> Sweep:
        """Return the readings of three turns on a pin that is off by a vector."""
        rng = Random(f"{self.seed}/{number}")
        fine_s = 1 / (RATE_HZ * FINE)
        before = round(1.5 * RATE_HZ * FINE)
        count = round(2.2 * TURN_NS / S / fine_s) + before
        vector = self.holder_nm + master_nm
        angles = [2 * pi * (k - before) * fine_s * S / TURN_NS for k in range(count)]
        form = [150 * (exp(2j * angle)).real for angle in angles]
        seen = [
            self.zero_nm + (vector * exp(1j * a)).real + (f if master_nm else 0.2 * f)
            for a, f in zip(angles, form, strict=True)
        ]
        shown = self.fault(seen)[before - FINE :: FINE]
        noise_nm = 0.0 if self.fault is dead else self.noise_nm
        values = [round((v + rng.gauss(0, noise_nm)) / self.step_nm) for v in shown]
        at_ns = tuple(10 * S + round((k - 1) * FINE * fine_s * S) for k in range(len(values)))
        index = tuple(10 * S + k * TURN_NS for k in range(3)) if self.has_index else ()
        value_nm = tuple(v * self.step_nm for v in values)
        cut: Cut | None = None
        if beyond := [k for k, v in enumerate(value_nm) if abs(v) > TRAVEL_NM]:
            cut, at_ns, value_nm = "over-range", at_ns[: beyond[0]], value_nm[: beyond[0]]
        return Sweep(at_ns, value_nm, index, cut)


def both_values(bench: MasterBench) -> tuple[Seat, Seat]:
    """Return the finished values of the same seats."""
    start = rect(MASTER.tir_nm / 2, 0.7)
    return bench.finished(start, 1), bench.finished(-start, 2)


def both_seats(bench: MasterBench, turned_deg: float = 180.0) -> tuple[Seat, Seat]:
    """Return the eccentric master at two seats, its eccentricity half of its run-out."""
    e_nm = MASTER.tir_nm / 2
    start = rect(e_nm, 0.7)
    return bench.seat(start, 1), bench.seat(start * exp(1j * radians(turned_deg)), 2)


def mandrel(bench: MasterBench) -> Seat:
    """Return the mandrel in the holder's taper: the holder's own vector and little form."""
    return bench.seat(0j, 3)


def faces(bench: MasterBench, height_nm: float) -> list[tuple[int, ...] | None]:
    """Return a second of readings beside a block and on it; None: out of the window.

    The faces lie about the indicator's zero; to each the stylus comes from above.
    """
    rng, fine = Random(bench.seed), RATE_HZ * FINE
    seen: list[float] = []
    for at_nm in (-height_nm / 2, height_nm / 2):
        seen += [bench.zero_nm + at_nm - 50_000.0 * (1 - k / 40) for k in range(40)]
        seen += [bench.zero_nm + at_nm] * (2 * fine)
    shown = bench.fault(seen)
    noise_nm = 0.0 if bench.fault is dead else bench.noise_nm
    found: list[tuple[int, ...] | None] = []
    for end in (len(seen) // 2, len(seen)):
        still = [v + rng.gauss(0, noise_nm) for v in shown[end - fine : end : FINE]]
        is_off = any(abs(value - bench.zero_nm) > 400_000 for value in still)
        step_nm = bench.step_nm
        values = () if is_off else tuple(round(v / step_nm) * step_nm for v in still)
        found.append(values or None)
    return found
