"""What the store holds of a piece, as it stands there: rows, many at a time."""

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

__all__ = [
    "StoredClamping", "StoredCycle", "StoredLot", "StoredPosition", "StoredVerdict",
    "count_cycles", "lots", "stored_cycles",
]  # fmt: skip

_AT_ONCE = 400
"""Cycles fetched together: a query for each would cost more than what it answers."""


@dataclass(frozen=True, slots=True)
class StoredLot:
    """A lot, open or closed."""

    id: int
    bench: str
    code: str
    article: str
    quantity: int | None
    holder: str
    opened_utc: str
    is_open: bool
    torque_tool: str
    torque_nmm: int | None


@dataclass(frozen=True, slots=True)
class StoredPosition:
    """Run-out at one indicator as recorded; ``turns_nm`` is the JSON text of the row."""

    position: str
    indicator: str
    tir_nm: int | None
    seen_nm: int | None
    turns_nm: str
    samples: int
    closure_nm: int | None
    invalid: str | None


@dataclass(slots=True)
class StoredClamping:
    """A clamping as recorded, with its readings as they lie in the store."""

    id: int
    number: int
    result: str
    tir_nm: int | None
    seen_nm: int | None
    invalid: str | None
    meets: str
    mode: str
    proof: str
    loosening: str
    loosening_nm: int | None
    loosening_ns: int | None
    rules_sha256: str
    bench_sha256: str
    evaluation: str
    at_utc: str
    sweep: bytes
    positions: list[StoredPosition] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class StoredVerdict:
    """A verdict as recorded: ``decision_rule`` as JSON text, ``loosening_observed`` 0 or 1."""

    grade: str | None
    bin: str
    why: str
    reason: str
    decision_rule: str
    rules_revision: str
    rules_sha256: str
    loosening_observed: int
    at_utc: str


@dataclass(slots=True)
class StoredCycle:
    """One cycle of a piece with everything that was kept of it.

    Attributes:
        id: Its row.
        bench: Whose bench.
        lot: Code of the lot.
        article: What is in it.
        piece: Number of the piece.
        number: Cycle of the piece, from 1.
        kind: Why it was opened.
        how: How it ended; None while it is open.
        verdict: Its verdict, if it settled one.
        clampings: In order.
    """

    id: int
    bench: str
    lot: str
    article: str
    piece: int
    number: int
    kind: str
    how: str | None
    verdict: StoredVerdict | None = None
    clampings: list[StoredClamping] = field(default_factory=list)


def lots(
    db: sqlite3.Connection, code: str | None = None, bench: str | None = None
) -> list[StoredLot]:
    """Return lots, the newest first: all of them, or those of a code or a bench."""
    rows = db.execute(
        "SELECT id, bench, code, article, quantity, holder, opened_utc,"
        " NOT EXISTS (SELECT 1 FROM lot_ends e WHERE e.lot = lots.id), torque_tool, torque_nmm"
        " FROM lots"
        " WHERE code = coalesce(?, code) AND bench = coalesce(?, bench) ORDER BY id DESC",
        (code, bench),
    )
    return [
        StoredLot(
            row_id, of_bench, name, article, quantity, holder, opened, bool(is_open), tool, nmm
        )
        for (
            row_id,
            of_bench,
            name,
            article,
            quantity,
            holder,
            opened,
            is_open,
            tool,
            nmm,
        ) in rows
    ]


def count_cycles(db: sqlite3.Connection, lot_ids: Sequence[int]) -> int:
    """Return how many cycles these lots have."""
    (count,) = db.execute(
        "SELECT count(*) FROM cycles c JOIN pieces p ON p.id = c.piece"
        f" WHERE p.lot IN ({_marks(lot_ids)})",
        lot_ids,
    ).fetchone()
    return int(count)


def stored_cycles(
    db: sqlite3.Connection, lot_id: int, piece: int | None = None
) -> Iterator[StoredCycle]:
    """Return the cycles of a lot, or of one piece of it, in the order they were opened."""
    last = 0
    while True:
        rows = db.execute(
            "SELECT c.id, l.bench, l.code, l.article, p.number, c.number, c.kind, e.how"
            " FROM pieces p JOIN cycles c ON c.piece = p.id JOIN lots l ON l.id = p.lot"
            " LEFT JOIN cycle_ends e ON e.cycle = c.id"
            " WHERE p.lot = ? AND p.number = coalesce(?, p.number) AND c.id > ?"
            " ORDER BY c.id LIMIT ?",
            (lot_id, piece, last, _AT_ONCE),
        ).fetchall()
        if not rows:
            return
        found = {row[0]: StoredCycle(*row) for row in rows}
        last = rows[-1][0]
        _with_verdicts(db, found)
        _with_clampings(db, found)
        yield from found.values()


def _with_verdicts(db: sqlite3.Connection, cycles: dict[int, StoredCycle]) -> None:
    rows = db.execute(
        "SELECT cycle, grade, bin, why, reason, decision_rule, rules_revision, rules_sha256,"
        f" loosening_observed, at_utc FROM verdicts WHERE cycle IN ({_marks(cycles)})",
        tuple(cycles),
    )
    for cycle, *values in rows:
        cycles[cycle].verdict = StoredVerdict(*values)


def _with_clampings(db: sqlite3.Connection, cycles: dict[int, StoredCycle]) -> None:
    rows = db.execute(
        "SELECT cycle, id, number, result, tir_nm, seen_nm, invalid, meets, mode, proof,"
        " loosening, loosening_nm, loosening_ns, rules_sha256, bench_sha256, evaluation,"
        f" at_utc, sweep FROM clampings WHERE cycle IN ({_marks(cycles)})"
        " ORDER BY cycle, number",
        tuple(cycles),
    )
    by_id: dict[int, StoredClamping] = {}
    for cycle, *values in rows:
        clamping = StoredClamping(*values)
        cycles[cycle].clampings.append(clamping)
        by_id[clamping.id] = clamping
    _with_positions(db, by_id)


def _with_positions(db: sqlite3.Connection, clampings: dict[int, StoredClamping]) -> None:
    ids = sorted(clampings)
    for start in range(0, len(ids), _AT_ONCE):
        some = ids[start : start + _AT_ONCE]
        rows = db.execute(
            "SELECT clamping, position, indicator, tir_nm, seen_nm, turns_nm, samples,"
            " closure_nm, invalid FROM clamping_positions"
            f" WHERE clamping IN ({_marks(some)}) ORDER BY clamping, position",
            some,
        )
        for clamping, *values in rows:
            clampings[clamping].positions.append(StoredPosition(*values))


def _marks(values: Sequence[int] | dict[int, StoredCycle]) -> str:
    return ", ".join("?" * len(values))
