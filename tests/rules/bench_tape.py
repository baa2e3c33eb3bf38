"""A tape of what one bench says: readings, edges and hands in the order of time, seeded.

Small on purpose and independent of ``simulators``: a pin of known run-out on a spindle of
known angle, read by an indicator with a step and noise.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from math import ceil, cos, floor, pi, sin
from random import Random

from rules import capture
from rules.capture_model import (
    CaptureEvent,
    CaptureOutcome,
    CaptureRules,
    CaptureState,
    ClampingEnded,
    Edge,
    IndicatorRules,
    Loosened,
    Seen,
    Signal,
)
from rules.clamping import Clamping
from rules.reading import Flag, Mode, Reading
from rules.sweep import Proof, SweepRules

S = 1_000_000_000
MS = 1_000_000

INDEX_RULES = SweepRules(
    proof="index",
    turns=2,
    step_nm=100,
    top_limit_nm=5_000,
    fastest_turn_ns=2 * S,
    slowest_turn_ns=6 * S,
    samples_min=24,
)
SPEED_RULES = replace(INDEX_RULES, proof="speed", turn_ns=2_400 * MS)
CONTACT_RULES = replace(SPEED_RULES, has_run_contact=True)


def capture_rules(*sweeps: SweepRules) -> CaptureRules:
    """Return rules of a bench with one indicator for each of the sweep rules."""
    names = ("IND-1", "IND-2")
    indicators = tuple(
        IndicatorRules(name, position, -400_000, 400_000, sweep)
        for name, position, sweep in zip(names, ("far", "face"), sweeps, strict=False)
    )
    return CaptureRules(
        mode="sweep",
        indicators=indicators,
        settle_ns=S // 2,
        run_up_ns=S,
        moving_nm=400,
        turn_wait_ns=60 * S,
        lift_ns=S // 2,
        removal_ns=2 * S,
        loosening_nm=20_000,
        loosening_ns=400 * MS,
        reclamp_min_ns=8 * S,
    )


@dataclass
class Tape:
    """Writes events; each method takes some seconds and leaves the time at their end.

    Attributes:
        seed: Of the noise.
        tir_um: True run-out of the pin as clamped now.
        period_s: Time of a turn.
        ripple: Share by which the speed swings within a turn.
        ripple_at: Where in the turn it swings, in turns.
        phase: Where the high spot lies, in turns.
        second: Amplitude of a second harmonic, as a share of the first.
        index_at: Where the index flag sits, in turns.
        has_index: Whether an index is sent.
        index_on_readings: As a flag in the frame (True) or on a modem line of its own.
        rate_hz: Readings a second.
        noise_um: Standard deviation of a reading.
        step_nm: The indicator's step.
        base_um: Where the pin sits in the indicator's range.
        flags: Flags of every reading.
        mode: Mode of every reading.
        indicator: Whose readings these are.
    """

    seed: int = 0
    tir_um: float = 4.0
    period_s: float = 2.4
    ripple: float = 0.0
    ripple_at: float = 0.0
    phase: float = 0.0
    second: float = 0.0
    index_at: float = 0.3
    has_index: bool = True
    index_on_readings: bool = True
    rate_hz: float = 20.0
    noise_um: float = 0.05
    step_nm: int = 100
    base_um: float = 0.0
    flags: frozenset[Flag] = frozenset()
    mode: Mode = "live"
    indicator: str = "IND-1"
    events: list[CaptureEvent] = field(default_factory=list)
    now_ns: int = 10 * S
    turns: float = 0.0
    reading: Callable[[Reading], Reading | None] = lambda reading: reading

    def __post_init__(self) -> None:
        self._rng = Random(self.seed)
        self._due_ns = float(self.now_ns)

    # --- the metal ---

    def _angle(self, turns: float) -> float:
        """Return the angle of a spindle that turns unevenly; whole turns stay whole."""
        swing = self.ripple / (2 * pi)
        return turns + swing * (
            sin(2 * pi * (turns + self.ripple_at)) - sin(2 * pi * self.ripple_at)
        )

    def pin_um(self, angle: float) -> float:
        """Return where the pin is at an angle in turns; its range over a turn is the TIR."""
        wave = cos(2 * pi * (angle + self.phase))
        wave += self.second * cos(4 * pi * (angle + self.phase))
        return self.base_um + self.tir_um / 2 * wave

    # --- writing ---

    def say(self, value_um: float | None) -> None:
        """Write one reading now; None is over-range."""
        if value_um is None:
            said = Reading(None, flags=self.flags | {"over-range"}, mode=self.mode)
        else:
            noisy = (value_um + self._rng.gauss(0, self.noise_um)) * 1000
            value_nm = round(noisy / self.step_nm) * self.step_nm
            said = Reading(value_nm, flags=self.flags, mode=self.mode)
        kept = self.reading(said)
        if kept is not None:
            self.events.append(Seen(self.indicator, kept, self.now_ns))

    def _each(self, seconds: float, value: Callable[[float], float | None]) -> None:
        """Write the readings of some seconds; ``value`` gets the share of them gone by."""
        start, end = self.now_ns, self.now_ns + round(seconds * S)
        while self._due_ns <= end:
            self.now_ns = max(start, round(self._due_ns))
            value_um = value((self.now_ns - start) / max(1, end - start))
            self.say(value_um)
            self._due_ns += S / self.rate_hz
        self.now_ns = end

    def lift(self, seconds: float = 2.0) -> "Tape":
        """Hold the stylus off the pin: out of the indicator's range."""
        self._each(seconds, lambda _: None)
        return self

    def rest(self, seconds: float = 1.5) -> "Tape":
        """Let the stylus rest on the standing pin."""
        self._each(seconds, lambda _: self.pin_um(self._angle(self.turns)))
        return self

    def spring(self, away_um: float, seconds: float = 1.0) -> "Tape":
        """Open the nut under the stylus: the pin lies aside."""
        self._each(seconds, lambda _: self.pin_um(self._angle(self.turns)) + away_um)
        return self

    def move(self, to_um: float, seconds: float) -> "Tape":
        """Move the pin evenly aside by hand, and leave it there."""
        self._each(seconds, lambda gone: self.pin_um(self._angle(self.turns)) + to_um * gone)
        self.base_um += to_um
        return self

    def pause(self, seconds: float) -> "Tape":
        """Say nothing for some seconds."""
        self.now_ns += round(seconds * S)
        self._due_ns = max(self._due_ns, float(self.now_ns))
        return self

    def edge(self, signal: Signal, is_on: bool = True) -> "Tape":
        """Write an edge now."""
        self.events.append(Edge(signal, is_on, self.now_ns))
        return self

    def clamp(self, tir_um: float, phase: float | None = None) -> "Tape":
        """Tighten: the pin has a new run-out from now on."""
        self.tir_um = tir_um
        self.phase = self._rng.random() if phase is None else phase
        return self

    def turn(self, turns: float, stop: bool = True) -> "Tape":
        """Turn the spindle at its speed; it starts and stops at once."""
        from_turns, start_ns = self.turns, self.now_ns
        seconds = turns * self.period_s
        first = len(self.events)

        def value(gone: float) -> float:
            return self.pin_um(self._angle(from_turns + turns * gone))

        self._each(seconds, value)
        self.turns = from_turns + turns
        self._write_index(first, start_ns, from_turns)
        if stop:
            self.rest(0.2)
        return self

    def _write_index(self, first: int, start_ns: int, from_turns: float) -> None:
        """Put the index edges of the turning into what was written of it."""
        if not self.has_index:
            return
        written, self.events = self.events[first:], self.events[:first]
        low, high = self._angle(from_turns), self._angle(self.turns)
        for angle in range(ceil(low - self.index_at), floor(high - self.index_at) + 1):
            at_ns = start_ns + self._time_of(angle + self.index_at, from_turns)
            if self.index_on_readings:
                at_ns = next((e.at_ns for e in written if e.at_ns >= at_ns), at_ns)
            written.append(Edge("index", True, at_ns))
        # An edge on a reading is told before it, as a flag in the frame is.
        written.sort(key=lambda event: (event.at_ns, isinstance(event, Seen)))
        self.events.extend(written)

    def _time_of(self, angle: float, from_turns: float) -> int:
        """Return when the uneven spindle is at an angle, by halving."""
        low, high = from_turns, self.turns
        for _ in range(60):
            middle = (low + high) / 2
            low, high = (middle, high) if self._angle(middle) < angle else (low, middle)
        return round((high - from_turns) * self.period_s * S)

    # --- whole clampings ---

    def reclamp(self, tir_um: float, phase: float | None = None) -> "Tape":
        """Loosen with the stylus lifted, tighten, and set the stylus again."""
        return self.lift(14.0).clamp(tir_um, phase).rest(1.5)

    def honest(self, tir_um: float, turns: float = 3.4) -> "Tape":
        """Make one honest clamping from loosening to standstill."""
        return self.reclamp(tir_um).turn(turns)


NEAR_UM = 0.35
"""Step, both ends, and what max − min makes of noise with σ 0.05 µm over 100 readings."""


def tape(proof: Proof = "index", **kind: float) -> Tape:
    """Return a tape whose pin was clamped and turned already when the bench started."""
    made = Tape(has_index=proof == "index", **kind)  # type: ignore[arg-type]
    return made.rest(1.0).turn(2.0)


# --- through the capture ---------------------------------------------------------------------


def captured(
    events: Sequence[CaptureEvent], rules: CaptureRules, state: CaptureState | None = None
) -> tuple[CaptureState, list[CaptureOutcome]]:
    """Return state and outcomes after all events."""
    state = state or CaptureState()
    outcomes: list[CaptureOutcome] = []
    for event in events:
        state, more = capture.step(state, event, rules)
        outcomes.extend(more)
    return state, outcomes


def clampings(events: Sequence[CaptureEvent], rules: CaptureRules) -> list[Clamping]:
    """Return the clampings that come out of some events."""
    _, outcomes = captured(events, rules)
    return [outcome.clamping for outcome in outcomes if isinstance(outcome, ClampingEnded)]


def loosenings(events: Sequence[CaptureEvent], rules: CaptureRules) -> list[str]:
    """Return the evidence of the loosenings that come out of some events."""
    _, outcomes = captured(events, rules)
    return [o.loosening.evidence for o in outcomes if isinstance(o, Loosened)]


INDEX = capture_rules(INDEX_RULES)
SPEED = capture_rules(SPEED_RULES)
CONTACT = capture_rules(CONTACT_RULES)
BY_PROOF: dict[Proof, CaptureRules] = {"index": INDEX, "speed": SPEED}


def one(written: Tape, rules: CaptureRules) -> Clamping:
    """Return the only clamping of a tape."""
    found = clampings(written.events, rules)
    assert len(found) == 1, [clamping.invalid for clamping in found]
    return found[0]
