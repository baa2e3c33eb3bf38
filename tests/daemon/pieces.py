"""Pieces made by hand, for tests of what is kept: facts as a step of the bench gives them."""

from collections.abc import Sequence
from pathlib import Path

from daemon.store import LotOpening, Provenance, Stamp, Store
from rules.clamping import Clamping, Loosening, PositionRunOut
from rules.cycle import CycleKind, HowEnded
from rules.facts import ClampingFact, CycleEndedFact, Fact, PutAwayFact
from rules.grading import assess, decide
from rules.ruleset import Grade, RuleSet
from rules.sweep import Invalid, RunOut, Sweep

NS_PER_S = 1_000_000_000

RULES = RuleSet(
    revision="7",
    sha256="a" * 64,
    grades=(
        Grade("grade-1", 4_000, 3, "1", guard_band_nm=800),
        Grade("grade-2", 12_000, 1, "2", guard_band_nm=2_000),
    ),
    nonconforming_bin="N",
    hold_bin="H",
)
"""Acceptance limits 3.2 and 10 µm; 10 to 12 µm is on hold, above it nonconforming."""

BY = Provenance(
    bench="b1",
    source="/reclamp/millrace/b1",
    bench_sha256="b" * 64,
    rules=RULES,
    proof="index",
    drivers={"IND-21": ("ascii-line", "0.1.0")},
)


def stamp(at_s: float = 0.0, boot: str = "boot-1") -> Stamp:
    minutes, seconds = divmod(at_s, 60)
    hours, minutes = divmod(int(minutes), 60)
    utc = f"2026-11-24T{hours % 24:02d}:{minutes:02d}:{seconds:06.3f}Z"
    return Stamp(utc, "yes", boot, round(at_s * NS_PER_S))


def clamping(
    tir_nm: int, invalid: Invalid | None = None, at_s: float = 0.0, samples: int = 96
) -> Clamping:
    """Return a sweep of two turns whose readings span exactly ``tir_nm``."""
    start_ns = round(at_s * NS_PER_S)
    every_ns = 50_000_000
    half = samples // 2
    values = tuple(tir_nm * abs(half - i % samples) // half for i in range(samples))
    times = tuple(start_ns + i * every_ns for i in range(samples))
    index = (start_ns, start_ns + half * every_ns, start_ns + samples * every_ns)
    tir = None if invalid is not None else tir_nm
    run_out = RunOut(tir, tir_nm, (tir_nm, tir_nm), half, 0, invalid)
    place = PositionRunOut("IND-21", "far", Sweep(times, values, index), run_out)
    loosening = Loosening("stylus-lift", start_ns - NS_PER_S, None, NS_PER_S)
    return Clamping("sweep", times[0], times[-1], (place,), loosening)


def measured(
    piece: int,
    tirs_nm: Sequence[int | Invalid],
    cycle: int = 1,
    kind: CycleKind = "first",
    is_new: bool = True,
    at_s: float = 0.0,
) -> list[tuple[Fact, ...]]:
    """Return the facts of each clamping of a cycle; the last may bring the verdict with it.

    A text stands for an invalid clamping in which 1 µm was seen at least.
    """
    assessed = []
    steps: list[tuple[Fact, ...]] = []
    for number, tir in enumerate(tirs_nm, start=1):
        at = at_s + number * 30
        made = clamping(1_000, tir, at) if isinstance(tir, str) else clamping(tir, at_s=at)
        assessed.append(assess(made, RULES))
        first = is_new and number == 1
        facts: tuple[Fact, ...] = (
            ClampingFact(piece, first, cycle, kind, number, made, assessed[-1]),
        )
        decision = decide(assessed, RULES)
        if decision is not None:
            how: HowEnded = "invalid" if decision.why == "invalid" else "graded"
            facts = (*facts, CycleEndedFact(piece, cycle, how, decision.text, decision))
        steps.append(facts)
    return steps


def bin_of(steps: Sequence[tuple[Fact, ...]]) -> str:
    """Return the bin of the verdict with which the steps end."""
    last = steps[-1][-1]
    assert isinstance(last, CycleEndedFact)
    assert last.decision is not None
    return last.decision.bin


def placed(piece: int, bin_id: str, expected: str, cycle: int = 1) -> PutAwayFact:
    return PutAwayFact(piece, cycle, bin_id, expected, "bin")


def open_store(path: Path, **opening: object) -> Store:
    """Return a store with lot W-1 open on bench b1."""
    store = Store(path)
    keep_texts(store)
    wanted = {"code": "W-1", "article": "MR-10-MED", "quantity": None, **opening}
    store.open_lot(LotOpening(**wanted), BY, stamp())  # type: ignore[arg-type]
    return store


def keep_texts(store: Store) -> None:
    texts = [("a" * 64, "rules", "rules.toml", "r"), ("b" * 64, "bench", "bench.toml", "b")]
    store.keep_texts(texts, stamp().utc)


def commit(store: Store, *facts: Fact, at_s: float = 0.0, inbound: str | None = None) -> None:
    store.commit(facts, BY, stamp(at_s), inbound)


def put_through(
    store: Store, piece: int, tirs_nm: Sequence[int | Invalid], at_s: float = 0.0
) -> None:
    """Measure a piece and put it away where it belongs."""
    steps = measured(piece, tirs_nm, at_s=at_s)
    for number, facts in enumerate(steps):
        commit(store, *facts, at_s=at_s + 30 * number)
    commit(store, placed(piece, bin_of(steps), bin_of(steps)), at_s=at_s + 120)
