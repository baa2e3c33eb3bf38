"""Rows → the facts that ``rules.assurance`` and ``rules.check_due`` fold, in order."""

import sqlite3
from collections.abc import Iterable, Iterator
from datetime import datetime
from operator import attrgetter
from typing import Any, get_args

from rules.assurance_model import (
    AssuranceFact,
    Checked,
    Disposed,
    Disturbed,
    Graded,
    PutAway,
    Voided,
)
from rules.lot import box_name
from rules.masters import CheckKind
from rules.moment import Moment

Asked = frozenset[CheckKind]
"""Kinds of check that were asked for when a fact was recorded."""

Told = tuple[AssuranceFact, Asked]

HELD_BY_VERDICT = ("guard-band", "invalid")
_KINDS: tuple[CheckKind, ...] = get_args(CheckKind)


def asked_words(asked: Asked) -> str:
    """Return the kinds asked for as a record states them; "" for none."""
    return " ".join(sorted(asked))


def asked_of(words: str) -> Asked:
    """Return the kinds that a record states."""
    return frozenset(kind for kind in _KINDS if kind in words.split())


def moment_of(utc: str, is_trusted: bool, boot: str, mono_ns: int) -> Moment:
    """Return a recorded moment."""
    return Moment(datetime.fromisoformat(utc), is_trusted, boot, mono_ns)


def facts_of_lot(db: sqlite3.Connection, bench: str, lot_id: int, code: str) -> list[Told]:
    """Return every fact on the pieces of a lot, and the checks from the last but one before."""
    after = start_of(db, bench, lot_id)
    facts = [
        *_checks(db, bench, after), *_disturbances(db, bench, after),
        *_verdicts(db, "p.lot = ?", lot_id), *_put_aways(db, lot_id, code),
        *_voids(db, lot_id, code, after), *_dispositions(db, lot_id, code),
    ]  # fmt: skip
    return _in_order(facts)


def facts_of_checks(db: sqlite3.Connection, bench: str) -> list[Told]:
    """Return what makes a check due: checks, disturbances, verdicts since the last but one."""
    after = start_of(db, bench, None)
    facts = [
        *_checks(db, bench, after), *_disturbances(db, bench, after),
        *_verdicts(db, "l.bench = ? AND v.seq > ?", bench, after),
    ]  # fmt: skip
    return _in_order(facts)


def start_of(db: sqlite3.Connection, bench: str, lot_id: int | None) -> int:
    """Return the check from which a fold can start: none of its pieces lies before it.

    The last but one that opened a span, so that the last one is told with both its halves;
    0 where there are not so many.
    """
    (first,) = db.execute(
        "SELECT min(v.seq) FROM verdicts v JOIN cycles c ON c.id = v.cycle"
        " JOIN pieces p ON p.id = c.piece WHERE p.lot = ?",
        (lot_id,),
    ).fetchone()
    row = db.execute(
        "SELECT seq FROM checks WHERE bench = ? AND opens_span = 1"
        " AND seq < coalesce(?, seq + 1)"
        " ORDER BY seq DESC LIMIT 1 OFFSET 1",
        (bench, first),
    ).fetchone()
    return int(row[0]) if row is not None else 0


def _in_order(facts: Iterable[Told]) -> list[Told]:
    return sorted(facts, key=lambda told: attrgetter("seq")(told[0]))


def _checks(db: sqlite3.Connection, bench: str, after: int) -> Iterator[Told]:
    rows = db.execute(
        "SELECT k.seq, k.kind, k.result, k.at_utc, k.trusted, e.boot, e.mono_ns, k.reason,"
        " k.asked FROM checks k JOIN events e ON e.bench = k.bench AND e.seq = k.seq"
        " WHERE k.bench = ? AND k.seq > ?",
        (bench, after),
    )
    for seq, kind, result, utc, trusted, boot, mono_ns, reason, asked in rows:
        at = moment_of(utc, bool(trusted), boot, mono_ns)
        yield Checked(seq, kind, result, at, reason), asked_of(asked)


def _disturbances(db: sqlite3.Connection, bench: str, after: int) -> Iterator[Told]:
    rows = db.execute(
        "SELECT d.seq, d.cause, d.at_utc, d.trusted, e.boot, e.mono_ns, d.ends_span"
        " FROM disturbances d"
        " JOIN events e ON e.bench = d.bench AND e.seq = d.seq"
        " WHERE d.bench = ? AND d.seq > ?",
        (bench, after),
    )
    for seq, cause, utc, trusted, boot, mono_ns, ends_span in rows:
        at = moment_of(utc, bool(trusted), boot, mono_ns)
        yield Disturbed(seq, cause, at, ends_span is not None), frozenset()


def _verdicts(db: sqlite3.Connection, where: str, *values: object) -> Iterator[Told]:
    rows = db.execute(
        "SELECT v.seq, l.code, p.number, v.grade, v.why, v.at_utc, v.clock_synced, e.boot,"
        " e.mono_ns, p.tray_cell, v.checks_asked, v.meets, (SELECT min(k.seq)"
        " FROM clampings k WHERE k.cycle = c.id) FROM lots l"
        " JOIN pieces p ON p.lot = l.id JOIN cycles c ON c.piece = p.id"
        " JOIN verdicts v ON v.cycle = c.id"
        f" JOIN events e ON e.bench = l.bench AND e.seq = v.seq WHERE {where}",
        values,
    )
    for (seq, code, number, grade, why, utc, synced, boot, mono_ns, cell, asked, meets,
         began) in rows:  # fmt: skip
        at = moment_of(utc, synced != "no", boot, mono_ns)
        graded = Graded(
            seq, (code, number), grade, at, tuple(meets.split()), why in HELD_BY_VERDICT,
            began, cell or "",
        )  # fmt: skip
        yield graded, asked_of(asked)


def _put_aways(db: sqlite3.Connection, lot_id: int, code: str) -> Iterator[Told]:
    rows = db.execute(
        "SELECT a.seq, p.number, a.bin, b.label FROM pieces p JOIN cycles c ON c.piece = p.id"
        " JOIN put_aways a ON a.cycle = c.id AND a.is_right = 1"
        " LEFT JOIN boxes b ON b.id = a.box WHERE p.lot = ?",
        (lot_id,),
    )
    for seq, number, bin_id, label in rows:
        yield PutAway(seq, (code, number), box_name(label, bin_id, code)), frozenset()


def _voids(db: sqlite3.Connection, lot_id: int, code: str, after: int) -> Iterator[Told]:
    """Yield the verdicts made void: a piece given up before it had one may lie before all."""
    rows = db.execute(
        "SELECT x.seq, p.number FROM corrections x JOIN pieces p ON p.id = x.piece"
        " WHERE p.lot = ? AND x.what IN ('retry', 'abandoned') AND x.seq > ?",
        (lot_id, after),
    )
    for seq, number in rows:
        yield Voided(seq, (code, number)), frozenset()


def _dispositions(db: sqlite3.Connection, lot_id: int, code: str) -> Iterator[Told]:
    rows: Iterable[tuple[Any, ...]] = db.execute(
        "SELECT d.seq, d.action, p.number, d.box, d.grade, d.role, d.reason, d.at_utc,"
        " d.clock_synced, e.boot, e.mono_ns FROM dispositions d"
        " JOIN events e ON e.bench = d.bench AND e.seq = d.seq"
        " LEFT JOIN pieces p ON p.id = d.piece WHERE d.lot = ?",
        (lot_id,),
    )
    for seq, action, number, box, grade, role, reason, utc, synced, boot, mono_ns in rows:
        piece = None if number is None else (code, number)
        at = moment_of(utc, synced != "no", boot, mono_ns)
        yield Disposed(seq, action, piece, box, grade, role, reason, at), frozenset()
