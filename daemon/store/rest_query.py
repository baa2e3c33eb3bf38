"""Questions about the rest of a lot, answered from the facts."""

import sqlite3
from contextlib import suppress
from dataclasses import dataclass, replace

from rules.draw import draw_order
from rules.first_clamping import Tally
from rules.rest_plan import RestPlan
from rules.rest_view import LookTaken, SampleDrawn
from rules.ruleset import Limit
from rules.switching import (
    CorrectiveAction,
    LotJudged,
    Switching,
    SwitchingError,
    SwitchingEvent,
    step,
)
from rules.tray import TrayWalk, from_ranges


@dataclass(frozen=True, slots=True)
class Boundary:
    """A draw or a look: pieces begun before it are on one side, later ones on the other."""

    after_piece: int
    seq: int


def plan_of(db: sqlite3.Connection, lot_id: int) -> RestPlan | None:
    """Return how the rest of a lot is judged; None where its rule file named no plan."""
    row = db.execute(
        "SELECT plan, grade, tolerance_nm, acceptance_nm, is_drawn, limiting_quality,"
        " consumers_risk, acceptance_number, further, edition, aql, level, severity"
        " FROM rest_plans WHERE lot = ?",
        (lot_id,),
    ).fetchone()
    if row is None:
        return None
    kind, grade, tolerance, acceptance, is_drawn, *more = row
    limits = db.execute(
        "SELECT tolerance_nm, tolerance_nm - acceptance_nm, position FROM rest_limits"
        " WHERE lot = ? ORDER BY position",
        (lot_id,),
    )
    positions = tuple(Limit(*limit) for limit in limits)
    plan = RestPlan(kind, grade, tolerance, acceptance, bool(is_drawn), *more)
    return replace(plan, positions=positions)


def given_seed(db: sqlite3.Connection, lot_id: int) -> str:
    """Return the seed given at the opening, "" if none was."""
    row = db.execute("SELECT given_seed FROM trays WHERE lot = ?", (lot_id,)).fetchone()
    return str(row[0]) if row is not None else ""


def sample_of(db: sqlite3.Connection, lot_id: int) -> tuple[SampleDrawn, Boundary] | None:
    """Return the sample drawn of the rest of a lot, and where it lies between the pieces."""
    row = db.execute(
        "SELECT after_piece, pieces, size, acceptance_number, by_record, seed, seq FROM draws"
        " WHERE lot = ? AND purpose = 'sample'",
        (lot_id,),
    ).fetchone()
    if row is None:
        return None
    after, rest, size, accepts, by_record, seed, seq = row
    return SampleDrawn(after, rest, size, accepts, bool(by_record), seed), Boundary(after, seq)


def cells_drawn_from(db: sqlite3.Connection, lot_id: int) -> tuple[int, ...]:
    """Return the cells the sample of a lot was drawn from."""
    (cells,) = db.execute(
        "SELECT cells FROM draws WHERE lot = ? AND purpose = 'sample'", (lot_id,)
    ).fetchone()
    return from_ranges(cells)


def looks_of(db: sqlite3.Connection, lot_id: int) -> list[tuple[LookTaken, Boundary]]:
    """Return the looks of a lot, each as recorded last, and where each was first taken."""
    rows = db.execute(
        "SELECT look, after_piece, pieces, beyond, doubtful, at_most, outcome, seq FROM looks"
        " WHERE lot = ? ORDER BY id",
        (lot_id,),
    )
    found: dict[int, tuple[LookTaken, Boundary]] = {}
    for look, after, pieces, beyond, doubtful, at_most, outcome, seq in rows:
        tally = Tally(pieces, beyond, doubtful)
        where = found[look][1] if look in found else Boundary(after, seq)
        found[look] = (LookTaken(look, after, tally, at_most or 0, outcome), where)
    return [found[look] for look in sorted(found)]


def drawn_set_aside(db: sqlite3.Connection, lot_id: int) -> list[int]:
    """Return the sequence numbers of pieces that visual inspection kept from a draw."""
    rows = db.execute(
        "SELECT seq FROM visual_findings WHERE lot = ? AND is_drawn = 1 ORDER BY id", (lot_id,)
    )
    return [seq for (seq,) in rows]


def tray_walk(db: sqlite3.Connection, lot_id: int) -> TrayWalk | None:
    """Return the tray of a lot with every cell that is done; None without numbered cells."""
    row = db.execute("SELECT cells FROM trays WHERE lot = ?", (lot_id,)).fetchone()
    if row is None or row[0] is None:
        return None
    draws = {
        purpose: (draw_order(seed, from_ranges(cells)), size)
        for purpose, seed, cells, size in db.execute(
            "SELECT purpose, seed, cells, size FROM draws WHERE lot = ? AND by_record = 1",
            (lot_id,),
        )
    }
    walk = TrayWalk(int(row[0]), draws["order"][0] if "order" in draws else None)
    take_cells(db, lot_id, walk)
    for (cell,) in db.execute(
        "SELECT CAST(tray_cell AS INTEGER) FROM pieces WHERE lot = ? AND tray_cell IS NOT NULL",
        (lot_id,),
    ):
        walk.take(cell)
    if "sample" in draws:
        walk.draw(*draws["sample"])
    return walk


def take_cells(db: sqlite3.Connection, lot_id: int, walk: TrayWalk) -> None:
    """Take the cells that are done without a piece of their own: empty ones, set aside."""
    for (cell,) in db.execute("SELECT cell FROM empty_cells WHERE lot = ?", (lot_id,)):
        walk.take(cell, is_empty=True)
    for (cell,) in db.execute(
        "SELECT cell FROM visual_findings WHERE lot = ? AND cell IS NOT NULL", (lot_id,)
    ):
        walk.take(cell)


def boxes_of(db: sqlite3.Connection, lot_id: int) -> list[tuple[str, str, int | None, int]]:
    """Return bin, label, capacity of the boxes that stand there now, and pieces in each."""
    rows = db.execute(
        "SELECT b.bin, b.label, b.capacity,"
        " (SELECT count(*) FROM put_aways a WHERE a.box = b.id AND a.is_right = 1)"
        " FROM boxes b WHERE b.lot = ? AND b.id ="
        " (SELECT max(m.id) FROM boxes m WHERE m.lot = b.lot AND m.bin = b.bin)"
        " ORDER BY b.bin",
        (lot_id,),
    )
    return rows.fetchall()


def series_of(
    db: sqlite3.Connection, article: str, edition: str, aql: str, level: str
) -> Switching:
    """Return where the series of lots of an article stands, from the looks on record.

    Each lot counts as it was judged last, in the order in which they were judged first, on
    whichever bench. Lots opened under another AQL, level or edition are another series.
    """
    rows = db.execute(
        "SELECT last_value(k.outcome) OVER one, k.id, k.lot"
        " FROM looks k JOIN rest_plans r ON r.lot = k.lot JOIN lots l ON l.id = k.lot"
        " WHERE l.article = ? AND r.plan = 'aql' AND r.edition = ? AND r.aql = ?"
        " AND r.level = ? WINDOW one AS (PARTITION BY k.lot ORDER BY k.id"
        " ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING) ORDER BY k.id",
        (article, edition, aql, level),
    ).fetchall()
    judged: dict[int, tuple[float, SwitchingEvent]] = {}
    for outcome, look, lot in rows:
        if outcome != "nothing-left":  # no sample judged it
            judged.setdefault(lot, (look, LotJudged(outcome == "accepted")))
    resumed = db.execute(
        "SELECT after_look FROM sampling_resumed WHERE article = ?", (article,)
    )
    events = [*judged.values(), *((after + 0.5, CorrectiveAction()) for (after,) in resumed)]
    state = Switching()
    for _, event in sorted(events, key=lambda entry: entry[0]):
        with suppress(SwitchingError):
            state, _ = step(state, event)
    return state
