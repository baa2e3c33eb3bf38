"""Whether a bench's master check is due: folded from the record, looked at with the clock."""

import json
import sqlite3
from collections.abc import Iterable
from zoneinfo import ZoneInfo

from daemon.clock import rfc3339
from daemon.config import BenchConfig
from daemon.messages import RECENT_CHECKS, CheckStatus, RecentCheck
from daemon.store import Store
from daemon.store.recent_checks import recent_checks
from rules.assurance_model import CHANGES, AssuranceFact, Checked, Disturbed
from rules.bench import DueChanged
from rules.check_at_bench import CheckAtWork, CheckStanding, ZeroKey
from rules.check_due import CAUSE_TEXT, DueState, fold, look, step
from rules.moment import Moment

_NS_PER_S = 1_000_000_000

_MOVES_ZERO = ("reconnect", "pin-change", "holder-change", "indicator-change")
"""After these the zero is another one: it did not drift."""


class CheckWatch:
    """Keeps up what makes a check of one bench due.

    Attributes:
        rules: When checks are due.
        state: What happened since the last good one.
        recent: The last checks, newest first.
    """

    def __init__(self, one: BenchConfig, zone: ZoneInfo, store: Store) -> None:
        """Take up the bench; ``load`` reads the record."""
        self.rules = one.section.check.due_rules(zone)
        self.state = DueState()
        self.recent: list[RecentCheck] = []
        self._one = one
        self._store = store
        self._zeros: dict[ZeroKey, int] = {}
        self._disturbed = ""

    @property
    def is_on(self) -> bool:
        """Return whether the bench file asks for checks."""
        return bool(self.rules.asked)

    def load(self) -> None:
        """Fold what the store holds.

        Raises:
            StoreError: If it can't be read.
        """
        self.state = fold(self._store.fitness_facts(self._one.id), self.rules)
        self._load_checks()

    def take(self, news: Iterable[AssuranceFact]) -> None:
        """Take facts that were committed.

        Raises:
            StoreError: If the store can't be read.
        """
        for fact in news:
            self.state = step(self.state, fact, self.rules)
            if isinstance(fact, Disturbed):
                self._disturbed = CAUSE_TEXT[fact.cause]
            if isinstance(fact, Checked | Disturbed):
                self._load_checks()

    def judged(self, now: Moment) -> DueChanged:
        """Return what the bench is told now; of a disturbance it is told once."""
        good = frozenset(kind for kind, _ in self.state.halves)
        standing = CheckStanding(good, dict(self._zeros))
        disturbed, self._disturbed = self._disturbed, ""
        due = look(self.state, now, self.rules)
        return DueChanged(due, standing, bool(self.state.failed), disturbed)

    def status(
        self, now: Moment, at_work: CheckAtWork | None, open_pieces: int, held: int
    ) -> CheckStatus:
        """Return what state topic and command line say."""
        due = look(self.state, now, self.rules)
        good_at = self.state.good_at
        is_proved = not self.state.failed and not CHANGES & set(self.state.causes)
        is_open = self.is_on and good_at is not None and is_proved
        return CheckStatus(
            asked=sorted(self.rules.asked),
            level=due.level if self.is_on else "off",
            reasons=list(due.reasons) if self.is_on else [],
            last_good=None if good_at is None else rfc3339(good_at.utc),
            pieces_left=self._pieces_left(),
            minutes_left=self._minutes_left(now),
            kind=None if at_work is None else at_work.kind,
            seat=None if at_work is None else at_work.seat,
            span="open" if is_open else "none",
            open_pieces=open_pieces,
            held=held,
        )

    def _pieces_left(self) -> int | None:
        every = self.rules.every_pieces
        if not self.is_on or every is None or self.state.good_at is None:
            return None
        return max(0, every - self.state.pieces)

    def _minutes_left(self, now: Moment) -> int | None:
        every, good_at = self.rules.every_s, self.state.good_at
        if not self.is_on or every is None or good_at is None:
            return None
        gone_ns = now.since_ns(good_at)
        return None if gone_ns is None else max(0, every - gone_ns // _NS_PER_S) // 60

    def _load_checks(self) -> None:
        if self.is_on:
            with self._store.reading() as db:
                self._zeros = zeros_of(db, self._one)
                self.recent = recent_checks(db, self._one.id, RECENT_CHECKS)


def zeros_of(db: sqlite3.Connection, one: BenchConfig) -> dict[ZeroKey, int]:
    """Return the mean indication at the last good check of each kind, by position."""
    marks = ", ".join("?" * len(_MOVES_ZERO))
    found: dict[ZeroKey, int] = {}
    for master in one.section.check.master:
        row = db.execute(
            "SELECT figures FROM checks WHERE bench = ? AND kind = ? AND master = ?"
            " AND result = 'good' AND seq > coalesce((SELECT max(seq) FROM disturbances"
            f" WHERE bench = ? AND cause IN ({marks})), 0) ORDER BY seq DESC LIMIT 1",
            (one.id, master.kind, master.id, one.id, *_MOVES_ZERO),
        ).fetchone()
        for figure in json.loads(row[0]) if row is not None else ():
            if figure["zero_nm"] is not None:
                found[master.kind, figure["position"]] = figure["zero_nm"]
    return found
