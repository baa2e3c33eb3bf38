"""``reclamp store ask …`` and ``reclamp store then``: what an auditor asks of the record."""

import json
from datetime import UTC, datetime
from typing import Annotated, Any

import typer

from daemon.cli.answers import refuse, reported
from daemon.cli.asking import DEFAULT_FILE, AsJson, BenchFile, BenchName
from daemon.cli.stored import StoreFile, store_path
from daemon.clock import rfc3339
from daemon.store.as_of import Then, as_of
from daemon.store.questions import QUESTIONS, Question, QuestionError, answer
from daemon.store.read_only import reading_only
from daemon.store.stored import lots

__all__ = ["store_ask", "store_then"]

_NAMES = ", ".join(question.name for question in QUESTIONS)
_Since = Annotated[
    str | None, typer.Option(help="From this time on, 2026-11-24T06:00+01:00; else UTC.")
]
_Until = Annotated[str | None, typer.Option(help="Before this time.")]


def store_ask(
    question: Annotated[
        str | None, typer.Argument(metavar="[QUESTION]", help=f"One of {_NAMES}.")
    ] = None,
    wanted: Annotated[
        list[str] | None, typer.Argument(metavar="[COLUMN=VALUE]...", help="Only such rows.")
    ] = None,
    since: _Since = None,
    until: _Until = None,
    config: BenchFile = DEFAULT_FILE,
    store: StoreFile = None,
    as_json: AsJson = False,
) -> None:
    """Ask the record what a customer or an auditor asks; without a name list the questions."""
    if question is None:
        for one in QUESTIONS:
            typer.echo(f"{one.name:<12} {one.asks} (view {one.view})")
        return
    asked = _question(question)
    with reported(), reading_only(store_path(config, store)) as db:
        try:
            rows = answer(db, asked, _pairs(wanted or []), _utc(since), _utc(until))
        except QuestionError as error:
            refuse(f"store ask {question}: {error}")
    if as_json:
        typer.echo(json.dumps(rows, ensure_ascii=False))
        return
    for row in rows:
        typer.echo("  ".join(f"{name} {_text(value)}" for name, value in row.items()))
    typer.echo(f"{len(rows)} rows: {asked.asks}")


def store_then(
    at: Annotated[
        str, typer.Argument(metavar="TIME", help="2026-11-24T10:42+01:00; else UTC.")
    ],
    config: BenchFile = DEFAULT_FILE,
    store: StoreFile = None,
    bench: BenchName = None,
    as_json: AsJson = False,
) -> None:
    """Tell what the board showed of a bench at a time: counts, order, piece, alarms."""
    moment = _utc(at)
    assert moment is not None
    with reported(), reading_only(store_path(config, store)) as db:
        known = list(dict.fromkeys(lot.bench for lot in lots(db)))
        if bench is None and len(known) == 1:
            (bench,) = known
        if bench not in known:
            refuse(f"--bench: got {bench!r}, accepted are {', '.join(known) or 'none yet'}")
        then = as_of(db, bench, moment)
    if as_json:
        typer.echo(json.dumps(_then(then, bench, moment), ensure_ascii=False))
        return
    for line in _told(then, bench, moment):
        typer.echo(line)


def _question(name: str) -> Question:
    found = next((one for one in QUESTIONS if one.name == name), None)
    if found is None:
        refuse(f"no question {name!r}; accepted are {_NAMES}")
    return found


def _pairs(wanted: list[str]) -> dict[str, str]:
    pairs = {}
    for text in wanted:
        name, sign, value = text.partition("=")
        if not sign:
            refuse(f"got {text!r}; accepted is COLUMN=VALUE")
        pairs[name] = value
    return pairs


def _utc(text: str | None) -> str | None:
    if text is None:
        return None
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        refuse(f"got {text!r}; accepted is a time like 2026-11-24T10:42 or with +01:00")
    return rfc3339(when.astimezone(UTC) if when.tzinfo else when.replace(tzinfo=UTC))


def _text(value: Any) -> str:
    return "-" if value in (None, "") else str(value)


def _then(then: Then, bench: str, moment: str) -> dict[str, Any]:
    work = then.work
    return {
        "bench": bench, "at_utc": moment, "seq": then.seq, "last_event_utc": then.last_utc,
        "lot": then.lot, "article": then.article, "quantity": then.quantity,
        "ordered": then.ordered, "counts": then.counts, "alarms": then.alarms,
        "piece": None if work is None else work.piece,
        "clampings": None if work is None else work.clampings,
        "bin": None if work is None else work.bin,
        "lies_in_bin": None if work is None else work.wrong,
    }  # fmt: skip


def _told(then: Then, bench: str, moment: str) -> list[str]:
    head = f"bench {bench} at {moment}: event {then.seq}"
    if then.lot is None:
        return [f"{head}; no lot was open", *_alarm_lines(then)]
    lines = [f"{head}; lot {then.lot}, {then.article}, {_text(then.quantity)} pieces"]
    for grade, quantity in then.ordered.items():
        done = then.counts.get("put-away", {}).get(grade, 0)
        lines.append(f"  {grade}: {done} of {quantity} ordered")
    for status, grades in sorted(then.counts.items()):
        for grade, pieces in sorted(grades.items()):
            lines.append(f"  {status} {grade}: {pieces}".replace(" :", ":"))
    if then.work is None:
        return [*lines, "  between pieces", *_alarm_lines(then)]
    work = then.work
    doing = f"waits for its put-away in bin {work.bin}" if work.bin else "in work"
    wrong = f", lies in bin {work.wrong}" if work.wrong else ""
    lines.append(f"  piece {work.piece}: {doing}{wrong}; {work.clampings} clampings")
    return [*lines, *_alarm_lines(then)]


def _alarm_lines(then: Then) -> list[str]:
    return [f"  alarm {code}: {text}" for code, text in then.alarms.items()]
