"""What each master check says of each fault: rows, and the table that README quotes.

The faults are simulated on the masters of ``master_bench``; what is expected of each check is
common practice, no source. Two rows are no success. Without an index the TIR of the readings
carries 0.1 µm of noise and step, which puts a play of 0.5 µm just within the limits. A
lost sign shows only where the indication passes through zero: the master has to be read
about the indicator's zero, as pieces are.
"""

from dataclasses import dataclass

from rules.master_check import CheckResult, MasterCheck, judge_run_out, judge_sensitivity
from rules.masters import Master, run_out_limits, sensitivity_limits
from tests.rules.master_bench import (
    FASTEST_NS,
    MASTER,
    MasterBench,
    averaging,
    both_seats,
    both_values,
    dead,
    folded,
    mandrel,
    play,
    scaled,
    words_swapped,
)

SENSE = sensitivity_limits(MASTER, 4_000)
TRUE = run_out_limits(Master("MM-1", "solid-mandrel", 100, 50), 800)
HOLDER_NM = 150 + 0j


@dataclass(frozen=True)
class Row:
    """A fault and what the run-out check, the sensitivity check with an index, the one
    without, and the one by finished values say."""

    name: str
    bench: MasterBench
    run_out: CheckResult
    sensitivity: CheckResult
    by_tir: CheckResult
    finished: CheckResult


def bench(**kind: object) -> MasterBench:
    return MasterBench(**{"holder_nm": HOLDER_NM, **kind})  # type: ignore[arg-type]


ROWS = (
    Row("honest bench", bench(), "good", "good", "good", "good"),
    Row("dead stylus", bench(fault=dead), "failed", "failed", "failed", "failed"),
    Row("dead stylus, noise", bench(fault=scaled(0.0)), "good", "failed", "failed", "failed"),
    Row("mm taken for inch", bench(fault=scaled(25.4)), "failed", "failed", "failed", "failed"),
    Row(
        "inch taken for mm", bench(fault=scaled(1 / 25.4)), "good", "failed", "failed", "failed"
    ),
    Row("halved scale", bench(fault=scaled(0.5)), "good", "failed", "failed", "failed"),
    Row(
        "wrong float word order",
        bench(fault=words_swapped),
        "invalid",
        "invalid",
        "invalid",
        "invalid",
    ),
    Row("folded sign, about zero", bench(fault=folded), "good", "failed", "failed", "failed"),
    Row(
        "folded sign, preloaded",
        bench(fault=folded, zero_nm=9e4),
        "good",
        "good",
        "good",
        "good",
    ),
    Row("reversal play 0.5 µm", bench(fault=play(500)), "good", "failed", "good", "good"),
    Row(
        "averaging over 0.5 s",
        bench(fault=averaging(0.5)),
        "good",
        "failed",
        "failed",
        "failed",
    ),
    Row("holder vector 0.5 µm", bench(holder_nm=500 + 0j), "failed", "good", "good", "good"),
)


def checked(row: Row) -> tuple[MasterCheck, MasterCheck, MasterCheck, MasterCheck]:
    blind = MasterBench(row.bench.holder_nm, row.bench.fault, False, zero_nm=row.bench.zero_nm)
    return (
        judge_run_out(mandrel(row.bench), TRUE),
        judge_sensitivity(both_seats(row.bench), SENSE, FASTEST_NS),
        judge_sensitivity(both_seats(blind), SENSE, FASTEST_NS),
        judge_sensitivity(both_values(row.bench), SENSE, FASTEST_NS),
    )


def said(check: MasterCheck) -> str:
    reading = "" if check.reading_nm is None else f" ({check.reading_nm / 1000:.2f})"
    return check.result + reading


def table() -> str:
    """Return the table as README has it: result and reading in µm."""
    heads = (
        "fault", "run-out check", "sensitivity check, with an index", "without an index",
        "by finished values",
    )  # fmt: skip
    lines = ["| " + " | ".join(heads) + " |", "|---|---|---|---|---|"]
    for row in ROWS:
        lines.append("| " + " | ".join((row.name, *map(said, checked(row)))) + " |")
    return "\n".join(lines) + "\n"
