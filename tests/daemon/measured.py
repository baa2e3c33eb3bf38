"""A store full of measured pieces, made without waiting for a bench.

Collets, holder, spindle and indicator are the simulators'; what they show is evaluated,
assessed, decided and committed by the real code, under real bench and rule texts. The truth
behind each piece is kept.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from daemon.bench import provenance
from daemon.config import BenchConfig, Config, load
from daemon.store import LotOpening, Provenance, Stamp, Store
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.cycle import CycleKind, HowEnded
from rules.exact_vector import exact_vector
from rules.facts import ClampingFact, CycleEndedFact, CycleOpenedFact, Fact, PutAwayFact
from rules.grading import Assessed, Decision, assess, decide
from rules.ruleset import Evidence
from rules.sweep import Cut, Sweep
from simulators.collet import Clamper, Collet, ColletKind, Tightening, fill_tray
from simulators.indicator import Indicator
from simulators.spindle import NS_PER_S, Drive
from simulators.stand import Harmonic, Stand, StandKind
from tests.rules.diagnosed_sweep import evaluate_diagnosed

RATE_HZ = 20
JITTER_NS = 5_000_000
COLLETS = ColletKind(0.9, 0.4, outlier_share=0.03, chip_share=0.0)


@dataclass(frozen=True, slots=True)
class Bench:
    """What is simulated.

    Attributes:
        holder_um: The holder's vector in the frame of the spindle's angle.
        collets: What the collets are like.
        drive: How the spindle turns.
        index_at: Where the index flag sits, in turns.
        rotate_deg: How far the collet is rotated between two clampings.
        rotate_scatter_deg: Its standard deviation.
        harmonics: Form of the pin.
        cut: What ends the second sweep of every tenth piece, in place of its end.
        spoil: What becomes of a sweep by piece, clampings before it (in a retry 10 and
            more), and position.
        evidence: What shows each loosening.
        retried: Pieces whose whole set is taken once more.
    """

    holder_um: complex = 0.2j
    collets: ColletKind = COLLETS
    drive: Drive = field(default_factory=lambda: Drive(ripple=0.03))
    index_at: float = 0.0
    rotate_deg: float = 120.0
    rotate_scatter_deg: float = 10.0
    harmonics: tuple[Harmonic, ...] = ()
    cut: Cut | None = None
    spoil: Callable[[int, int, str, Sweep], Sweep] = lambda _, __, ___, swept: swept
    evidence: Evidence = "pin-jump"
    retried: frozenset[int] = frozenset()


def sweep(
    tightening: Tightening, bench: Bench, rng: Random, at_ns: int = 0, turns: float = 2.15
) -> Sweep:
    """Return the readings of so many turns and the times at which the index passed."""
    stand = Stand(StandKind(bench.drive, bench.index_at, harmonics=bench.harmonics))
    stand.tighten(tightening, at_ns)
    stand.set_stylus(True, at_ns, takes_s=0.1)
    stand.switch_spindle(True, at_ns)
    first_ns = _passing(stand, 1 + bench.index_at, at_ns)
    indicator = Indicator()
    every_ns = NS_PER_S // RATE_HZ
    count = round(turns * bench.drive.period_s * RATE_HZ)
    start_ns = first_ns + rng.randrange(every_ns)
    times = tuple(start_ns + i * every_ns + rng.randrange(JITTER_NS) for i in range(count))
    seen = [indicator.read(stand.position_um(t), t, rng, frozenset()).value_nm for t in times]
    index = (_passing(stand, turn + 1 + bench.index_at, at_ns) for turn in range(4))
    values = tuple(value for value in seen if value is not None)
    return Sweep(times, values, tuple(at for at in index if at <= times[-1]))


def _passing(stand: Stand, turns: float, low_ns: int) -> int:
    """Return when the spindle reaches an angle, by halving."""
    high_ns = low_ns + 60 * NS_PER_S
    while high_ns - low_ns > 1:
        middle = (low_ns + high_ns) // 2
        low_ns, high_ns = (
            (middle, high_ns) if stand.spindle.turns_at(middle) < turns else (low_ns, middle)
        )
    return high_ns


def stamp(at_ns: int) -> Stamp:
    minutes, seconds = divmod(at_ns // NS_PER_S, 60)
    hours, minutes = divmod(minutes, 60)
    utc = f"2026-11-24T{hours % 24:02d}:{minutes:02d}:{seconds:02d}.000Z"
    return Stamp(utc, "yes", "boot-1", at_ns)


@dataclass
class Shop:
    """Measures pieces into a store.

    Attributes:
        config: The bench file, loaded.
        one: The bench of it that measures.
        kind: What is simulated.
        truth: The collets that were measured.
    """

    config: Config
    one: BenchConfig
    kind: Bench
    truth: list[Collet] = field(default_factory=list)
    now_ns: int = 0

    @property
    def by(self) -> Provenance:
        return provenance(self.config, self.one)

    def open(
        self, store: Store, code: str = "W-2611-A", boxes: Mapping[str, str] | None = None
    ) -> None:
        source = self.config.source
        texts = [(source.sha256, "bench", source.path.name, source.text)]
        for one in self.config.benches:
            texts.append(
                (one.rules.grading.sha256, "rules", one.rules_path.name, one.rules_text)
            )
        store.keep_texts(texts, stamp(0).utc)
        lot = LotOpening(code, "MR-10-MED", None, boxes=dict(boxes or {}), holder="H-MED-1")
        store.open_lot(lot, self.by, stamp(self.now_ns))

    def measure(self, store: Store, collets: Sequence[Collet], seed: int) -> None:
        """Clamp each collet until its verdict is settled, and put it away."""
        last = len(self.truth)
        for number, collet in enumerate(collets, start=last + 1):
            clamper = Clamper(f"{seed}", collet, self.kind.collets, self.kind.holder_um)
            self._cycle(store, number, 1, clamper)
            if number in self.kind.retried:
                again = CycleOpenedFact(number, 2, "retry", "chip in the taper", "lead")
                store.commit([again], self.by, stamp(self.now_ns))
                self._cycle(store, number, 2, clamper)
            self.truth.append(collet)

    def _cycle(self, store: Store, number: int, cycle: int, clamper: Clamper) -> None:
        kind, grading = self.kind, self.one.rules.grading
        rng = Random(f"{number}/{cycle}")
        assessed: list[Assessed] = []
        decision: Decision | None = None
        good: Clamping | None = None
        while decision is None:
            self.now_ns += 30 * NS_PER_S
            before = len(assessed)
            made = self._clamping(clamper.tighten(), number, before + 10 * (cycle - 1), rng)
            clamper.rotate(kind.rotate_deg, kind.rotate_scatter_deg)
            assessed.append(assess(made, grading, good))
            good = made if made.invalid is None else good
            is_new = cycle == 1 and before == 0
            why: CycleKind = "first" if cycle == 1 else "retry"
            facts: list[Fact] = [
                ClampingFact(number, is_new, cycle, why, before + 1, made, assessed[-1])
            ]
            decision = decide(assessed, grading)
            if decision is not None:
                facts.append(_ended(number, cycle, decision))
                if cycle == 2 or number not in kind.retried:
                    facts.append(PutAwayFact(number, cycle, decision.bin, decision.bin, "bin"))
            store.commit(facts, self.by, stamp(self.now_ns))

    def _clamping(self, pin: Tightening, number: int, before: int, rng: Random) -> Clamping:
        positions = []
        swept = sweep(pin, self.kind, rng, self.now_ns)
        if self.kind.cut is not None and number % 10 == 0 and before == 1:
            half = len(swept.at_ns) // 3
            swept = Sweep(
                swept.at_ns[:half], swept.value_nm[:half], swept.index_ns[:1], self.kind.cut
            )
        for indicator in self.one.rules.capture.indicators:
            seen = self.kind.spoil(number, before, indicator.position, swept)
            run_out = evaluate_diagnosed(seen, indicator.sweep)
            vector = exact_vector(seen, indicator.sweep)
            where = (indicator.id, indicator.position)
            positions.append(PositionRunOut(*where, seen, run_out, vector))
        loosened_ns = swept.at_ns[0] - 20 * NS_PER_S
        loosening = Loosening(self.kind.evidence, loosened_ns, 90_000, NS_PER_S)
        return Clamping("sweep", swept.at_ns[0], swept.at_ns[-1], tuple(positions), loosening)


def _ended(number: int, cycle: int, decision: Decision) -> CycleEndedFact:
    how: HowEnded = "invalid" if decision.why == "invalid" else "graded"
    return CycleEndedFact(number, cycle, how, decision.text, decision)


def measured(bench_file: Path, pieces: int, seed: int = 1, kind: Bench | None = None) -> Shop:
    """Return a shop whose store holds so many pieces of one lot; the store is closed."""
    config = load(bench_file)
    shop = Shop(config, config.benches[0], kind or Bench())
    with closing(Store(config.store_path)) as store:
        shop.open(store)
        shop.measure(store, fill_tray(f"{seed}", shop.kind.collets, pieces), seed)
    return shop
