"""An indicator and a cable that misbehave: frozen, in the wrong unit, silent, noisy. Seeded."""

from collections.abc import Callable
from dataclasses import replace
from random import Random
from typing import Protocol

from rules.length import NM_PER_INCH, NM_PER_MM
from rules.reading import Flag, Reading
from simulators.faults import LineFaults, spoil

STEPS_NM = (100, 254, 500, 1_000, 1_270, 2_540, 5_000, 10_000, 12_700, 25_400)
"""Digital steps of indicators in mm and in inch (common practice, no source)."""

_SIGNALS: frozenset[Flag] = frozenset({"index", "foot"})


class Pattern(Protocol):
    """A wire pattern from the indicator's side."""

    def encode(self, reading: Reading) -> bytes:
        """Return the frame that says this reading.

        Raises:
            ValueError: If it can't say it.
        """


class Answering(Pattern, Protocol):
    """A wire pattern that is asked."""

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return the answers to what these bytes ask."""


class FaultyPattern:
    """Speaks a wire pattern, and errs when told to or by chance.

    A flag the frame has no room for is left out; a unit it has no text for is switched all
    the same, as an indicator does whose frame only has digits.

    Attributes:
        is_frozen: The value no longer follows the stylus.
        is_switched: The indicator shows the other unit than its own.
        is_silent: Nothing is sent.
    """

    def __init__(
        self,
        pattern: Pattern,
        faults: LineFaults,
        rng: Random,
        answers: Answering | None = None,
    ) -> None:
        """Prepare.

        Args:
            pattern: Writes frames.
            faults: How likely each fault of the cable is for one frame.
            rng: Source of the chance.
            answers: The same pattern where it is asked.
        """
        self.is_frozen = False
        self.is_switched = False
        self.is_silent = False
        self._pattern = pattern
        self._answers = answers
        self._faults = faults
        self._rng = rng
        self._held: Reading | None = None

    def encode(self, reading: Reading) -> bytes:
        """Return what arrives where a frame was sent."""
        return self._arriving(self._pattern.encode(self._shown(reading)))

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return what arrives where an answer was sent; a switched-off indicator hears none."""
        if self._answers is None or self.is_silent:
            return b""
        answer = self._answers.respond(chunk, lambda channel: self._shown(indication(channel)))
        return self._arriving(answer) if answer else b""

    def _arriving(self, frame: bytes) -> bytes:
        return b"" if self.is_silent else spoil(frame, self._faults, self._rng)

    def _shown(self, reading: Reading) -> Reading:
        """Return what the display makes of a reading."""
        if self.is_frozen and self._held is not None:
            held = replace(self._held, flags=self._held.flags - _SIGNALS)
            reading = replace(held, flags=held.flags | (reading.flags & _SIGNALS))
        self._held = reading
        if self.is_switched:
            reading = self._in_other_unit(reading)
        return reading if self._says(reading) else self._without_signals(reading)

    def _says(self, reading: Reading) -> bool:
        try:
            self._pattern.encode(reading)
        except ValueError:
            return False
        return True

    def _without_signals(self, reading: Reading) -> Reading:
        for kept in ({"index"}, {"foot"}, set()):
            fewer = replace(reading, flags=reading.flags - (_SIGNALS - kept))
            if self._says(fewer):
                return fewer
        return reading

    def _in_other_unit(self, reading: Reading) -> Reading:
        """Return the reading as shown after the unit key was pressed."""
        if reading.value_nm is None:
            return reading
        other = replace(reading, unit="inch" if reading.unit == "mm" else "mm")
        factor = NM_PER_MM / NM_PER_INCH if reading.unit == "mm" else NM_PER_INCH / NM_PER_MM
        for shown, true_nm in ((other, reading.value_nm), (reading, reading.value_nm * factor)):
            for step_nm in STEPS_NM:
                rounded = replace(shown, value_nm=round(true_nm / step_nm) * step_nm)
                if self._says(self._without_signals(rounded)):
                    return rounded
        return reading


def finest_step_nm(pattern: Pattern, reading: Reading) -> int:
    """Return the finest digital step that a pattern's frames can say.

    Raises:
        ValueError: If it can say none.
    """
    for step_nm in STEPS_NM:
        try:
            pattern.encode(replace(reading, value_nm=step_nm))
        except ValueError:
            continue
        return step_nm
    raise ValueError("the frame can't say any length: look at its unit, decimals and digits")
