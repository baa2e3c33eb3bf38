"""What must hold of a bench after every step, against the account of ``ledger``."""

import json
import sqlite3
from collections import Counter
from dataclasses import dataclass
from typing import Any

from daemon import snapshot
from daemon.recompute.cycles import recompute
from daemon.store.stored import lots
from rules.assurance import status_of
from tests.daemon.ledger import Happened, Ledger, facts, ledger
from tests.daemon.reckoning_alarms import Alarms
from tests.daemon.reckoning_rest import look_agrees, rest_agrees
from tests.daemon.reckoning_rules import rules_agree
from tests.daemon.whole_bench import NAME, WholeBench

EVERY_PIECES = 4
EVERY_NS = 8 * 3600 * 10**9
SEATS_WITHIN_NS = 600 * 10**9
"""As the bench file asks for checks: see ``tests.daemon.bench_of_sweeps.CHECK``."""

_GRADES = ("grade-1", "grade-2")


@dataclass
class Lot:
    """The newest lot as its rows have it.

    Attributes:
        told: What happened on the bench, in order.
        now: The account of it.
    """

    row: int
    code: str
    quantity: int | None
    is_open: bool
    told: list[Happened]
    now: Ledger


_FIGURES = (
    "SELECT 'events', count(*) FROM events",
    "SELECT 'lots', count(*) FROM lots",
    "SELECT 'lots closed', count(*) FROM lot_ends",
    "SELECT 'pieces', count(*) FROM pieces",
    "SELECT 'clampings', count(*) FROM clampings",
    "SELECT 'cycle: ' || kind, count(*) FROM cycles GROUP BY kind",
    "SELECT 'verdict: ' || why, count(*) FROM verdicts GROUP BY why",
    "SELECT 'check: ' || result, count(*) FROM checks GROUP BY result",
    "SELECT 'cause: ' || cause, count(*) FROM disturbances GROUP BY cause",
    "SELECT 'decided: ' || action, count(*) FROM dispositions GROUP BY action",
    "SELECT 'piece: ' || status, count(*) FROM piece_status GROUP BY status",
    "SELECT 'look: ' || outcome, count(*) FROM looks GROUP BY outcome",
    "SELECT 'alarm: ' || state, count(*) FROM alarm_journal GROUP BY state",
    "SELECT 'told of rules', count(*) FROM lot_rules",
    "SELECT 'rules begun with', count(DISTINCT rules_sha256) FROM clampings",
    "SELECT 'set aside', coalesce(sum(pieces), 0) FROM visual_findings",
    "SELECT 'wrong bins', count(*) FROM put_aways WHERE is_right = 0",
    "SELECT 'event: ' || json_extract(body, '$.data.what'), count(*) FROM events"
    " WHERE kind IN ('lot', 'master-check') GROUP BY 1",
)


class Reckoner:
    """Looks at a bench after each step; events it saw once are not looked at again."""

    def __init__(self, bench: WholeBench) -> None:
        self.bench = bench
        self.by_box = bench.runner.by.assurance.identity == "box"
        self._seen = 0
        self._alarms = Alarms()
        self.seen: Counter[str] = Counter()

    def look(self) -> None:
        """Assert all that must hold now."""
        self.seen["steps"] += 1
        with self.bench.store.reading() as db:
            self._events(db)
            for lot in _lots(db, self.by_box):
                _pieces_agree(db, lot)
                _held_is_not_counted(db, lot, self.bench.counted.get(lot.code, 0))
                _only_a_fit_bench_begins(db, lot)
                _a_check_is_of_one_bench(db)
            lot = _lots(db, self.by_box)[-1]
            if lot.is_open and self.bench.runner.lot is not None:
                rest_agrees(db, lot.row, lot.now, self.bench.runner.lot)
        self._alarms.agree(self.bench)
        _counts_agree(self.bench, lot)
        _spans_agree(self.bench, lot)
        _lamps_agree(self.bench, lot)

    def end(self) -> None:
        """Assert what must hold at the end: everything sent, nothing recomputed otherwise."""
        bench = self.bench
        bench.lives()
        bench.publish(10**6, 10**6)
        with bench.store.reading() as db:
            found = recompute(db, lots(db), lambda: None)
            assert found.is_fine, found
            newest = bench.store.newest_seq(NAME)
            rules_agree(db)
            self._count(db)
        assert sorted(bench.consumer.bodies) == list(range(1, newest + 1))
        assert bench.store.unsent(NAME, 10) == []

    def _count(self, db: sqlite3.Connection) -> None:
        """Count what came about, so that a walk that does nothing is seen."""
        self.seen["kills"] = self.bench.kills
        for sql in _FIGURES:
            self.seen.update(dict(db.execute(sql).fetchall()))

    # --- events ---

    def _events(self, db: sqlite3.Connection) -> None:
        rows = db.execute(
            "SELECT seq, id, kind, body FROM events WHERE bench = ? AND seq > ? ORDER BY seq",
            (NAME, self._seen),
        ).fetchall()
        for seq, name, kind, body in rows:
            assert seq == self._seen + 1, "a gap in the sequence of events"
            self._seen = seq
            event = json.loads(body)
            assert name == f"/reclamp/millrace/b1/{seq}"
            assert (event["seq"], event["id"]) == (seq, name)
            self._event(db, seq, kind, event["data"])
        _consumer_has_what_is_stored(self.bench, db)

    def _event(self, db: sqlite3.Connection, seq: int, kind: str, data: dict[str, Any]) -> None:
        if kind == "alarm":
            self._alarms.take(data)
        if not data.get("lot"):
            return
        (row,) = db.execute("SELECT id FROM lots WHERE code = ?", (data["lot"],)).fetchone()
        told = facts(db, NAME, row, data["lot"])
        now = ledger(told, seq, by_box=self.by_box)
        before = ledger(told, seq - 1, by_box=self.by_box)
        match kind, data.get("what"):
            case "lot", what:
                if what == "look":
                    look_agrees(db, row, seq, data, now)
                _lot_event_agrees(db, row, seq, data, now)
            case "master-check", "span-released":
                _released_agrees(data, told, seq, by_box=self.by_box)
            case "master-check", "span-held":
                _held_agrees(data, told, seq, by_box=self.by_box)
            case "verdict", _:
                piece = now.pieces[data["piece"]]
                assert (piece.graded, piece.grade) == (seq, data["grade"] or "")
            case "put-away", _ if data["right"]:
                assert now.pieces[data["piece"]].lies_in.startswith(
                    data["box"] or f"bin {data['bin']} of "
                )
                assert before.status(data["piece"]) in ("pending", "hold")
            case _:
                pass


def _lot_event_agrees(
    db: sqlite3.Connection, row: int, seq: int, data: dict[str, Any], now: Ledger
) -> None:
    """Order and pieces set aside as of this event; filled and reopened where they were."""
    assert data["order"] == _ordered(db, row, seq), data
    (aside,) = db.execute(
        "SELECT coalesce(sum(pieces), 0) FROM visual_findings WHERE lot = ? AND seq <= ?",
        (row, seq),
    ).fetchone()
    assert data["set_aside"] == aside, data
    put_away = now.graded("put-away")
    missing = [g for g, n in data["order"].items() if put_away.get(g, 0) < n]
    if data["what"] == "order-filled":
        assert not missing, (data, put_away)
    if data["what"] == "order-reopened":
        counted, _, ordered, grade, *_ = data["reason"].split()
        assert grade in missing, (data, put_away)
        assert (int(counted), int(ordered)) == (put_away.get(grade, 0), data["order"][grade])


def _ordered(db: sqlite3.Connection, row: int, seq: int) -> dict[str, int]:
    """Return the order as of an event: as opened, and as changed by those up to it."""
    first = db.execute(
        "SELECT grade, quantity FROM orders o WHERE lot = ? AND id ="
        " (SELECT min(id) FROM orders WHERE lot = o.lot AND grade = o.grade)"
        " AND at_utc = (SELECT opened_utc FROM lots WHERE id = o.lot)",
        (row,),
    )
    found = dict(first.fetchall())
    for grade, quantity in db.execute(
        "SELECT json_extract(body, '$.data.grade'), json_extract(body, '$.data.pieces')"
        " FROM events JOIN lots l ON l.code = json_extract(body, '$.data.lot')"
        " WHERE l.id = ? AND seq <= ? AND json_extract(body, '$.data.what') = 'order-changed'"
        " ORDER BY seq",
        (row, seq),
    ):
        found[grade] = quantity
    return found


def _of_check(told: list[Happened], seq: int, *, by_box: bool) -> tuple[Ledger, Ledger]:
    """Return the account before and after what an event followed from: the fact before it."""
    cause = max(fact.seq for fact in told if fact.seq < seq)
    return ledger(told, cause - 1, by_box=by_box), ledger(told, cause, by_box=by_box)


def _released_agrees(
    data: dict[str, Any], told: list[Happened], seq: int, *, by_box: bool
) -> None:
    before, now = _of_check(told, seq, by_box=by_box)
    assert data["pieces"] == before.waiting(), data
    assert all(now.pieces[number].span == "good" for number in data["pieces"])


def _held_agrees(data: dict[str, Any], told: list[Happened], seq: int, *, by_box: bool) -> None:
    """The lead's list: the span's own pieces, and what lies among them."""
    before, now = _of_check(told, seq, by_box=by_box)
    mates = [
        n for n, p in now.pieces.items()
        if now.is_held(p) and not before.is_held(before.pieces[n])
    ]  # fmt: skip
    listed = sorted({*before.waiting(), *mates})
    assert data["pieces"] == listed, (data, listed)
    boxes = {now.pieces[number].lies_in for number in listed}
    assert data["boxes"] == sorted(box for box in boxes if box), data


def _consumer_has_what_is_stored(bench: WholeBench, db: sqlite3.Connection) -> None:
    """What was sent is what is on record, and an acknowledged event is sent no more."""
    unsent = {seq for (seq,) in db.execute("SELECT seq FROM outbox WHERE bench = ?", (NAME,))}
    assert not unsent & bench.consumer.acknowledged
    stored = dict(db.execute("SELECT seq, body FROM events WHERE bench = ?", (NAME,)))
    for seq, body in bench.consumer.bodies.items():
        assert stored[seq] == body
    assert set(stored) - unsent <= set(bench.consumer.bodies)


# --- pieces and spans -------------------------------------------------------------------------


def _lots(db: sqlite3.Connection, by_box: bool) -> list[Lot]:
    found = []
    for row, code, quantity, is_open in db.execute(
        "SELECT id, code, quantity, NOT EXISTS (SELECT 1 FROM lot_ends WHERE lot = l.id)"
        " FROM lots l WHERE bench = ? ORDER BY id",
        (NAME,),
    ).fetchall():
        told = facts(db, NAME, row, code)
        account = ledger(told, 2**62, by_box=by_box)
        found.append(Lot(row, code, quantity, bool(is_open), told, account))
    return found


def _pieces_agree(db: sqlite3.Connection, lot: Lot) -> None:
    said = dict(db.execute("SELECT number, status FROM piece_status WHERE lot = ?", (lot.row,)))
    assert said == {number: lot.now.status(number) for number in lot.now.pieces}, lot.code
    spans = dict(
        db.execute(
            "SELECT piece, span FROM piece_spans WHERE bench = ? AND lot = ? ORDER BY seq",
            (NAME, lot.code),
        )
    )
    for number, piece in lot.now.pieces.items():
        if piece.graded:
            assert spans[number] == piece.span, (lot.code, number)
        # No piece is ever both released and in an open or failed span.
        if said[number] == "released":
            assert piece.span == "good" or piece.is_freed, (lot.code, number, piece)
        if said[number] in ("released", "put-away") and piece.span == "failed":
            assert piece.is_freed, (lot.code, number, piece)
        assert piece.retries <= 1, (lot.code, number)


def _held_is_not_counted(db: sqlite3.Connection, lot: Lot, beyond_books: int) -> None:
    counted = db.execute(
        "SELECT grade, pieces FROM lot_counts WHERE bench = ? AND lot = ?"
        " AND status = 'put-away'",
        (NAME, lot.code),
    )
    assert dict(counted.fetchall()) == lot.now.graded("put-away")
    balance = db.execute(
        "SELECT quantity, begun, set_aside, put_away + nonconforming + hold + abandoned"
        " + released + scrapped + concession + in_hand, accounted, closed_utc"
        " FROM lot_balance WHERE bench = ? AND lot = ?",
        (NAME, lot.code),
    ).fetchone()
    quantity, begun, _, standing, accounted, closed = balance
    replaced = lot.now.counts()["replaced"]
    assert begun == standing == len(lot.now.pieces) - replaced
    assert quantity == lot.quantity
    if closed is not None:
        assert accounted == quantity + beyond_books
        _account_agrees(db, lot)


def _account_agrees(db: sqlite3.Connection, lot: Lot) -> None:
    """A closed lot was accounted for as its facts have it."""
    (said,) = db.execute("SELECT counts FROM lot_ends WHERE lot = ?", (lot.row,)).fetchone()
    account, counts = Counter(json.loads(said)), lot.now.counts()
    wanted = Counter({status: n for status, n in counts.items() if status != "replaced"})
    del wanted["put-away"]
    wanted.update(lot.now.graded("put-away"))
    for where in ("set-aside", "unmeasured"):
        del account[where]
    assert +account == +wanted, lot.code


def _only_a_fit_bench_begins(db: sqlite3.Connection, lot: Lot) -> None:
    """No piece is begun, nor taken to be measured again, while a check is due."""
    stamps: dict[int, Moment] = {
        seq: (mono_ns, boot)
        for seq, mono_ns, boot in db.execute(
            "SELECT seq, mono_ns, boot FROM events WHERE bench = ?", (NAME,)
        )
    }
    begun: dict[int, Moment] = {
        seq: (started_ns, boot)
        for seq, started_ns, boot in db.execute(
            "SELECT k.seq, k.started_ns, k.boot FROM clampings k JOIN cycles c"
            " ON c.id = k.cycle WHERE c.kind = 'first' AND k.number = 1"
        )
    }
    for fact in lot.told:
        if fact.what == "opened" and fact.words[1] == "re-measured":
            begun[fact.seq] = stamps[fact.seq]
        if fact.seq in begun:
            _was_fit(lot, fact, begun[fact.seq], stamps)


def _a_check_is_of_one_bench(db: sqlite3.Connection) -> None:
    """Nothing happened to the bench between the seats of one check that has a result."""
    across = db.execute(
        "SELECT k.seq FROM checks k JOIN events e ON e.bench = k.bench AND e.seq = k.seq"
        " JOIN check_seats s ON s.of_check = k.id JOIN disturbances d ON d.bench = k.bench"
        " JOIN events f ON f.bench = d.bench AND f.seq = d.seq AND f.boot = e.boot"
        " WHERE k.result <> 'invalid' AND d.seq < k.seq AND f.mono_ns > s.started_ns"
    ).fetchall()
    assert not across
    late = db.execute(
        "SELECT b.of_check FROM check_seats a JOIN check_seats b ON b.of_check = a.of_check"
        " AND b.number = a.number + 1 JOIN checks k ON k.id = a.of_check"
        " WHERE k.result <> 'invalid' AND b.started_ns - a.ended_ns > ?",
        (SEATS_WITHIN_NS,),
    ).fetchall()
    assert not late


Moment = tuple[int, str]
"""Monotonic nanoseconds, and the boot they are of."""


def _was_fit(lot: Lot, fact: Happened, at: Moment, stamps: dict[int, Moment]) -> None:
    """Both kinds were good within the hours and pieces, and nothing had happened since."""
    now, good_at = Ledger(by_box=False), dict[str, Moment]()
    for before in lot.told:
        mono_ns, boot = stamps[before.seq]
        if before.seq >= fact.seq or (boot == at[1] and mono_ns > at[0]):
            break
        if before.what == "check" and before.words[1] == "good":
            good_at[before.words[0]] = mono_ns, boot
        now.take(before)
    assert now.is_fit, f"{lot.code}: {fact} on a bench not fit"
    assert now.in_span < EVERY_PIECES, f"{lot.code}: {fact} after {now.in_span} pieces"
    assert {boot for _, boot in good_at.values()} == {at[1]}, f"{lot.code}: {fact}"
    hours_ns = at[0] - min(mono_ns for mono_ns, _ in good_at.values())
    assert hours_ns < EVERY_NS, f"{lot.code}: {fact} after {hours_ns} ns"


# --- counts, spans, lamps ---------------------------------------------------------------------


def _counts_agree(bench: WholeBench, lot: Lot) -> None:
    view, standing = bench.store.lot(NAME), bench.store.standing(NAME)
    assert view == bench.runner.lot
    told = snapshot.lot(bench.runner, bench.store)
    if not lot.is_open:
        assert (view, standing, told.lot) == (None, None, None)
        return
    assert view is not None
    assert standing is not None
    counts = lot.now.counts()
    assert {s: sum(g.values()) for s, g in standing.counts().items()} == +counts
    assert dict(view.put_away) == lot.now.graded("put-away")
    assert dict(view.pending) == lot.now.graded("pending")
    begun = len(lot.now.pieces)
    assert (view.next_piece, view.replaced) == (begun + 1, counts["replaced"])
    assert view.is_released == (bool(_graded(lot.now)) and not lot.now.waiting())
    grades = {g.grade: (g.put_away, g.pending) for g in told.grades}
    put_away, pending = lot.now.graded("put-away"), lot.now.graded("pending")
    assert grades == {g: (put_away.get(g, 0), pending.get(g, 0)) for g in _GRADES}
    for status in ("nonconforming", "hold", "abandoned", "released", "scrapped", "concession"):
        assert getattr(told, status) == counts[status], status
    assert told.pending == counts["pending"]
    assert told.open_pieces == counts["in-work"]
    assert told.unmeasured == (lot.quantity or 0) - begun + counts["replaced"] - told.set_aside
    missing = any(put_away.get(g, 0) < n for g, n in view.ordered.items())
    filled = "filled" if view.is_released else "filled-check-due"
    assert told.order_state == ("open" if missing else filled)


def _graded(now: Ledger) -> list[int]:
    return [number for number, piece in now.pieces.items() if piece.graded]


def _spans_agree(bench: WholeBench, lot: Lot) -> None:
    assured = bench.store.assurance(NAME)
    if not lot.is_open:
        return
    state = assured.state
    assert sorted(number for _, number in state.pieces) == _graded_or_settled(lot.now)
    for (_, number), standing in state.pieces.items():
        piece, said = lot.now.pieces[number], status_of(state, (lot.code, number))
        if said == "released":
            assert piece.span == "good" or piece.is_freed, (number, piece)
        assert (said == "open") == (number in lot.now.waiting() and not standing.is_held)
        assert standing.is_held == (lot.now.is_held(piece)), (number, piece, standing)
    held = sum(lot.now.is_held(piece) for piece in lot.now.pieces.values())
    status = bench.runner.check_status()
    assert status.held == held
    assert assured.held() == held


def _graded_or_settled(now: Ledger) -> list[int]:
    return sorted(n for n, p in now.pieces.items() if p.graded)


def _lamps_agree(bench: WholeBench, lot: Lot) -> None:
    """At most one bin is lit, and it is that of the piece in hand."""
    assert len(bench.lit) <= 1
    if bench.lit and lot.is_open:
        piece = bench.state.piece
        assert piece is not None
        assert lot.now.status(piece) in ("pending", "hold"), piece
    pending = [number for number in lot.now.pieces if lot.now.status(number) == "pending"]
    if lot.is_open and pending:
        assert pending == [bench.state.piece]
