"""What really happened at a simulated bench: facts nobody at the cable's end can see."""

from dataclasses import asdict, dataclass
from typing import ClassVar

from simulators.mistakes import MistakeWord


@dataclass(frozen=True, slots=True)
class Taken:
    """A collet was taken from the tray."""

    kind: ClassVar[str] = "taken"
    at_ns: int
    piece: int
    eccentricity_um: float
    is_outlier: bool


@dataclass(frozen=True, slots=True)
class Tightened:
    """The nut was tightened.

    Attributes:
        at_ns: When.
        piece: Number of the collet in the tray.
        ordinal: Which tightening of this collet it was, from 1.
        run_out_um: True TIR, noise and form left out.
        angle_deg: Rotation of the collet in the holder since its first place.
        chip_um: Offset by a trapped chip, 0 without one.
        is_steady: False when a chip gives way, so that the turns disagree.
    """

    kind: ClassVar[str] = "tightened"
    at_ns: int
    piece: int
    ordinal: int
    run_out_um: float
    angle_deg: float
    chip_um: float
    is_steady: bool


@dataclass(frozen=True, slots=True)
class SpindleSwitched:
    """The spindle was switched on or off; ``turns`` is its angle then."""

    kind: ClassVar[str] = "spindle-switched"
    at_ns: int
    piece: int
    ordinal: int
    is_on: bool
    turns: float


@dataclass(frozen=True, slots=True)
class NutOpened:
    """The nut was opened between two tightenings; the pin sprang aside under the stylus."""

    kind: ClassVar[str] = "nut-opened"
    at_ns: int
    piece: int
    jump_um: float
    stylus_on_s: float


@dataclass(frozen=True, slots=True)
class Dropped:
    """A piece was dropped into a bin, or the bin's button was pressed once more.

    Attributes:
        at_ns: When.
        piece: Number of the collet.
        bin: Where it went.
        lit_bin: The bin whose lamp asked for it; None if none did.
        is_repeat: The piece lay there already, only the button was pressed again.
    """

    kind: ClassVar[str] = "dropped"
    at_ns: int
    piece: int
    bin: str
    lit_bin: str | None
    is_repeat: bool = False


@dataclass(frozen=True, slots=True)
class MistakeMade:
    """The operator slipped."""

    kind: ClassVar[str] = "mistake"
    at_ns: int
    piece: int
    word: MistakeWord


@dataclass(frozen=True, slots=True)
class MasterSeated:
    """A master was clamped for a check; ``check`` counts the checks that were begun."""

    kind: ClassVar[str] = "master-seated"
    at_ns: int
    check: int
    master: str
    run_out_um: float
    chip_um: float
    is_inch: bool


@dataclass(frozen=True, slots=True)
class StylusSet:
    """The stylus was set on a face that stands still: of a gauge block, or beside it."""

    kind: ClassVar[str] = "stylus-set"
    at_ns: int
    check: int
    face_um: float
    is_on_block: bool


@dataclass(frozen=True, slots=True)
class TrayEmpty:
    """There is no piece left to take."""

    kind: ClassVar[str] = "tray-empty"
    at_ns: int


Fact = (
    Taken | Tightened | SpindleSwitched | NutOpened | Dropped | MistakeMade | MasterSeated
    | StylusSet | TrayEmpty
)  # fmt: skip


def as_record(fact: Fact) -> dict[str, object]:
    """Return a fact as one flat JSON object, its kind first."""
    return {"kind": fact.kind, **asdict(fact)}
