"""What a bench measures with, held against the register and the day."""

from datetime import datetime
from zoneinfo import ZoneInfo

from daemon.clock import Clock
from daemon.clock_watch import ClockWatch
from daemon.config import BenchConfig
from daemon.store import Store
from rules.bench import Judged
from rules.gripping import gripping_faults
from rules.instrument_fitness import Fitness, Today, fitness
from rules.instruments import Register
from rules.length import NM_PER_MM
from rules.lot_instruments import LotInstruments
from rules.pin_bending import bend_faults
from rules.pin_size import size_faults
from rules.torque import torque_faults

__all__ = ["InstrumentWatch", "fitness_of", "pin_warnings", "unregistered"]


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

    def fitness(self, lot: LotInstruments, one: BenchConfig | None = None) -> Fitness:
        """Return what speaks against measuring with these and what is the bench's own.

        Args:
            lot: What the lot is measured with.
            one: The bench by the rules a lot is to be opened with; None by those in force.

        Raises:
            StoreError: If the register can't be read.
        """
        at = (self._clock.utc(), self.clock.doubt(), self._zone)
        return fitness_of(one or self.one, self._store.register(), lot, at)

    def judged(self) -> tuple[Judged, Judged]:
        """Return the alarms about instruments and clock as they have to stand now.

        Raises:
            StoreError: If the register can't be read.
        """
        unfit = "; ".join(self.fitness(self._of_lot()).unfit)
        doubt = self.clock.doubt()
        text = f"{doubt}: no due date can be shown to be kept" if doubt else ""
        return (
            Judged("instrument-unfit", bool(unfit), unfit),
            Judged("clock-doubt", bool(text), text),
        )

    def unregistered(self) -> tuple[str, ...]:
        """Return what measures here and is in no register: nobody minds its due date.

        Raises:
            StoreError: If the register can't be read.
        """
        return unregistered(self.one, self._store.register(), self._of_lot())

    def _of_lot(self) -> LotInstruments:
        found = self._store.instruments_of_lot(self.one.id)
        wanted = self.one.section.lot
        if found is not None or wanted is None:
            return found or LotInstruments()
        return wanted.instruments


def fitness_of(
    one: BenchConfig, register: Register, lot: LotInstruments,
    at: tuple[datetime, str, ZoneInfo],
) -> Fitness:  # fmt: skip
    """Return what speaks against measuring a lot on a bench.

    Args:
        one: The bench.
        register: The register as it stands.
        lot: What the lot is measured with.
        at: Time of day, why it is in doubt ("" when it is not), and the site's zone.
    """
    utc, doubt, zone = at
    tightest_nm = min(grade.tolerance_limit_nm for grade in one.rules.grading.grades)
    today = Today(utc.astimezone(zone).date(), doubt)
    found = fitness(register, used(one, lot), tightest_nm, today)
    check = one.measuring_with(register).rules.check
    unproved = tuple(check.unproved.values()) if check is not None else ()
    pins = _pins(one, register, lot)
    tightened = torque_faults(one.rules.grading.torque_nmm, lot.torque_nmm)
    bent = _bent(one, register, lot, tightest_nm)
    return Fitness(
        (*found.blocks, *unproved, *pins.blocks, *tightened.blocks),
        (*found.warns, *unproved, *pins.warns, *tightened.warns, *bent),
        (*found.unfit, *unproved, *pins.unfit),
    )


def pin_warnings(one: BenchConfig, register: Register, lot: LotInstruments) -> tuple[str, ...]:
    """Return which pins suit neither the collet nor the indicators' measuring force."""
    tightest_nm = min(grade.tolerance_limit_nm for grade in one.rules.grading.grades)
    return (*_pins(one, register, lot).warns, *_bent(one, register, lot, tightest_nm))


def _pins(one: BenchConfig, register: Register, lot: LotInstruments) -> Fitness:
    """Return what speaks against the pins because of the collet they go into."""
    grading = one.rules.grading
    sized = size_faults(register, lot.pins, grading.bore_nm)
    gripped = gripping_faults(register, lot.pins, grading.gripping_length_nm)
    return Fitness(
        (*sized.blocks, *gripped.blocks), (*sized.warns, *gripped.warns),
        (*sized.unfit, *gripped.unfit),
    )  # fmt: skip


def _bent(
    one: BenchConfig, register: Register, lot: LotInstruments, tightest_nm: int
) -> tuple[str, ...]:
    return tuple(
        text
        for indicator in one.section.indicator
        if indicator.projection_mm is not None
        for text in bend_faults(
            register, indicator.id, round(indicator.projection_mm * NM_PER_MM), lot.pins,
            tightest_nm,
        )
    )  # fmt: skip


def used(one: BenchConfig, lot: LotInstruments) -> tuple[str, ...]:
    """Return the identities of everything that measures, each once: masters of checks too."""
    masters = [m.id for m in one.section.check.master if m.named.is_in_register]
    return tuple(dict.fromkeys([*(i.id for i in one.section.indicator), *lot.names, *masters]))


def unregistered(one: BenchConfig, register: Register, lot: LotInstruments) -> tuple[str, ...]:
    """Return what measures here and is in no register."""
    return tuple(name for name in used(one, lot) if name not in register)
