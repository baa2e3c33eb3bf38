"""The indicator: what its display makes of the stylus' position."""

from dataclasses import dataclass, replace
from random import Random

from rules.length import NM_PER_UM, Unit
from rules.reading import Flag, Reading

_OVER_RANGE: frozenset[Flag] = frozenset({"over-range"})


@dataclass(frozen=True, slots=True)
class Indicator:
    """Step, range and errors of one indicator. Its zero lies mid-way between its ends.

    Attributes:
        step_nm: Digital step, above 0.
        travel_um: Indications from minus to plus this are shown; beyond is over-range.
        noise_um: Standard deviation of one reading's noise.
        drift_um_per_h: Even drift of the zero.
        unit: Unit it sends.
        channel: Channel word or unit id it sends, "" for none.
    """

    step_nm: int = 100
    travel_um: float = 700.0
    noise_um: float = 0.05
    drift_um_per_h: float = 0.0
    unit: Unit = "mm"
    channel: str = ""

    def read(
        self, position_um: float, at_ns: int, rng: Random, flags: frozenset[Flag]
    ) -> Reading:
        """Return the indication of a position: with noise and drift, rounded to the step.

        Args:
            position_um: Where the stylus is, from the indicator's zero.
            at_ns: Time since the start, for the drift.
            rng: Source of the noise.
            flags: Further flags to send with it.
        """
        drift_um = self.drift_um_per_h * at_ns / 3.6e12
        shown_um = position_um + drift_um + rng.gauss(0.0, self.noise_um)
        if abs(shown_um) > self.travel_um:
            return Reading(None, self.unit, flags=flags | _OVER_RANGE, channel=self.channel)
        value_nm = round(shown_um * NM_PER_UM / self.step_nm) * self.step_nm
        return Reading(value_nm, self.unit, flags=flags, channel=self.channel)


_NM_PER_INCH = 25_400_000
_NM_PER_MM = 1_000_000


def in_inch(reading: Reading, indicator: Indicator) -> Reading:
    """Return what goes out when the key switched the value to inch and no unit tells of it."""
    if reading.value_nm is None:
        return reading
    shown = reading.value_nm * _NM_PER_MM / _NM_PER_INCH
    return replace(reading, value_nm=round(shown / indicator.step_nm) * indicator.step_nm)
