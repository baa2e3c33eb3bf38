"""What a bench's retained topics say, made from its adopted state and the store."""

from bisect import bisect_left
from collections.abc import Mapping
from statistics import median
from types import MappingProxyType
from typing import Any

from daemon.bench import BenchRunner, Shown
from daemon.config_sections import SiteSection
from daemon.messages import (
    CONTRACT,
    RECENT_PIECES,
    About,
    AlarmData,
    AlarmState,
    BinAbout,
    BoxCount,
    CheckStatus,
    ClampingBrief,
    GradeCount,
    InboundFault,
    Lot,
    LotRules,
    Prompt,
    Recent,
    RecentPiece,
    RulesName,
    State,
    TrayData,
)  # fmt: skip
from daemon.order_forecast import with_times
from daemon.store import Store
from daemon.store.alarm_event_data import alarm_payload
from daemon.store.lot_query import lot_numbers, recent_pieces
from daemon.store.rest_data import rest_state
from rules.facts import AlarmCode
from rules.grading import Assessed
from rules.length import nm_to_um
from rules.ruleset import RuleBook
from rules.tray import TrayView

NS_PER_S = 1_000_000_000
_HISTOGRAM_CLASSES = 24


def about(
    runner: BenchRunner, software: str, site: SiteSection, boot: str, utc: str, rate: float
) -> About:
    """Return what runs here."""
    holds = runner.config.bin_holds()
    section = runner.config.section
    return About(
        software=software,
        contract=CONTRACT,
        site=site.name,
        timezone=site.timezone,
        bench=section.id,
        title=section.title or section.id,
        bench_sha256=runner.by.bench_sha256,
        boot=boot,
        started=utc,
        speed=rate,
        checks=sorted(runner.by.assurance.asked),
        bins=[BinAbout(id=b.id, shape=b.shape, holds=holds[b.id]) for b in section.bin],
    )


def state(
    shown: Shown,
    lot: str | None,
    rate: float,
    refused: Mapping[InboundFault, int] = MappingProxyType({}),
    check: CheckStatus | None = None,
) -> State:
    """Return the state payload."""
    signals, core = shown.signals, shown.state
    in_work = core.piece is not None or bool(core.cycle.assessed)
    shelved = {shelf.code for shelf in core.shelves}
    return State(
        state=signals.word,
        check=check,
        since=shown.since,
        waits_for=signals.waits_for,
        reason=signals.reason,
        lot=lot,
        piece=core.piece,
        cycle=core.cycle.number if in_work else None,
        clamping=signals.clamping,
        clampings=signals.clampings,
        bin=core.put_away.pending,
        cell=signals.cell,
        tirs=[brief(assessed) for assessed in core.cycle.assessed],
        alarms=[code for code, _ in core.alarms if code not in shelved],
        refused=dict(sorted(refused.items())),
        speed=rate,
    )


def brief(assessed: Assessed) -> ClampingBrief:
    """Return one clamping in one line."""
    tir = None if assessed.tir_nm is None else nm_to_um(assessed.tir_nm)
    return ClampingBrief(tir_um=tir, result=assessed.result, reason=assessed.invalid or "")


def prompt(shown: Shown) -> Prompt:
    """Return what the operator does next."""
    signals = shown.signals
    return Prompt(word=signals.prompt, text=signals.text, cell=signals.cell)


def alarms(runner: BenchRunner) -> dict[AlarmCode, AlarmData]:
    """Return the alarms that stand or are shelved, by code."""
    core = runner.shown.state
    texts, seen = dict(core.alarms), dict(core.acknowledged)
    shelves = {shelf.code: shelf for shelf in core.shelves}
    found: dict[AlarmCode, AlarmData] = {}
    for code in (*texts, *(code for code in shelves if code not in texts)):
        state: AlarmState = "acknowledged" if code in seen else "raised"
        found[code] = alarm_payload(
            code,
            texts.get(code, ""),
            "shelved" if code in shelves else state,
            runner.alarm_since.get(code, runner.shown.since),
            stands=code in texts,
            role=seen.get(code, ""),
            shelf=shelves.get(code),
        )
    return found


_NOT_MEASURED = ("in-work", "abandoned", "replaced")


def lot(runner: BenchRunner, store: Store) -> Lot:
    """Return the lot payload: counts from the store."""
    standing, view = store.standing(runner.by.bench), store.lot(runner.by.bench)
    if view is None or standing is None:
        return Lot(lot=None, rules=rules(runner))
    with store.reading() as db:
        numbers = lot_numbers(db, standing.lot_id)
    counts = standing.counts()
    total = {status: sum(by_grade.values()) for status, by_grade in counts.items()}
    begun = sum(total.values())
    durations = numbers["durations_ns"]
    cycle_s = round(median(durations) / NS_PER_S, 1) if durations else None
    found = runner.forecast()
    if found is not None:
        found = with_times(found, runner.in_real_seconds(cycle_s), runner.utc_now())
    return Lot(
        lot=view.code,
        article=view.article,
        quantity=view.quantity,
        opened=numbers["opened"],
        order_state=view.order_state,
        grades=_grades(runner, counts, dict(view.ordered)),
        nonconforming=total.get("nonconforming", 0),
        hold=total.get("hold", 0),
        pending=total.get("pending", 0),
        measured=begun - sum(total.get(status, 0) for status in _NOT_MEASURED),
        open_pieces=total.get("in-work", 0),
        abandoned=total.get("abandoned", 0),
        released=total.get("released", 0),
        scrapped=total.get("scrapped", 0),
        concession=total.get("concession", 0),
        set_aside=view.set_aside,
        unmeasured=view.unmeasured,
        retried=numbers["retried"],
        forecast=found,
        rest=rest_state(view),
        tray=_tray(view.tray),
        boxes=[
            BoxCount(
                bin=name,
                box=box.label,
                pieces=box.pieces,
                capacity=box.capacity,
                full=box.is_full,
                held=name in view.held_bins,
            )
            for name, box in view.boxes.items()
        ],
        cycle_s_median=cycle_s,
        rules=rules(runner),
        takt_s=runner.config.section.takt_s,
    )


def _tray(tray: TrayView | None) -> TrayData | None:
    if tray is None:
        return None
    return TrayData(
        cells=tray.cells, drawn=tray.is_drawn, next_cell=tray.next_cell, empty=tray.empty
    )


def rules(runner: BenchRunner) -> LotRules:
    """Return which state of the rule file the bench goes by, and which there is."""
    known = runner.rules
    return LotRules(
        in_force=_named(runner.config.book),
        next=_named(known.next.book) if known.next is not None else None,
        file=_named(known.newest.book),
        file_fault=known.fault,
    )


def _named(book: RuleBook) -> RulesName:
    return RulesName(revision=book.revision, sha256=book.sha256)


def _grades(
    runner: BenchRunner, counts: dict[str, dict[str, int]], ordered: dict[str, int]
) -> list[GradeCount]:
    return [
        GradeCount(
            grade=grade.id,
            bin=grade.bin,
            limit_um=nm_to_um(grade.tolerance_limit_nm),
            acceptance_um=nm_to_um(grade.acceptance_limit_nm),
            put_away=counts.get("put-away", {}).get(grade.id, 0),
            pending=counts.get("pending", {}).get(grade.id, 0),
            ordered=ordered.get(grade.id),
        )
        for grade in runner.config.rules.grading.grades
    ]


def recent(runner: BenchRunner, store: Store) -> Recent:
    """Return the last pieces and checks, and the distribution of first clampings."""
    standing = store.standing(runner.by.bench)
    asked = runner.config.rules.check
    drift_nm = asked.zero_drift_nm if asked is not None else None
    of_bench = Recent(
        lot=None,
        holder=runner.run_out.series(),
        checks=runner.fitness.recent,
        zero_drift_um=None if drift_nm is None else nm_to_um(drift_nm),
    )
    if standing is None:
        return of_bench
    with store.reading() as db:
        pieces = recent_pieces(db, standing.lot_id, RECENT_PIECES)
    edges, classes = histogram(
        standing.firsts, runner.config.rules.grading.grades[-1].tolerance_limit_nm
    )
    return of_bench.model_copy(
        update={
            "lot": runner.lot.code if runner.lot is not None else None,
            "pieces": [_piece(piece) for piece in pieces],
            "histogram_um": [nm_to_um(edge) for edge in edges],
            "histogram": classes,
        }
    )


def _piece(row: dict[str, Any]) -> RecentPiece:
    return RecentPiece.model_validate(row)


def histogram(values_nm: Mapping[int, int], last_limit_nm: int) -> tuple[list[int], list[int]]:
    """Return upper edges (nm) and counts; one more count for what lies above the last edge.

    Args:
        values_nm: How often each value was measured.
        last_limit_nm: The last tolerance limit: it is the last edge. Classes are of equal
            width but for the nanometre that makes it so; a value equal to an edge belongs
            below it, as it does at a limit.
    """
    number = min(_HISTOGRAM_CLASSES, last_limit_nm)
    edges = [last_limit_nm * (i + 1) // number for i in range(number)]
    counts = [0] * (number + 1)
    for value, times in values_nm.items():
        counts[bisect_left(edges, value)] += times
    return edges, counts
