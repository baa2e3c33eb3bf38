"""The store's disk is full, refuses writing, or is read-only: fault, and not one grade more."""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from tests.system.deadline import until
from tests.system.record_reader import count, rows
from tests.system.service_process import ServiceProcess, running_service
from tests.system.shop import Shop, running_shop
from tests.system.small_disk import block_disk, small_disk
from tests.system.verdict_check import check_verdicts

pytestmark = pytest.mark.system

SPEED = 30.0
QUIET_S = 2.0
"""How long a bench in fault is watched: the work on a piece at this speed, and more."""


@contextmanager
def working(folder: Path, disk: Path) -> Iterator[tuple[Shop, ServiceProcess]]:
    with (
        running_shop(folder, SPEED, {"b1": 40}, seed=31, disk=disk) as shop,
        running_service(shop.bench_file, SPEED) as service,
    ):
        until(lambda: shop.verdicts() >= 1, "a first verdict", 60)
        yield shop, service


OPEN = """SELECT p.number AS piece, c.number AS cycle
    FROM cycles c JOIN pieces p ON p.id = c.piece
    WHERE NOT EXISTS (SELECT 1 FROM cycle_ends e WHERE e.cycle = c.id)"""

INTERRUPTED = """SELECT p.number AS piece, c.number AS cycle FROM cycle_ends e
    JOIN cycles c ON c.id = e.cycle JOIN pieces p ON p.id = c.piece
    WHERE e.how = 'interrupted'"""


def wait_for_open_cycle(shop: Shop) -> dict[str, int]:
    """Return piece and cycle once one clamping is there and another one is needed."""
    return until(lambda: rows(shop.store, OPEN), "an open cycle", 60)[0]


def wait_for_lit_bin(shop: Shop) -> str:
    """Return the bin of a piece that waits for its put-away, once one does."""
    return until(shop.pending, "a piece to be put away", 60) or ""


def wait_for_fault(shop: Shop, after: int) -> None:
    shop.listener.wait_for_message("b1/state", lambda m: m.json["state"] == "fault", after, 30)


def check_fault_holds(shop: Shop, service: ServiceProcess) -> None:
    """While the fault lasts nothing is graded, no lamp is lit, and the state says so."""
    until(lambda: set(_lamps(shop).values()) == {"off"}, "all lamps off", 5)
    verdicts, heard = shop.verdicts(), shop.listener.count
    known = {event["id"] for event in shop.events()}
    since_s = time.monotonic()
    until(lambda: time.monotonic() - since_s > QUIET_S, "some time in fault", 10)
    assert shop.verdicts() == verdicts
    meanwhile = shop.listener.heard(heard)
    told = [m.json["id"] for m in meanwhile if m.topic.startswith("b1/event/")]
    assert known >= set(told), "something new was told that is in no record"
    assert not [m for m in meanwhile if m.topic.startswith("b1/lamp/") and m.text != "off"]
    assert shop.state()["state"] == "fault"
    assert shop.state()["waits_for"] == "lead"
    assert service.is_alive


def _lamps(shop: Shop) -> dict[str, str]:
    return {
        m.topic.rpartition("/")[2]: m.text
        for m in shop.listener.heard()
        if m.topic.startswith("b1/lamp/")
    }


def wait_for_recovery(shop: Shop, service: ServiceProcess) -> None:
    """Wait until the bench grades again by itself."""
    verdicts = shop.verdicts()
    until(lambda: shop.state()["state"] != "fault", "the end of the fault", 15)
    shop.listener.wait_for(lambda: shop.verdicts() > verdicts, "a verdict", 60, alive=service)


def check_record(shop: Shop, faults: int) -> None:
    """The record is whole: SQLite says so, seq has no gap, events and verdicts agree."""
    with closing(sqlite3.connect(shop.store)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    stored = shop.events()
    assert [event["seq"] for event in stored] == list(range(1, len(stored) + 1))
    by_id = {event["id"]: event for event in stored}
    heard = shop.listener.events("b1")
    assert {event["id"] for event in heard} == set(by_id)
    assert all(by_id[event["id"]] == event for event in heard)
    assert check_verdicts(shop.store) >= 2
    noted = count(shop.store, "SELECT count(*) FROM corrections WHERE what = 'store-fault'")
    assert noted == faults


def test_a_full_disk_is_a_fault_until_there_is_room_again(tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "disk") as disk,
        working(tmp_path, disk.folder) as (shop, service),
    ):
        open_cycle = wait_for_open_cycle(shop)
        after = shop.listener.count
        disk.fill()
        wait_for_fault(shop, after)
        assert "full" in shop.state()["reason"]
        check_fault_holds(shop, service)
        disk.free()
        wait_for_recovery(shop, service)
        ended = rows(shop.store, INTERRUPTED)
        assert ended == [open_cycle]
        # Once more, while a lamp is lit: it goes out with the disk and on again with room.
        wait_for_lit_bin(shop)
        after = shop.listener.count
        disk.fill()
        wait_for_fault(shop, after)
        check_fault_holds(shop, service)
        bin_id = shop.pending()  # as the record has it: the put-away could not be kept
        after = shop.listener.count
        disk.free()
        if bin_id is not None:
            shop.listener.wait_for_message(f"b1/lamp/{bin_id}", lambda m: m.text == "on", after)
        wait_for_recovery(shop, service)
        _check_end(shop, service, faults=2)


def test_a_disk_that_refuses_writing_is_a_fault_until_it_takes_it_again(tmp_path: Path) -> None:
    with (
        block_disk(tmp_path / "disk") as disk,
        working(tmp_path, disk.folder) as (shop, service),
    ):
        files = [shop.store, shop.store.with_name(shop.store.name + "-wal")]
        wait_for_open_cycle(shop)
        after = shop.listener.count
        disk.refuse_writing(*files)
        try:
            wait_for_fault(shop, after)
            check_fault_holds(shop, service)
        finally:
            disk.allow_writing(*files)
        wait_for_recovery(shop, service)
        _check_end(shop, service, faults=1)


def test_a_disk_gone_read_only_is_a_fault_and_the_record_is_whole_after_its_mending(
    tmp_path: Path,
) -> None:
    with (
        block_disk(tmp_path / "disk") as disk,
        working(tmp_path, disk.folder) as (shop, service),
    ):
        wait_for_open_cycle(shop)
        after = shop.listener.count
        disk.turn_read_only()
        wait_for_fault(shop, after)
        check_fault_holds(shop, service)
        verdicts = shop.verdicts()
        assert service.stop() == 0, service.log()
        disk.mend()
        with running_service(shop.bench_file, SPEED) as second:
            shop.listener.wait_for(
                lambda: shop.verdicts() > verdicts, "a verdict", 60, alive=second
            )
            _check_end(shop, second, faults=0)


def _check_end(shop: Shop, service: ServiceProcess, faults: int) -> None:
    assert service.stop() == 0, service.log()
    until(lambda: _is_all_heard(shop), "every event at the subscriber", 10)
    check_record(shop, faults)


def _is_all_heard(shop: Shop) -> bool:
    return {e["seq"] for e in shop.listener.events("b1")} >= {e["seq"] for e in shop.events()}


def test_a_service_does_not_start_on_a_read_only_disk(tmp_path: Path) -> None:
    with (
        small_disk(tmp_path / "disk") as disk,
        running_shop(tmp_path, SPEED, {"b1": 1}, disk=disk.folder) as shop,
    ):
        disk.remount("ro")
        with running_service(shop.bench_file) as service:
            assert service.popen.wait(20) == 3
            (line,) = service.log().splitlines()
        assert str(shop.store) in line
        assert "Read-only file system" in line
