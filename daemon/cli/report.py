"""``reclamp lot report``: what a lot's record says of it as a whole."""

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from textwrap import wrap
from typing import Annotated, Any

import typer

from daemon.cli.answers import ANSWER_IS_NO, refuse, reported
from daemon.cli.asking import DEFAULT_FILE, AsJson, BenchFile, BenchName
from daemon.cli.stored import LotCode, StoreFile, one_lot, store_path
from daemon.lot_report import LotReport, PositionReport, ShareBeyond, report_lot
from daemon.picture.file import SUFFIXES, write_picture
from daemon.picture.lot_page import drawn_lot
from daemon.store.read_only import reading_only
from daemon.store.texts import TextFaultError
from rules.distribution import Estimate
from rules.torque import tightened_text

_WIDTH = 96

_LEAST_SHARE = 1e-4

_STATUSES = {
    "nonconforming": "nonconforming", "hold": "on hold", "pending": "in hand",
    "in-work": "in work", "abandoned": "given up",
    "released": "released from hold", "scrapped": "scrapped", "concession": "by concession",
    "replaced": "measured again under new numbers",
}  # fmt: skip


def lot_report(
    config: BenchFile = DEFAULT_FILE,
    store: StoreFile = None,
    lot: LotCode = None,
    bench: BenchName = None,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", help="Draw its first clampings: FILE.svg or FILE.png."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Report a lot: its pieces, what is proved of the rest, how its run-out is distributed.

    Exit 0 if the rest is proved or there is none, 1 otherwise.
    """
    if plot is not None and plot.suffix.lower() not in SUFFIXES:
        refuse(f"--plot {plot}: accepted are files that end in {' or '.join(SUFFIXES)}")
    with reported():
        with reading_only(store_path(config, store)) as db:
            found = one_lot(db, lot, bench)
            try:
                report = report_lot(db, found)
            except TextFaultError as error:
                refuse(str(error))
        if plot is not None:
            write_picture(drawn_lot(report), plot)
    if as_json:
        typer.echo(json.dumps(_as_json(report), ensure_ascii=False))
    else:
        for line in _lines(report):
            typer.echo(line)
        if plot is not None:
            typer.echo(f"drawn: {plot}")
    if report.rest is not None and not _is_settled(report):
        raise typer.Exit(ANSWER_IS_NO)


def _is_settled(report: LotReport) -> bool:
    outcome = report.rest.outcome if report.rest is not None else None
    return outcome in ("proved", "accepted", "nothing-left")


def _lines(report: LotReport) -> Iterator[str]:
    lot, rules = report.lot, report.rules
    state = "open" if lot.is_open else "closed"
    yield f"lot {lot.code} ({lot.article}), bench {lot.bench}, {state}"
    yield f"  rules {rules.revision} ({rules.sha256[:8]}), opened {lot.opened_utc}"
    yield f"  {tightened_text(lot.torque_tool, lot.torque_nmm)}"
    for before, after, at_utc in report.changes:
        yield f"  rules {after} in place of {before} since {at_utc}: limits below are the last"
    yield from _pieces(report)
    yield from _rest(report)
    for one in report.positions:
        yield from _position(one)


def _pieces(report: LotReport) -> Iterator[str]:
    view = report.view
    yield f"  {'came in':<15}{view.quantity if view.quantity is not None else 'not counted'}"
    for grade in report.rules.grades:
        found = report.counts.get("put-away", {}).get(grade.id, 0)
        ordered = view.ordered.get(grade.id)
        yield f"  {grade.id:<15}{found}" + (f", {ordered} ordered" if ordered else "")
    for status, name in _STATUSES.items():
        found = sum(report.counts.get(status, {}).values())
        if found:
            yield f"  {name:<15}{found}"
    if view.set_aside:
        yield f"  {'set aside':<15}{view.set_aside}"
    if view.unmeasured is not None:
        yield f"  {'not measured':<15}{view.unmeasured}"


def _rest(report: LotReport) -> Iterator[str]:
    yield "the pieces nobody measured"
    if report.rest is None:
        yield "  the rule file names no plan for them: nothing is stated"
        return
    if report.words is None:
        yield "  no look was due yet: nothing is stated"
        return
    yield from _paragraph(report.words.customer)
    yield "for the statistician"
    yield from _paragraph(report.words.statistician)
    for purpose, algorithm, seed, cells, size in report.draws:
        how = f"{algorithm}, seed {seed!r}, cells {cells}" if seed else "taken by hand"
        yield from _paragraph(f"Draw of the {purpose}: {how}; {size} pieces.")
    yield "assuming"
    for said in report.words.assumptions:
        yield from _paragraph(said, "- ")
    yield "next"
    yield from _paragraph(report.words.what_next)


def _paragraph(text: str, mark: str = "") -> Iterator[str]:
    yield from wrap(
        text, _WIDTH, initial_indent=f"  {mark}", subsequent_indent="  " + " " * len(mark)
    )


def _position(one: PositionReport) -> Iterator[str]:
    yield f"run-out at {one.position}: {len(one.firsts_um)} first clampings, 95 % intervals"
    for share in one.shares:
        yield f"  {_share_line(share, one.is_described)}"
    if one.holder_from:
        yield (
            f"  holder         {2 * one.holder_um:.2f} µm TIR with spindle and nut, "
            f"from {one.holder_from} first clampings"
        )
    if one.spreads is not None:
        own = one.spreads.estimate(lambda spread: spread.own_um)
        scatter = one.spreads.estimate(lambda spread: spread.scatter_um)
        yield f"  collets' own   {_um(own)} of eccentricity an axis"
        yield (
            f"  clamping       {_um(scatter)} an axis; both by likelihood over "
            f"{one.spreads.clampings} clampings, stopped early as they were"
        )
    if one.law is not None:
        yield from _law(one)
    for why in one.without:
        yield from _paragraph(f"not fitted: {why}")


def _law(one: PositionReport) -> Iterator[str]:
    law = one.law
    assert law is not None  # the caller asked
    chance = f"{law.fit_chance:.3f}"
    if not law.is_described:
        yield from _paragraph(
            "The law of two normal spreads does not describe these first clampings (chance "
            f"{chance}): outliers, chips or a mixed batch. Only the counts above hold; no "
            "share by the fit and no capability is quoted."
        )
        return
    yield (
        f"  percentiles    50 %: {_um(law.percentile_um(0.5))}, "
        f"99.865 %: {_um(law.percentile_um(0.99865))}"
    )
    ppk = law.ppk_upper(one.ordinary_um)
    yield (
        f"  PpkU           {ppk.value:.2f} ({ppk.low:.2f} to {ppk.high:.2f}) against "
        f"{one.ordinary_um:g} µm, by percentiles (ISO 22514-2 sense); fit {chance}"
    )


def _share_line(share: ShareBeyond, is_described: bool) -> str:
    kind = "accepts" if share.is_acceptance else "limit"
    text = (
        f"{share.grade:<10} {kind} {share.limit_um:g} µm: {share.beyond} above, "
        f"{_percent(share.counted)}"
    )
    if share.by_model is None or not is_described:
        return text
    return f"{text}; by the fit {_percent(share.by_model)}"


def _um(found: Estimate) -> str:
    return f"{found.value:.2f} µm ({found.low:.2f} to {found.high:.2f})"


def _percent(found: Estimate) -> str:
    value, low, high = map(_in_percent, (found.value, found.low, found.high))
    return f"{value} % ({low} to {high})"


def _in_percent(share: float) -> str:
    """Return a share; how thin a tail is beyond what was seen no model knows."""
    return f"{100 * share:.3g}" if share == 0 or share >= _LEAST_SHARE else "below 0.01"


def _as_json(report: LotReport) -> dict[str, Any]:
    words = report.words
    return {
        "bench": report.lot.bench,
        "lot": report.lot.code,
        "article": report.lot.article,
        "open": report.lot.is_open,
        "torque_tool": report.lot.torque_tool,
        "torque_nmm": report.lot.torque_nmm,
        "rules": {"revision": report.rules.revision, "sha256": report.rules.sha256},
        "rules_changed": [
            dict(zip(("before", "after", "at"), change, strict=True))
            for change in report.changes
        ],
        "quantity": report.view.quantity,
        "unmeasured": report.view.unmeasured,
        "set_aside": report.view.set_aside,
        "ordered": dict(report.view.ordered),
        "counts": report.counts,
        "rest": report.rest.model_dump(mode="json") if report.rest is not None else None,
        "words": asdict(words) if words is not None else None,
        "draws": [
            dict(zip(("purpose", "algorithm", "seed", "cells", "size"), draw, strict=True))
            for draw in report.draws
        ],
        "positions": [_position_json(one) for one in report.positions],
    }


def _position_json(one: PositionReport) -> dict[str, Any]:
    law, spreads = one.law, one.spreads
    return {
        "position": one.position,
        "first_clampings": len(one.firsts_um),
        "holder_um": round(one.holder_um, 4),
        "holder_from": one.holder_from,
        "shares": [asdict(share) for share in one.shares],
        "own_um": None if spreads is None else asdict(spreads.estimate(lambda s: s.own_um)),
        "scatter_um": (
            None if spreads is None else asdict(spreads.estimate(lambda s: s.scatter_um))
        ),
        "fit_chance": None if law is None else law.fit_chance,
        "described": one.is_described,
        "ppk_upper": (
            asdict(law.ppk_upper(one.ordinary_um))
            if law is not None and law.is_described
            else None
        ),
        "without": one.without,
    }
