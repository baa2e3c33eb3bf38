"""The spindle: its angle over time, index passing, and what turns with it."""

from dataclasses import dataclass, replace
from math import cos, floor, pi

NS_PER_S = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Drive:
    """How a driven spindle turns.

    Attributes:
        period_s: Time of a turn at full speed, above 0.
        run_up_s: From rest to full speed, evenly; 0 is allowed.
        run_down_s: From full speed to rest, evenly; 0 is allowed.
        ripple: Share by which the speed swings within each turn, 0 <= ripple < 1.
    """

    period_s: float = 2.4
    run_up_s: float = 0.6
    run_down_s: float = 0.5
    ripple: float = 0.0


@dataclass(frozen=True, slots=True)
class Spindle:
    """A spindle between two switchings. Turns are counted since the start of time.

    Attributes:
        drive: How it turns.
        index_at: Where the index flag sits, in turns: 0 <= index_at < 1.
        turns: Angle at the last switching, in turns of even speed.
        since_ns: When it was switched on last; None when it never was.
        until_ns: When it was switched off after that; None while it is on.
    """

    drive: Drive
    index_at: float = 0.0
    turns: float = 0.0
    since_ns: int | None = None
    until_ns: int | None = None

    @property
    def is_on(self) -> bool:
        """Return whether the switch is on (it may still be turning when it is not)."""
        return self.since_ns is not None and self.until_ns is None

    def switched_on(self, at_ns: int) -> "Spindle":
        """Return the spindle as switched on from rest; without effect while it is on."""
        if self.is_on:
            return self
        return replace(self, turns=self._even_turns(at_ns), since_ns=at_ns, until_ns=None)

    def switched_off(self, at_ns: int) -> "Spindle":
        """Return the spindle as switched off: it runs down and stands."""
        return replace(self, until_ns=at_ns) if self.is_on else self

    def turns_at(self, at_ns: int) -> float:
        """Return the angle in turns at a time not before the last switching; it never falls."""
        even = self._even_turns(at_ns)
        ripple = self.drive.ripple
        return even + ripple / (2 * pi) * (1 - cos(2 * pi * even)) if ripple else even

    def passes_index(self, from_ns: int, to_ns: int) -> bool:
        """Return whether the index flag passed after ``from_ns``, up to ``to_ns`` inclusive."""
        before = self.turns_at(from_ns) - self.index_at
        return floor(self.turns_at(to_ns) - self.index_at) > floor(before)

    def _even_turns(self, at_ns: int) -> float:
        if self.since_ns is None or at_ns <= self.since_ns:
            return self.turns
        end_ns = at_ns if self.until_ns is None else min(at_ns, self.until_ns)
        turned, speed = self._run((end_ns - self.since_ns) / NS_PER_S)
        if self.until_ns is not None and at_ns > self.until_ns:
            turned += self._run_down(speed, (at_ns - self.until_ns) / NS_PER_S)
        return self.turns + turned

    def _run(self, on_s: float) -> tuple[float, float]:
        """Return turns and turns a second after so long under power."""
        full, run_up_s = 1 / self.drive.period_s, self.drive.run_up_s
        if on_s >= run_up_s:
            return full * (on_s - run_up_s / 2), full
        return full * on_s * on_s / (2 * run_up_s), full * on_s / run_up_s

    def _run_down(self, speed: float, off_s: float) -> float:
        """Return turns made while braking from ``speed``, at the drive's own rate."""
        full = 1 / self.drive.period_s
        down_s = self.drive.run_down_s * speed / full
        if off_s >= down_s:
            return speed * down_s / 2
        return speed * off_s - speed * off_s * off_s / (2 * down_s)
