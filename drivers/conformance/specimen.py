"""What a driver's author gives the kit: frames made by hand, and what they say."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from drivers.contract import Guard, MakeDriver
from rules.reading import Reading

Role = Literal[
    "plus",         # a value above zero, with as many digits as the frame has
    "minus",        # a value below zero
    "zero",
    "low-end",      # the least value the frame can say
    "high-end",     # the largest
    "over-range",
    "low-battery",
    "other-unit",   # the unit that "plus" is not in
    "comma",        # "plus" with a comma for its point (or the other way): no reading
    "no-sign",      # "minus" with its sign left out: no reading
    "no-unit",      # "plus" with its unit left out: no reading
    "further",      # any other frame worth trying
]  # fmt: skip

ROLES: tuple[Role, ...] = get_args(Role)


@dataclass(frozen=True, slots=True)
class Golden:
    """One frame, written from the pattern's text and not by a codec.

    Attributes:
        role: What it stands for.
        raw: The whole frame.
        says: The reading; None where it must be a bad frame.
    """

    role: Role
    raw: bytes
    says: Reading | None

    @property
    def reading(self) -> Reading:
        """The reading it says.

        Raises:
            ValueError: If it says none.
        """
        if self.says is None:
            raise ValueError(f"the {self.role} frame says no reading")
        return self.says


@dataclass(frozen=True, slots=True)
class Specimen:
    """A driver with its options, and the frames it must read.

    Attributes:
        name: What a report calls it.
        make: The driver's factory.
        options: Options that fit the frames.
        golden: At least one frame of every role, but "further", that is not in ``lacks``.
        lacks: Role → why this pattern can't have it, in words.
        guard: What a frame carries against damage.
        noise_reads: Why noise can pass for a frame of this pattern; "" if it can't. What it
            reads then is counted and told, and no failure.
        start_up: The requests a polled driver begins with, each with its answer (empty
            where none comes). All other requests ask for a reading.
        encode: The simulated indicator's codec, for sweeps; None to sweep the golden frames.
        step_nm: The digital step that ``encode`` can say.
    """

    name: str
    make: MakeDriver
    options: Mapping[str, object]
    golden: tuple[Golden, ...]
    lacks: Mapping[Role, str] = field(default_factory=dict)
    guard: Guard = "none"
    noise_reads: str = ""
    start_up: Mapping[bytes, bytes] = field(default_factory=dict)
    encode: Callable[[Reading], bytes] | None = None
    step_nm: int = 100

    @property
    def good(self) -> tuple[Golden, ...]:
        """The frames that say a reading."""
        return tuple(frame for frame in self.golden if frame.says is not None)

    def of(self, role: Role) -> Golden | None:
        """Return the first frame of a role, None if there is none."""
        return next((frame for frame in self.golden if frame.role == role), None)

    def three(self) -> tuple[Golden, Golden, Golden]:
        """Return three good frames with different readings.

        Raises:
            ValueError: If there are not so many.
        """
        found: list[Golden] = []
        for frame in self.good:
            if all(frame.reading != other.reading for other in found):
                found.append(frame)
        if len(found) < 3:
            raise ValueError("the specimen needs three good frames with different readings")
        return found[0], found[1], found[2]
