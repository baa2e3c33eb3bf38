"""A lot's report from its record: where its pieces are, its rest, its distribution."""

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field

from daemon.messages import RestState
from daemon.store import lot_query
from daemon.store.lot_run_outs import PositionRunOuts, lot_run_outs
from daemon.store.rest_data import circumstances, rest_state, words_of
from daemon.store.standing import Standing
from daemon.store.stored import StoredLot
from daemon.store.texts import StoredTexts
from rules.capability import FirstClampings, first_clampings
from rules.distribution import DistributionError, Estimate, Fit, counted_share, fit
from rules.length import nm_to_um
from rules.lot import LotView
from rules.rest_view import judged_now
from rules.rest_words import RestWords
from rules.ruleset import Grade, RuleSet
from rules.separation import SeparationError, holder_share


@dataclass(frozen=True, slots=True)
class ShareBeyond:
    """First clampings above one limit.

    Attributes:
        grade: Whose limit it is.
        limit_um: The limit.
        is_acceptance: Whether it is the acceptance limit and not the tolerance limit.
        beyond: First clampings above it.
        counted: Their share with its exact interval.
        by_model: The share that the fitted spreads give; None without a fit.
    """

    grade: str
    limit_um: float
    is_acceptance: bool
    beyond: int
    counted: Estimate
    by_model: Estimate | None


@dataclass(slots=True)
class PositionReport:
    """How run-out is distributed at one position.

    Attributes:
        position: Where the indicator sits.
        firsts_um: Run-out of each piece's first valid clamping.
        holder_um: Length of the holder's vector that the models were given.
        holder_from: First clampings it was taken from; 0: none has a direction.
        shares: First clampings above each limit.
        law: What describes the first clampings; None where nothing can be fitted.
        spreads: The collets' own spread and that of the clampings; None likewise.
        without: Why something could not be fitted.
        ordinary_um: The last grade's tolerance limit here.
    """

    position: str
    firsts_um: list[float]
    holder_um: float = 0.0
    holder_from: int = 0
    shares: list[ShareBeyond] = field(default_factory=list)
    law: FirstClampings | None = None
    spreads: Fit | None = None
    without: list[str] = field(default_factory=list)
    ordinary_um: float = 0.0

    @property
    def is_described(self) -> bool:
        """Return whether the law of two normal spreads describes the first clampings."""
        return self.law is not None and self.law.is_described


@dataclass(frozen=True, slots=True)
class LotReport:
    """What the record says of a lot as a whole.

    Attributes:
        lot: Which one.
        rules: What it was told last to go by: else what it was opened with.
        changes: Since when, by revision, where it was told another than at its opening.
        view: Its counts as of now.
        counts: Its pieces by status and grade.
        rest: What is proved of the rest; None without a plan.
        words: The same in words; None before anything is said.
        draws: Purpose, algorithm, seed, cells drawn from, and size of each draw.
        positions: How run-out is distributed.
    """

    lot: StoredLot
    rules: RuleSet
    changes: tuple[tuple[str, str, str], ...]
    view: LotView
    counts: dict[str, dict[str, int]]
    rest: RestState | None
    words: RestWords | None
    draws: tuple[tuple[str, str, str, str, int], ...]
    positions: tuple[PositionReport, ...]


def report_lot(db: sqlite3.Connection, lot: StoredLot) -> LotReport:
    """Return the report of a lot, open or closed.

    Raises:
        TextFaultError: If its rule file can't be gone by.
    """
    rules = StoredTexts(db).rules(lot_query.rules_of(db, lot.id), lot.article)
    standing = Standing(lot.id)
    standing.load(db)
    counts = standing.counts()
    view = lot_query.lot_view(db, lot.id, standing.last, counts, standing.rest)
    draws = db.execute(
        "SELECT purpose, algorithm, seed, cells, size FROM draws WHERE lot = ? ORDER BY id",
        (lot.id,),
    )
    positions = tuple(_position(one, rules) for one in lot_run_outs(db, lot.id))
    words = _words(view, counts, rules, master_tir_nm(db, lot))
    changes = db.execute(
        "SELECT before_revision, revision, at_utc FROM lot_rules WHERE lot = ? ORDER BY id",
        (lot.id,),
    ).fetchall()
    return LotReport(
        lot, rules, tuple(changes), view, counts, rest_state(view), words,
        tuple(draws.fetchall()), positions,
    )  # fmt: skip


def master_tir_nm(db: sqlite3.Connection, lot: StoredLot) -> int | None:
    """Return the run-out the last good check of a lot showed, or the last before it opened.

    Over the positions of the bench the largest; None where no check gave any.
    """
    row = db.execute(
        "SELECT figures FROM checks WHERE bench = ? AND kind = 'run-out' AND result = 'good'"
        " AND (lot = ? OR at_utc <= ?) ORDER BY seq DESC LIMIT 1",
        (lot.bench, lot.id, lot.opened_utc),
    ).fetchone()
    if row is None:
        return None
    readings = [one["reading_nm"] for one in json.loads(row[0])]
    return max((nm for nm in readings if nm is not None), default=None)


def _words(
    view: LotView,
    counts: dict[str, dict[str, int]],
    rules: RuleSet,
    master_nm: int | None,
) -> RestWords | None:
    found = judged_now(view.rest) if view.rest is not None else None
    if view.rest is None or found is None:
        return None
    put_away = counts.get("put-away", {})
    taken = sum(put_away.get(grade.id, 0) for grade in rules.grades[:-1])
    about = circumstances(view.code, view.rest, taken, master_nm)
    return words_of(view.rest, found, about)


def _position(seen: PositionRunOuts, rules: RuleSet) -> PositionReport:
    firsts = [nm_to_um(nm) for nm in seen.firsts_nm]
    found = PositionReport(seen.position, firsts)
    found.ordinary_um = nm_to_um(rules.grades[-1].limit_at(seen.position).tolerance_limit_nm)
    try:
        share = holder_share(list(seen.vectors.values()))
        found.holder_um, found.holder_from = share.run_out_nm / 2_000, share.clampings
    except SeparationError:
        found.without.append("no direction of run-out is known: the holder is taken as true")
    try:
        found.law = first_clampings(firsts, found.holder_um)
    except DistributionError as error:
        found.without.append(str(error))
    try:
        pieces = [[nm_to_um(nm) for nm in run_outs] for run_outs in seen.pieces.values()]
        found.spreads = fit(pieces, found.holder_um)
    except DistributionError as error:
        found.without.append(str(error))
    found.shares = list(_shares(seen, rules.grades, found.spreads))
    return found


def _shares(
    seen: PositionRunOuts, grades: tuple[Grade, ...], spreads: Fit | None
) -> Iterator[ShareBeyond]:
    firsts = seen.firsts_nm
    for grade in grades:
        limit = grade.limit_at(seen.position)
        for limit_nm in dict.fromkeys((limit.acceptance_limit_nm, limit.tolerance_limit_nm)):
            beyond = sum(nm > limit_nm for nm in firsts)
            limit_um = nm_to_um(limit_nm)
            yield ShareBeyond(
                grade.id, limit_um, limit_nm == limit.acceptance_limit_nm, beyond,
                counted_share(beyond, len(firsts)),
                spreads.share_beyond(limit_um) if spreads is not None else None,
            )  # fmt: skip
