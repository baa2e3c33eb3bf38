"""A real bench runner on a real store, fed by hand: an indicator that sends finished values.

The shortest way from a number to a verdict; time is a clock that the test moves.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

from daemon.bench import BenchRunner
from daemon.clock import Synced
from daemon.config import Config, load
from daemon.store import Store
from rules.bench import BenchEvent, Placed
from rules.capture_model import LineBack, LineLost, Seen, Tick
from rules.length import um_to_nm
from rules.reading import Reading

INDICATOR = "IND-21"
NS_PER_S = 1_000_000_000

SINGLE_VALUES = (
    'mode = "sweep"\nturning = "driven"\nproof = "index"',
    'mode = "single-value"\nloosening = "not-observed"',
)
"""Replacement in the demo's bench file that makes b1 a bench of finished values."""


@dataclass
class HandClock:
    """A clock that stands until it is moved."""

    rate: float = 1.0
    seconds: float = 0.0
    is_synced: Synced = "yes"
    start: datetime = datetime(2026, 11, 24, 6, tzinfo=UTC)

    def now_ns(self) -> int:
        return 10**12 + round(self.seconds * NS_PER_S)

    def utc(self) -> datetime:
        return self.start + timedelta(seconds=self.seconds)

    def synced(self) -> Synced:
        return self.is_synced


class ValueBench:
    """Bench b1 of the demo's file, measured by finished values.

    Grade 1: three clampings up to 3.2 µm; grade 2: one up to 12 µm; above that N.

    Attributes:
        runner: What is tested.
        store: Its record.
        clock: Moved by what is done here.
    """

    def __init__(
        self, config: Config, boot: str = "boot-1", start: datetime = HandClock.start
    ) -> None:
        self.config = config
        self.clock = HandClock(start=start)
        self._boot = boot
        self._open()

    def _open(self) -> None:
        self.store = Store(self.config.store_path)
        source = self.config.source
        texts = [(source.sha256, "bench", source.path.name, source.text)]
        for one in self.config.benches:
            grading = one.rules.grading
            texts.append((grading.sha256, "rules", one.rules_path.name, one.rules_text))
        self.store.keep_texts(texts, "2026-11-24T06:00:00.000Z")
        one = self.config.benches[0]
        self.runner = BenchRunner(self.config, one, self.store, self.clock, self._boot)

    def restart(self) -> None:
        """Start the service anew on the same record; what was in memory is gone."""
        self.store.close()
        self._open()

    def close(self) -> None:
        self.store.close()

    # --- what comes ---

    def handle(self, event: BenchEvent, inbound: str | None = None) -> bool:
        return self.runner.handle(event, inbound)

    def value(self, um: str) -> bool:
        """Let the print key be pressed on a TIR of ``um`` µm, half a minute later."""
        self.clock.seconds += 30
        reading = Reading(um_to_nm(Decimal(um)))
        return self.handle(Seen(INDICATOR, reading, self.clock.now_ns()))

    def values(self, *ums: str) -> None:
        for um in ums:
            assert self.value(um)

    def placed(self, bin_id: str, inbound: str | None = None) -> bool:
        self.clock.seconds += 5
        return self.handle(Placed(bin_id), inbound)

    def lose(self, reason: str = "unplugged") -> bool:
        self.clock.seconds += 1
        return self.handle(LineLost(INDICATOR, self.clock.now_ns(), reason))

    def find(self) -> bool:
        self.clock.seconds += 1
        return self.handle(LineBack(INDICATOR, self.clock.now_ns()))

    def tick(self) -> bool:
        return self.handle(Tick(self.clock.now_ns()))

    # --- the disk ---

    def break_disk(self) -> None:
        """Let SQLite refuse every write, as it does on a disk gone read-only."""
        with self.store.reading() as db:
            db.execute("PRAGMA query_only = ON")

    def mend_disk(self) -> None:
        with self.store.reading() as db:
            db.execute("PRAGMA query_only = OFF")

    # --- what is seen ---

    @property
    def word(self) -> str:
        return self.runner.shown.signals.word

    @property
    def lamps(self) -> dict[str, str]:
        return dict(self.runner.shown.signals.lamps)

    def rows(self, sql: str) -> list[tuple[object, ...]]:
        with self.store.reading() as db:
            return db.execute(sql).fetchall()


def value_bench(
    make: Callable[..., Path], *replacements: tuple[str, str], rest: str | None = None
) -> ValueBench:
    """Return a bench from the ``bench_folder`` fixture.

    Args:
        make: The fixture.
        replacements: In the bench file.
        rest: The keys of ``[rest]`` in place of the demo's; "" leaves the plan out.
    """
    path = make(SINGLE_VALUES, *replacements)
    if rest is not None:
        rules = path.with_name("mr-10-med.rules.toml")
        head, _, _ = rules.read_text(encoding="utf-8").partition("[rest]")
        rules.write_text(head + (f"[rest]\n{rest}\n" if rest else ""), encoding="utf-8")
    return ValueBench(load(path))
