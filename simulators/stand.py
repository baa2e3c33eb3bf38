"""Holder, pin, stylus and spindle of one bench: where the stylus is at any time.

The operator's hands change it; between two changes it is a function of time.
"""

from cmath import exp as cexp
from dataclasses import dataclass, field
from math import pi, sin

from simulators.collet import Tightening
from simulators.spindle import NS_PER_S, Drive, Spindle

_HAND_TREMOR_UM = 1.5
_HAND_TREMOR_HZ = 3.0


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One part of the pin's or the spindle's form, as the stylus feels it.

    Attributes:
        order: Waves a turn, from 2 (the first is the eccentricity).
        amplitude_um: Half its height.
        phase_turns: Where its crest lies, in turns.
    """

    order: int
    amplitude_um: float
    phase_turns: float = 0.0


@dataclass(frozen=True, slots=True)
class StandKind:
    """What one bench's mechanics are like.

    Attributes:
        drive: How the spindle turns.
        index_at: Where the index flag sits, in turns.
        index_width: How much of a turn it covers, 0 < index_width < 1.
        lifted_um: Where the stylus rests when it is lifted, from the indicator's zero.
        harmonics: Form that adds to the eccentricity.
    """

    drive: Drive = field(default_factory=Drive)
    index_at: float = 0.37
    index_width: float = 0.04
    lifted_um: float = -650.0
    harmonics: tuple[Harmonic, ...] = ()


class Stand:
    """The mechanics as they are now. Calls come in the order of time."""

    def __init__(self, kind: StandKind) -> None:
        self._kind = kind
        self._spindle = Spindle(kind.drive, kind.index_at)
        self._pin: Tightening | None = None
        self._tightened_turns = 0.0
        self._loose_um: float | None = None
        self._face_um: float | None = None
        self._is_lifted = True
        self._left_um = kind.lifted_um
        self._moved_from_ns = 0
        self._moved_until_ns = 0

    @property
    def spindle(self) -> Spindle:
        """Return the spindle as last switched."""
        return self._spindle

    @property
    def is_lifted(self) -> bool:
        """Return whether the stylus is off the pin."""
        return self._is_lifted

    def switch_spindle(self, is_on: bool, at_ns: int) -> None:
        """Turn the spindle on or off."""
        old = self._spindle
        self._spindle = old.switched_on(at_ns) if is_on else old.switched_off(at_ns)

    def tighten(self, tightening: Tightening, at_ns: int) -> None:
        """Clamp the pin."""
        self._pin, self._loose_um, self._face_um = tightening, None, None
        self._tightened_turns = self._spindle.turns_at(at_ns)

    def loosen(self, offset_um: float, at_ns: int, takes_s: float = 0.05) -> None:
        """Open the nut: the pin springs aside by ``offset_um``, and the stylus with it."""
        self._leave(at_ns, takes_s)
        self._pin, self._loose_um, self._face_um = None, offset_um, None

    def remove(self) -> None:
        """Take out what is clamped, or take the block away."""
        self._pin, self._loose_um, self._face_um = None, None, None

    def lay_face(self, face_um: float) -> None:
        """Put a face under the lifted stylus that stands still: of a gauge block, or beside."""
        self._pin, self._loose_um, self._face_um = None, None, face_um

    def set_stylus(self, is_on: bool, at_ns: int, takes_s: float = 0.3) -> None:
        """Put the stylus on the pin, or lift it off."""
        self._leave(at_ns, takes_s)
        self._is_lifted = not is_on

    def position_um(self, at_ns: int) -> float:
        """Return where the stylus is, from the indicator's zero; on its way while it is set."""
        target_um = self._target_um(at_ns)
        if at_ns >= self._moved_until_ns:
            return target_um
        share = (at_ns - self._moved_from_ns) / (self._moved_until_ns - self._moved_from_ns)
        return self._left_um + (target_um - self._left_um) * share

    def _leave(self, at_ns: int, takes_s: float) -> None:
        self._left_um = self.position_um(at_ns)
        self._moved_from_ns = at_ns
        self._moved_until_ns = at_ns + int(takes_s * NS_PER_S)

    def _target_um(self, at_ns: int) -> float:
        if self._is_lifted:
            return self._kind.lifted_um
        if self._face_um is not None:
            return self._face_um
        if self._pin is not None:
            return self._run_out_um(self._pin, self._spindle.turns_at(at_ns))
        if self._loose_um is None:
            return -abs(self._kind.lifted_um)  # nothing under the stylus: it falls through
        tremor = sin(2 * pi * _HAND_TREMOR_HZ * at_ns / NS_PER_S)
        return self._loose_um + _HAND_TREMOR_UM * tremor

    def _run_out_um(self, pin: Tightening, turns: float) -> float:
        """Return what the turning pin does at the stylus: the vector's part towards it."""
        offset_um = pin.vector_at(turns - self._tightened_turns)
        once = (offset_um * cexp(2j * pi * turns)).real
        return once + sum(
            h.amplitude_um * sin(2 * pi * (h.order * turns + h.phase_turns) + pi / 2)
            for h in self._kind.harmonics
        )
