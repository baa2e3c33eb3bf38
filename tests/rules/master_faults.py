"""What each master check says of each fault: rows, and the table that README quotes.

The faults are simulated on the masters of ``master_bench``; what is expected of each check is
common practice, no source. Two rows are no success. Without an index the TIR of the readings
carries 0.1 µm of noise and step, which puts a play of 0.5 µm just within the limits. A
lost sign shows only where the indication passes through zero: the master has to be read
about the indicator's zero, as pieces are.
"""

from dataclasses import dataclass

from rules.master_check import (
    CheckResult,
    MasterCheck,
    judge_run_out,
    judge_sensitivity,
    judge_static,
)
from rules.masters import (
    Master,
    StillSpan,
    run_out_limits,
    sensitivity_limits,
    static_limits,
)
from rules.static_step import level_nm
from tests.rules.master_bench import (
    FASTEST_NS,
    MASTER,
    MasterBench,
    averaging,
    both_seats,
    both_values,
    dead,
    faces,
    folded,
    mandrel,
    play,
    scaled,
    words_swapped,
)

SENSE = sensitivity_limits(MASTER, 4_000)
TRUE = run_out_limits(Master("MM-1", "solid-mandrel", 100, 50), 800)
STILL = StillSpan(800_000, 400)
STEP = static_limits(Master("GB-1", "gauge-block", 0, 100, height_nm=50_000), 4_000, STILL)
HOLDER_NM = 150 + 0j


@dataclass(frozen=True)
class Row:
    """A fault and what the run-out check, the sensitivity check with an index, the one
    without, the one by finished values and the static step say."""

    name: str
    bench: MasterBench
    run_out: CheckResult
    sensitivity: CheckResult
    by_tir: CheckResult
    finished: CheckResult
    static: CheckResult


def bench(**kind: object) -> MasterBench:
    return MasterBench(**{"holder_nm": HOLDER_NM, **kind})  # type: ignore[arg-type]


ROWS = (
    Row("honest bench", bench(), "good", "good", "good", "good", "good"),
    Row("dead stylus", bench(fault=dead), "failed", "failed", "failed", "failed", "invalid"),
    Row(
        "dead stylus, noise",
        bench(fault=scaled(0.0)),
        "good",
        "failed",
        "failed",
        "failed",
        "invalid",
    ),
    Row(
        "mm taken for inch",
        bench(fault=scaled(25.4)),
        "failed",
        "failed",
        "failed",
        "failed",
        "invalid",
    ),
    Row(
        "inch taken for mm",
        bench(fault=scaled(1 / 25.4)),
        "good",
        "failed",
        "failed",
        "failed",
        "failed",
    ),
    Row(
        "halved scale", bench(fault=scaled(0.5)), "good", "failed", "failed", "failed", "failed"
    ),
    Row(
        "wrong float word order",
        bench(fault=words_swapped),
        "invalid",
        "invalid",
        "invalid",
        "invalid",
        "invalid",
    ),
    Row(
        "folded sign, about zero",
        bench(fault=folded),
        "good",
        "failed",
        "failed",
        "failed",
        "invalid",
    ),
    Row(
        "folded sign, preloaded",
        bench(fault=folded, zero_nm=9e4),
        "good",
        "good",
        "good",
        "good",
        "good",
    ),
    Row(
        "reversal play 0.5 µm", bench(fault=play(500)), "good", "failed", "good", "good", "good"
    ),
    Row(
        "averaging over 0.5 s",
        bench(fault=averaging(0.5)),
        "good",
        "failed",
        "failed",
        "failed",
        "good",
    ),
    Row(
        "holder vector 0.5 µm",
        bench(holder_nm=500 + 0j),
        "failed",
        "good",
        "good",
        "good",
        "good",
    ),
)


def stepped(bench: MasterBench) -> MasterCheck:
    """Return what a block of 50 µm says, the stylus set from above about the zero."""
    beside, on = faces(bench, STEP.master.height_nm)
    if beside is None or on is None:
        text = "the stylus touches nothing"
        return MasterCheck("static-step", "invalid", text, "set it", None, STEP)
    return judge_static(level_nm(beside), level_nm(on), STILL.moving_nm, STEP)


def checked(row: Row) -> tuple[MasterCheck, ...]:
    blind = MasterBench(row.bench.holder_nm, row.bench.fault, False, zero_nm=row.bench.zero_nm)
    return (
        judge_run_out(mandrel(row.bench), TRUE),
        judge_sensitivity(both_seats(row.bench), SENSE, FASTEST_NS),
        judge_sensitivity(both_seats(blind), SENSE, FASTEST_NS),
        judge_sensitivity(both_values(row.bench), SENSE, FASTEST_NS),
        stepped(row.bench),
    )


def said(check: MasterCheck) -> str:
    reading = "" if check.reading_nm is None else f" ({check.reading_nm / 1000:.2f})"
    return check.result + reading


def table() -> str:
    """Return the table as README has it: result and reading in µm."""
    heads = (
        "fault", "run-out check", "sensitivity check, with an index", "without an index",
        "by finished values", "static step",
    )  # fmt: skip
    lines = ["| " + " | ".join(heads) + " |", "|---|---|---|---|---|---|"]
    for row in ROWS:
        lines.append("| " + " | ".join((row.name, *map(said, checked(row)))) + " |")
    return "\n".join(lines) + "\n"
