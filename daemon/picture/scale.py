"""Scales: where a value is drawn, and at which round values an axis is marked."""

from dataclasses import dataclass
from math import ceil, floor, log10

__all__ = ["Scale", "nice_step"]


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale: ``low`` is drawn at ``start``, ``high`` at ``end``, in pixels."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Return where a value is drawn."""
        return self.start + (value - self.low) * self.per_unit

    @property
    def per_unit(self) -> float:
        """Return pixels a unit; negative where the scale runs upwards."""
        return (self.end - self.start) / (self.high - self.low)

    def marks(self, wanted: int) -> list[float]:
        """Return round values within the scale, about so many."""
        step = nice_step((self.high - self.low) / wanted)
        first, last = ceil(self.low / step - 1e-9), floor(self.high / step + 1e-9)
        return [number * step for number in range(first, last + 1)]


def nice_step(least: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below ``least``."""
    power = 10.0 ** floor(log10(least))
    return next(power * n for n in (1, 2, 5, 10) if power * n >= least * (1 - 1e-9))
