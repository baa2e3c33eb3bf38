"""SIGKILL while pieces flow: what was committed stays, once and as it was; all of it is told.

The service is killed again and again at one lot; the simulated bench, the broker and a
stranger's subscriber go on all the while. After each death the facts are copied from the dead
service's files; in the end every one of them must still be there, unchanged.
"""

import json
import random
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.system.deadline import until
from tests.system.killable_service import WRITE_POINTS
from tests.system.record_reader import Facts, committed, count, lost, rows
from tests.system.service_process import ServiceProcess, running_service
from tests.system.shop import Shop, running_shop
from tests.system.verdict_check import check_verdicts

pytestmark = pytest.mark.system

SPEED = 30.0

ENDLESS = (
    ("quantity = 120", "quantity = 1000"),
    ("cells = 120", "cells = 1000"),
    ('{ "grade-1" = 36 }', '{ "grade-1" = 1000 }'),
)
"""An order that is filled would end the flow of pieces, and the kills would prove nothing."""

PIECES = """SELECT p.number AS piece, c.number AS cycle, c.kind, e.how, v.bin, c.id,
    (SELECT count(*) FROM clampings k WHERE k.cycle = c.id) AS clampings,
    (SELECT count(*) FROM put_aways a WHERE a.cycle = c.id AND a.is_right = 1) AS put_away
    FROM cycles c JOIN pieces p ON p.id = c.piece
    LEFT JOIN cycle_ends e ON e.cycle = c.id LEFT JOIN verdicts v ON v.cycle = c.id
    ORDER BY p.number, c.number"""


@dataclass
class Killed:
    """A lot at which the service died again and again.

    Attributes:
        snapshots: The facts right after each death.
        open_cycles: Piece and cycle that were open at a death.
        noted: Piece and cycle whose verdict was noted and not written out at a death.
        pending: How often a verdict waited for its put-away at a death.
    """

    shop: Shop
    rng: random.Random
    snapshots: list[Facts] = field(default_factory=list)
    open_cycles: set[tuple[int, int]] = field(default_factory=set)
    noted: set[tuple[int, int]] = field(default_factory=set)
    pending: int = 0

    def take_snapshot(self) -> None:
        """Copy the facts of the dead service, and note what it was in the midst of."""
        self.snapshots.append(committed(self.shop.store, self.shop.folder / "copy"))
        noted = noted_by_dead(self.shop)
        self.noted |= noted
        for row in rows_of_dead(self.shop):
            if row["how"] is None and row["clampings"]:
                self.open_cycles |= {(row["piece"], row["cycle"])} - noted

    def lives_again(self, service: ServiceProcess, heard: int) -> None:
        """Check that a verdict that waited is shown again by the next life."""
        bin_id = pending_of_dead(self.shop)
        if bin_id is None:
            return
        self.pending += 1
        self.shop.listener.wait_for(
            lambda: any(
                m.topic == f"b1/lamp/{bin_id}" and m.text == "on"
                for m in self.shop.listener.heard(heard)
            ),
            f"the lamp of bin {bin_id} on again",
            alive=service,
        )


def rows_of_dead(shop: Shop) -> list[dict[str, Any]]:
    return rows(shop.store, PIECES) if shop.store.exists() else []


def noted_by_dead(shop: Shop) -> set[tuple[int, int]]:
    """Return piece and cycle of a verdict that is durable and has no rows yet."""
    return {
        (fact["piece"], fact["cycle"])
        for row in rows(shop.store, "SELECT body FROM noted")
        for kind, fact in json.loads(row["body"])["facts"]
        if kind == "cycle-ended"
    }


def pending_of_dead(shop: Shop) -> str | None:
    return shop.pending() if shop.store.exists() else None


@contextmanager
def flowing(folder: Path, pieces: int, seed: int, *words: str) -> Iterator[Killed]:
    tray = {"b1": pieces}
    with running_shop(folder, SPEED, tray, *ENDLESS, seed=seed, words=words) as shop:
        yield Killed(shop, random.Random(seed))


def finish(killed: Killed, wait_s: float = 60.0) -> None:
    """Let a last life grade one more piece and see it put away, then end it in order."""
    shop = killed.shop
    before = len(shop.listener.events("b1"))
    heard = shop.listener.count
    with running_service(shop.bench_file, SPEED) as service:
        killed.lives_again(service, heard)

        def one_more() -> bool:
            events = shop.listener.events("b1")[before:]
            return any(
                e["type"] == "reclamp.put-away.v1" and e["data"]["right"] for e in events
            )

        if not shop.is_tray_empty("b1"):
            shop.listener.wait_for(one_more, "one more piece", wait_s, alive=service)
        assert service.stop() == 0, service.log()
    until(lambda: shop.outbox() == 0, "an empty outbox")
    until(
        lambda: (
            {e["seq"] for e in shop.listener.events("b1")} >= {e["seq"] for e in shop.events()}
        ),
        "every event at the subscriber",
        10,
    )


def check(killed: Killed) -> None:
    """No committed fact lost, doubled or renumbered; every event told under its one id."""
    shop = killed.shop
    deaths = f"{len(killed.snapshots)} deaths"
    print(
        f"{deaths}: {len(killed.open_cycles)} within a cycle,"
        f" {len(killed.noted)} with a verdict noted, {killed.pending} in put-away"
    )
    final = committed(shop.store, shop.folder / "copy")
    for number, snapshot in enumerate(killed.snapshots, start=1):
        assert not lost(snapshot, final), f"after death {number}"
    check_verdicts(shop.store)
    _check_events(shop)
    _check_pieces(killed)
    _check_put_aways(shop)
    sweeps = [row["sweep"] for row in rows(shop.store, "SELECT sweep FROM clampings")]
    assert len(set(sweeps)) == len(sweeps), "a clamping was counted twice"


def _check_events(shop: Shop) -> None:
    stored = shop.events()
    assert [e["seq"] for e in stored] == list(range(1, len(stored) + 1))
    by_id = {e["id"]: e for e in stored}
    heard = shop.listener.events("b1")
    assert {e["id"] for e in heard} == set(by_id)
    assert all(by_id[e["id"]] == e for e in heard), "an id that told two things"
    repeated = len(heard) - len(stored)
    print(f"{len(stored)} events, {repeated} of them told more than once")
    order = [e["seq"] for e in heard]
    firsts = [seq for place, seq in enumerate(order) if seq not in order[:place]]
    assert firsts == sorted(firsts)


def _check_pieces(killed: Killed) -> None:
    """Pieces are numbered without gap; an interrupted one starts again at clamping 1."""
    cycles = rows(killed.shop.store, PIECES)
    numbers = sorted({row["piece"] for row in cycles})
    assert numbers == list(range(1, len(numbers) + 1))
    by_key = {(row["piece"], row["cycle"]): row for row in cycles}
    for (piece, cycle), row in by_key.items():
        assert row["kind"] == ("first" if cycle == 1 else "after-interruption"), row
        if cycle > 1:
            assert by_key[piece, cycle - 1]["how"] == "interrupted"
    for piece, cycle in killed.open_cycles:
        assert by_key[piece, cycle]["how"] == "interrupted", (piece, cycle)
        assert by_key[piece, cycle]["bin"] is None
    for piece, cycle in killed.noted:
        assert by_key[piece, cycle]["bin"] is not None, "a noted verdict was lost"
    assert count(killed.shop.store, "SELECT count(*) FROM noted") == 0
    kept = Counter((row["piece"]) for row in cycles if row["bin"] is not None)
    assert not kept or max(kept.values()) == 1, "two verdicts for one piece"
    clampings = rows(
        killed.shop.store, "SELECT cycle, number FROM clampings ORDER BY cycle, number"
    )
    for row in cycles:
        of_cycle = [k["number"] for k in clampings if k["cycle"] == row["id"]]
        assert of_cycle == list(range(1, len(of_cycle) + 1))


def _check_put_aways(shop: Shop) -> None:
    """A piece is put away once, and lies where the record says."""
    cycles = rows(shop.store, PIECES)
    assert all(row["put_away"] <= 1 for row in cycles)
    where = {row["piece"]: row["bin"] for row in cycles if row["put_away"]}
    dropped = {
        f["piece"]: f["bin"] for f in shop.benches["b1"].truth() if f["kind"] == "dropped"
    }
    assert all(dropped[piece] == bin_id for piece, bin_id in where.items())
    assert where, "nothing was put away"


def die_at_point(killed: Killed, point: str, nth: int) -> None:
    bench_file = killed.shop.bench_file
    with running_service(bench_file, SPEED, dies_at=(point, nth)) as service:
        until(lambda: not service.is_alive, f"{point} passed {nth} times", 60)
        assert service.popen.returncode == -9, service.log()
    killed.take_snapshot()


def die_after(killed: Killed, seconds: float) -> None:
    shop = killed.shop
    heard = shop.listener.count
    with running_service(shop.bench_file, SPEED) as service:
        until(
            lambda: any(
                m.topic == "b1/link" and m.text == "online" for m in shop.listener.heard(heard)
            ),
            "the service online",
        )
        killed.lives_again(service, heard)
        time.sleep(seconds)  # the moment is what the test draws; nothing is waited for
        assert service.is_alive, service.log()
        service.kill()
    killed.take_snapshot()


def test_a_kill_at_any_write_point_loses_doubles_and_renumbers_nothing(tmp_path: Path) -> None:
    with flowing(tmp_path, 30, seed=41) as killed:
        for point in WRITE_POINTS:
            die_at_point(killed, point, killed.rng.randint(5, 11))
        finish(killed)
        check(killed)


def test_kills_at_random_moments_lose_double_and_renumber_nothing(tmp_path: Path) -> None:
    with flowing(tmp_path, 30, seed=8) as killed:
        for _ in range(8):
            die_after(killed, killed.rng.uniform(0.3, 3.0))
        finish(killed)
        check(killed)


@pytest.mark.long
def test_a_hundred_kills_at_random_moments(tmp_path: Path) -> None:
    with flowing(tmp_path, 200, seed=100) as killed:
        for _ in range(110):
            die_after(killed, killed.rng.uniform(0.0, 5.0))
        finish(killed)
        check(killed)


@pytest.mark.long
@pytest.mark.parametrize("point", WRITE_POINTS)
def test_a_kill_at_every_passing_of_a_write_point(tmp_path: Path, point: str) -> None:
    with flowing(tmp_path, 60, seed=1 + WRITE_POINTS.index(point)) as killed:
        for nth in range(1, 21):
            die_at_point(killed, point, nth)
        finish(killed)
        check(killed)


def test_a_wrong_bin_still_locks_after_a_kill(tmp_path: Path) -> None:
    with flowing(tmp_path, 3, 5, "--mistake", "wrong-bin@1") as killed:
        shop = killed.shop
        with running_service(shop.bench_file, SPEED) as service:
            wrong = shop.listener.wait_for_message(
                "b1/event/put-away", lambda m: not m.json["data"]["right"], within_s=60
            ).json["data"]
            service.kill()
        killed.take_snapshot()
        heard = shop.listener.count
        with running_service(shop.bench_file, SPEED) as service:
            shop.listener.wait_for_message(
                f"b1/lamp/{wrong['bin']}", lambda m: m.text == "fast", after=heard
            )
            shop.listener.wait_for_message(
                f"b1/lamp/{wrong['expected']}", lambda m: m.text == "on", after=heard
            )
            state = shop.listener.wait_for_message(
                "b1/state", lambda m: m.json["state"] == "blocked", after=heard
            ).json
            assert state["alarms"] == ["wrong-bin"]
            assert state["piece"] == 1
            righted = shop.listener.wait_for_message(
                "b1/event/put-away", lambda m: m.json["data"]["right"], after=heard
            ).json["data"]
            assert (righted["piece"], righted["bin"]) == (1, wrong["expected"])
            assert service.stop() == 0
        check(killed)
