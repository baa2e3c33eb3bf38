"""A sweep: the readings of one clamping at one indicator, and what it is held to."""

from dataclasses import dataclass
from typing import Literal

Proof = Literal["index", "speed", "period", "angle"]
"""How a whole turn is proved: a flag on the spindle (or two), its known speed, the period of
the signal itself, or the angle that each frame carries."""

TIMED: frozenset[Proof] = frozenset({"speed", "period"})
"""Proofs that only time tells apart: nothing marks where a turn begins."""

PERIOD_MARGIN_PERCENT = 5
"""A turn by its own period is swept so much longer: more of the pin never reads low."""

Cut = Literal[
    "lifted",          # the stylus left the pin, for a moment or for good
    "loosened",        # the pin jumped: the nut was opened before the turns were whole
    "stopped",         # no further turn for longer than the slowest turn
    "turned-back",     # the spindle was turned the other way: rocked, not turned
    "over-range",
    "frozen",          # the indicator says that it holds its value
    "wrong-mode",      # the indicator sends its max-min memory, not its indication
    "unit-changed",
    "offset-changed",  # the indicator says that it was zeroed or preset
]  # fmt: skip
"""What ended a sweep before its turns were whole."""

Invalid = Literal[
    "short-turn", "turned-back", "no-turning", "too-few-samples", "readings-missing",
    "turned-too-fast", "turned-too-slowly", "turns-disagree", "spike", "drift", "stylus-off",
    "frozen-value", "over-range", "wrong-mode", "unit-changed", "offset-changed",
    "negative-value", "loosening-unproved", "read-alike",
]  # fmt: skip
"""Why a clamping has no result."""

WHAT_TO_DO: dict[Invalid, str] = {
    "short-turn": "no whole turns were swept; let it turn until the prompt changes",
    "turned-back": "the spindle was turned back; turn it one way only, whole turns",
    "no-turning": "no turning was seen; switch the spindle on",
    "too-few-samples": "too few readings a turn; turn more slowly",
    "readings-missing": "readings are missing within a turn; look at cable and indicator",
    "turned-too-fast": "the spindle turned faster than the bench file allows",
    "turned-too-slowly": "the spindle stopped or slowed within a turn",
    "turns-disagree": "the turns disagree; clean taper, slots, pin and nut",
    "spike": "one reading stood out in one turn only; clean pin and stylus, look at the cable",
    "drift": "start and end of a turn differ; clean, and let the bench warm up",
    "stylus-off": "the stylus left the pin; set it with enough travel",
    "frozen-value": "the value never changed; look at the indicator",
    "over-range": "the indicator was out of its range; set it anew",
    "wrong-mode": "the indicator sends its max-min memory; switch it to live readings",
    "unit-changed": "the indicator's unit changed; set it back",
    "offset-changed": "the indicator was zeroed within the sweep; leave it while it turns",
    "negative-value": "a run-out can't be negative; look at the indicator's mode",
    "loosening-unproved": "the loosening was not seen well enough; loosen, rotate, clamp again",
    "read-alike": "it reads like the clamping before; loosen the nut, rotate, clamp again",
}


@dataclass(frozen=True, slots=True)
class SweepRules:
    """What a sweep is held to.

    Attributes:
        proof: How a whole turn is proved.
        turns: Whole turns that count, from 1.
        step_nm: The indicator's digital step.
        top_limit_nm: Tolerance limit of the best grade.
        fastest_turn_ns: A faster turn is not believed: indicators average.
        slowest_turn_ns: A turn that takes longer has stopped.
        samples_min: Fewest readings a turn.
        turn_ns: The known time of a turn; needed by proof ``speed``.
        second_flag_deg: Angle from the index flag to a second one, in the direction of
            turning, degrees; 0: there is none. Two flags at unequal angles show direction.
        speed_tolerance_percent: How far the known speed may be off, either way.
        has_run_contact: A contact says that the spindle runs: no run-out is needed to
            show it (a nearly perfect collet shows none).
        delay_ns: How late the indicator says what it sees: turns speed into angle. Only the
            direction of the run-out needs it.
    """

    proof: Proof
    turns: int
    step_nm: int
    top_limit_nm: int
    fastest_turn_ns: int
    slowest_turn_ns: int
    samples_min: int
    turn_ns: int = 0
    speed_tolerance_percent: int = 5
    has_run_contact: bool = False
    second_flag_deg: int = 0
    delay_ns: int = 0

    @property
    def swept_turn_ns(self) -> int:
        """Return how long a turn is swept where only time tells: the slowest it may be."""
        if self.proof == "period":
            return self.slowest_turn_ns * (100 + PERIOD_MARGIN_PERCENT) // 100
        return self.turn_ns * (100 + self.speed_tolerance_percent) // 100

    @property
    def standstill_ns(self) -> int:
        """Return how long a pin rests before it is taken to stand, not to be at an extreme."""
        if self.proof == "speed":
            return self.turn_ns // 2
        return self.slowest_turn_ns // (2 if self.proof == "period" else 10)


@dataclass(frozen=True, slots=True)
class Sweep:
    """Readings of one clamping at one indicator, as they are stored.

    Attributes:
        at_ns: Monotonic times of the readings, ascending.
        value_nm: Their values.
        index_ns: Times of the index passing, ascending; the first starts the first turn.
        cut: What ended the sweep early, None when its turns were whole.
        angle_udeg: Spindle angles of the readings in microdegrees, as the frames said;
            empty where they say none.
        second_ns: Times of the second flag passing, ascending.
    """

    at_ns: tuple[int, ...]
    value_nm: tuple[int, ...]
    index_ns: tuple[int, ...] = ()
    cut: Cut | None = None
    angle_udeg: tuple[int, ...] = ()
    second_ns: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class RunOut:
    """What a sweep shows.

    Attributes:
        tir_nm: Largest TIR among the counted turns; None when invalid.
        seen_nm: Run-out that was there at least; None when nothing can be said.
        turns_nm: TIR of each whole turn.
        samples: Fewest readings in a whole turn.
        closure_nm: Largest start-end difference of a whole turn.
        invalid: Why there is no TIR.
        diagnosis: What else it shows, where that was asked for (``rules.diagnosis``).
    """

    tir_nm: int | None
    seen_nm: int | None
    turns_nm: tuple[int, ...] = ()
    samples: int = 0
    closure_nm: int | None = None
    invalid: Invalid | None = None
    diagnosis: "Diagnosis | None" = None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """What the whole turns of a sweep show beside their TIR. It decides nothing.

    Attributes:
        gap_udeg: Largest angle without a reading in any turn, microdegrees.
        loss_nm: By how much the TIR can read low between the readings if all of it has 1,
            2, 3 undulations a turn; None where the gap could hide any of it.
        drift_nm: Change of the indication a turn, signed: warming, or a spindle that creeps.
        amplitude_nm: Amplitude of the first harmonic: the eccentricity as read.
        direction_udeg: Angle of the spindle, from the zero of index or encoder, at the
            high spot of the first harmonic, 0 to 360 degrees; from where the turns begin,
            and so no direction of the pin, where nothing marks a zero.
        form_nm: Largest minus smallest of what comes back each turn beside the first
            harmonic, by harmonics 2 to 5.
        noise_nm: Standard deviation of what does not come back.
    """

    gap_udeg: int
    loss_nm: tuple[int | None, int | None, int | None]
    drift_nm: int
    amplitude_nm: int
    direction_udeg: int
    form_nm: int
    noise_nm: int
