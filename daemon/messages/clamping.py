"""A clamping as it is told: its figures, its sweep, what it shows beside its TIR."""

from typing import Literal

from daemon.messages.words import Payload, ResultWord, Um


class ClampingBrief(Payload):
    """One clamping in one line."""

    tir_um: Um | None
    result: ResultWord
    reason: str = ""


class PositionData(Payload):
    """Run-out at one indicator."""

    position: str
    indicator: str
    tir_um: Um | None
    turns_um: list[Um]
    samples: int
    """Fewest readings in a counted turn."""
    closure_um: Um | None = None


class DiagnosisData(Payload):
    """What a sweep shows beside its TIR; it decides nothing."""

    eccentricity_um: Um
    """Amplitude of the first harmonic; a pin without form has twice that as TIR."""
    direction_deg: float | None
    """Spindle angle from index or encoder zero at its high spot; None where none has a zero."""
    form_um: Um
    """Largest minus smallest of harmonics 2 to 5."""
    noise_um: Um
    """Standard deviation of what does not come back every turn."""
    drift_um: Um
    """Change of the indication a turn."""
    gap_deg: float
    """Largest angle without a reading."""
    loss_um: list[Um | None]
    """What the TIR can read low at most if it has 1, 2, 3 waves a turn; None: any of it."""


class MeasuredPosition(PositionData):
    """Run-out at one indicator, and what its sweep shows beside it."""

    diagnosis: DiagnosisData | None = None
    """None for finished values and where no whole turn was swept."""


class PinAxisData(Payload):
    """The pin's axis from two positions or more; it decides nothing."""

    tilt_urad: float
    """Angle between the pin's axis and the spindle's."""
    direction_deg: float
    """Spindle angle from index or encoder zero at which it leans towards the stylus."""
    face_um: Um
    """Eccentricity where the line meets the collet's face."""
    residual_um: Um
    """Standard deviation of what the line leaves; 0 with two positions."""


class LooseningData(Payload):
    """How the loosening before this clamping was seen."""

    evidence: Literal["torque-pulse", "foot-switch", "pin-jump", "stylus-lift", "not-observed"]
    size_um: Um | None = None
    duration_s: float | None = None
    before_s: float | None = None
    """How long before the first reading of the clamping it began; None if it was not seen."""


class ClampingFigures(ClampingBrief):
    """A clamping as ``piece-show`` tells it: each position, the pin's axis, the loosening."""

    clamping: int
    loosening: LooseningData
    positions: list[MeasuredPosition] = []
    pin: PinAxisData | None = None
    """None without two positions at known distances, or without a zero on the spindle."""


class SweepPoints(Payload):
    """A sweep thinned for drawing; never for grading."""

    position: str
    at_ms: list[float]
    um: list[Um]


class ClampingData(Payload):
    """``data`` of a clamping event."""

    lot: str
    piece: int | None
    cycle: int | None
    clamping: int | None
    counts: bool
    """False: seen and recorded, but no clamping of any piece (``reason`` says why)."""
    result: ResultWord
    reason: str
    tir_um: Um | None
    """The deciding position's run-out; None when invalid."""
    seen_um: Um | None
    """Run-out seen at least, when invalid: counts against the piece, never for it."""
    meets: list[str]
    positions: list[MeasuredPosition]
    pin: PinAxisData | None = None
    """None without two positions at known distances, or without a zero on the spindle."""
    loosening: LooseningData
    points: list[SweepPoints] = []
