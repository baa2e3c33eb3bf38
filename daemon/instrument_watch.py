"""What a bench measures with, held against the register and the day."""

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.clock import Clock
from daemon.clock_watch import ClockWatch
from daemon.config import BenchConfig
from daemon.store import Store
from rules.bench import Judged
from rules.instruments import Fitness, Register, Today, fitness
from rules.length import NM_PER_MM
from rules.pin_bending import bend_faults

__all__ = ["InstrumentWatch", "fitness_of", "unregistered"]


class InstrumentWatch:
    """Asks the register and the clock about one bench.

    Attributes:
        clock: Whether the time of day can be trusted.
        one: The bench as it goes now: what is fit depends on the limits in force.
    """

    def __init__(
        self, one: BenchConfig, zone: ZoneInfo, clock: Clock, boot: str, store: Store
    ) -> None:
        """Take up the time of day that the record trusts last.

        Raises:
            StoreError: If the record can't be read.
        """
        self.clock = ClockWatch(clock, boot, store.last_trusted(one.id))
        self.one = one
        self._zone = zone
        self._clock = clock
        self._store = store

    def fitness(
        self, holder: str, pins: Sequence[str], one: BenchConfig | None = None
    ) -> Fitness:
        """Return what speaks against measuring with these and the bench's indicators.

        Args:
            holder: Holder of the lot, "" where none is named.
            pins: Pins of the lot.
            one: The bench by the rules a lot is to be opened with; None by those in force.

        Raises:
            StoreError: If the register can't be read.
        """
        at = (self._clock.utc(), self.clock.doubt(), self._zone)
        return fitness_of(one or self.one, self._store.register(), holder, pins, at)

    def judged(self) -> tuple[Judged, Judged]:
        """Return the alarms about instruments and clock as they have to stand now.

        Raises:
            StoreError: If the register can't be read.
        """
        unfit = "; ".join(self.fitness(*self._holder_and_pins()).unfit)
        doubt = self.clock.doubt()
        text = f"{doubt}: no due date can be shown to be kept; set it right" if doubt else ""
        return (
            Judged("instrument-unfit", bool(unfit), unfit),
            Judged("clock-doubt", bool(text), text),
        )

    def unregistered(self) -> tuple[str, ...]:
        """Return what measures here and is in no register: nobody minds its due date.

        Raises:
            StoreError: If the register can't be read.
        """
        return unregistered(self.one, self._store.register(), *self._holder_and_pins())

    def _holder_and_pins(self) -> tuple[str, tuple[str, ...]]:
        found = self._store.holder_and_pins(self.one.id)
        wanted = self.one.section.lot
        if found is not None or wanted is None:
            return found or ("", ())
        return wanted.holder, tuple(wanted.pins)


def fitness_of(
    one: BenchConfig,
    register: Register,
    holder: str,
    pins: Sequence[str],
    at: tuple[datetime, str, ZoneInfo],
) -> Fitness:
    """Return what speaks against measuring on a bench with this holder and these pins.

    Args:
        one: The bench.
        register: The register as it stands.
        holder: Holder of the lot, "" where none is named.
        pins: Pins of the lot.
        at: Time of day, why it is in doubt ("" when it is not), and the site's zone.
    """
    utc, doubt, zone = at
    tightest_nm = min(grade.tolerance_limit_nm for grade in one.rules.grading.grades)
    today = Today(utc.astimezone(zone).date(), doubt)
    found = fitness(register, used(one, holder, pins), tightest_nm, today)
    bent: tuple[str, ...] = ()
    for indicator in one.section.indicator:
        if indicator.projection_mm is not None:
            projection_nm = round(indicator.projection_mm * NM_PER_MM)
            bent += bend_faults(register, indicator.id, projection_nm, tuple(pins), tightest_nm)
    return Fitness(found.blocks, (*found.warns, *bent), found.unfit)


def used(one: BenchConfig, holder: str, pins: Sequence[str]) -> tuple[str, ...]:
    """Return the identities of everything that measures, each once."""
    names = [*(i.id for i in one.section.indicator), holder, *pins]
    return tuple(dict.fromkeys(name for name in names if name))


def unregistered(
    one: BenchConfig, register: Register, holder: str, pins: Sequence[str]
) -> tuple[str, ...]:
    """Return what measures here and is in no register."""
    return tuple(name for name in used(one, holder, pins) if name not in register)
