"""Whose run-out it is, kept up with the record: the same from memory as from the store."""

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest
from typer.testing import CliRunner

from daemon.bench import BenchRunner
from daemon.cli import app
from daemon.commands import carry_out
from daemon.config import load
from daemon.messages import HOLDER_POINTS_MAX, Command, HolderPoint
from daemon.run_out_watch import RunOutWatch, run_out_watch, thinned
from daemon.snapshot import recent
from daemon.store import Provenance, Stamp, Store
from daemon.store.store import Following
from rules.bench import CommandRefusedError, HolderMoved
from rules.facts import ClampingFact, CorrectionFact, Fact
from rules.rotation import Rotation
from rules.sweep import Diagnosis
from simulators.collet import ColletKind, fill_tray
from tests.daemon.bench_of_values import HandClock, value_bench
from tests.daemon.measured import Bench, Shop, measured, stamp
from tests.daemon.pieces import commit, open_store
from tests.daemon.pieces import measured as pieces_made
from tests.daemon.test_store_speed import fastest_ms

Make = Callable[..., Path]

LOT = '[bench.lot]\ncode = "W-2611-A"'
PLAIN = ColletKind(0.9, 0.4, outlier_share=0.0, chip_share=0.0)
MOVED = CorrectionFact(None, None, "holder-moved", "cleaned", "lead")


class WatchedStore(Store):
    """A store whose every commit is told to a watch, as the bench does it."""

    watch: RunOutWatch | None = None
    lot_code = "W-2611-A"

    def commit(
        self,
        facts: Sequence[Fact],
        by: Provenance,
        at: Stamp,
        inbound: str | None = None,
        following: Following | None = None,
        noted: int | None = None,
    ) -> tuple[Fact, ...]:
        followed = super().commit(facts, by, at, inbound, following, noted)
        if self.watch is not None:
            self.watch.after(facts, self.lot_code, at.utc)
        return followed


def loaded(store: Store, shop: Shop, lot: str | None) -> RunOutWatch:
    watch = run_out_watch(shop.one)
    with store.reading() as db:
        watch.load(db, lot)
    return watch


def says(watch: RunOutWatch) -> tuple[object, ...]:
    return (watch.series(), list(watch.judged()))


@pytest.mark.parametrize("rotate_deg", [120.0, -120.0], ids=["right", "wrong"])
def test_what_is_kept_up_is_what_a_start_reads_from_the_record(
    bench_folder: Make, rotate_deg: float
) -> None:
    """Over two lots, retries, invalid clampings, and a holder that left the spindle."""
    config = load(bench_folder())
    kind = Bench(1.5 + 0j, PLAIN, rotate_deg=rotate_deg, cut="stopped", retried=frozenset({7}))
    shop = Shop(config, config.benches[0], kind)
    with closing(WatchedStore(config.store_path)) as store:
        shop.open(store)
        store.watch = loaded(store, shop, "W-2611-A")
        collets = fill_tray("1", PLAIN, 60)
        for start in (0, 20):
            shop.measure(store, collets[start : start + 20], start)
            assert says(store.watch) == says(loaded(store, shop, "W-2611-A"))
        store.commit([MOVED], shop.by, stamp(shop.now_ns))
        assert store.watch.series() == []
        assert says(store.watch) == says(loaded(store, shop, "W-2611-A"))
        store.close_lot("done", "lead", {}, shop.by, stamp(shop.now_ns))
        shop.open(store, "W-2611-B")
        store.lot_code, shop.truth = "W-2611-B", []
        store.watch.lot_is("W-2611-B")
        shop.measure(store, collets[40:], 3)
        assert says(store.watch) == says(loaded(store, shop, "W-2611-B"))
        (series,) = store.watch.series()
        assert series.first_clampings == 20


def runner(shop: Shop, store: Store) -> BenchRunner:
    clock = HandClock()
    clock.seconds = shop.now_ns / 1e9
    return BenchRunner(shop.config, shop.one, store, clock, "boot-2")


def test_a_dirty_holder_is_told_at_a_start_and_taken_back_when_it_was_moved(
    bench_folder: Make,
) -> None:
    shop = measured(bench_folder(), 40, kind=Bench(holder_um=2.0 + 0j))
    with closing(Store(shop.config.store_path)) as store:
        bench = runner(shop, store)
        text = bench.alarms["holder-share"]
        assert text.startswith("the holder's share is ")
        assert text.endswith("µm, limit 1.2 µm: position far, 40 first clampings")
        said = Command(id="h-1", command="holder-moved", reason="cleaned", role="lead")
        assert carry_out(said, bench, store).ok
        assert "holder-share" not in bench.alarms
        assert recent(bench, store).holder == []
        with store.reading() as db:
            kinds = db.execute(
                "SELECT kind, json_extract(body, '$.data.what'),"
                " json_extract(body, '$.data.state') FROM events ORDER BY seq DESC LIMIT 3"
            ).fetchall()
        assert kinds[::-1] == [
            ("alarm", None, "raised"),
            ("correction", "holder-moved", None),
            ("alarm", None, "returned"),
        ]
        assert runner(shop, store).run_out.series() == []


def test_the_bench_file_may_set_another_limit_for_the_holder(bench_folder: Make) -> None:
    wide = (LOT, f"[bench.holder]\nshare_limit_um = 6\n\n{LOT}")
    shop = measured(bench_folder(wide), 40, kind=Bench(holder_um=2.0 + 0j))
    with closing(Store(shop.config.store_path)) as store:
        bench = runner(shop, store)
        assert "holder-share" not in bench.alarms
        (series,) = recent(bench, store).holder
        assert (series.limit_um, series.above, series.first_clampings) == (6.0, False, 40)
        share = series.points[-1]
        assert abs(share.share_um - 4.0) <= 2 * share.uncertainty_um


def test_collets_rotated_the_other_way_raise_an_alarm_that_goes_with_the_lot(
    bench_folder: Make,
) -> None:
    shop = measured(bench_folder(), 60, kind=Bench(collets=PLAIN, rotate_deg=-120.0))
    with closing(Store(shop.config.store_path)) as store:
        bench = runner(shop, store)
        assert 'set rotation.collet = "against-spindle"' in bench.alarms["rotated-backwards"]
        bench.close_lot("done", "lead", {})
        assert "rotated-backwards" not in bench.alarms


def test_a_bench_file_that_says_so_takes_the_other_way_for_right(bench_folder: Make) -> None:
    said = (LOT, f'[bench.rotation]\ncollet = "against-spindle"\n\n{LOT}')
    shop = measured(bench_folder(said), 60, kind=Bench(collets=PLAIN, rotate_deg=-120.0))
    with closing(Store(shop.config.store_path)) as store:
        assert "rotated-backwards" not in runner(shop, store).alarms


def test_without_an_index_nothing_is_said(bench_folder: Make) -> None:
    by_speed = ('proof = "index"', 'proof = "speed"\nturn_s = 2.4')
    shop = measured(bench_folder(by_speed), 20, kind=Bench(holder_um=2.0 + 0j))
    with closing(Store(shop.config.store_path)) as store:
        assert runner(shop, store).run_out.series() == []


def test_the_holder_may_not_leave_within_a_piece(bench_folder: Make) -> None:
    bench = value_bench(bench_folder)
    moved = HolderMoved("cleaned", "lead")
    assert bench.handle(moved)
    assert bench.value("2.0")
    with pytest.raises(CommandRefusedError, match="piece 1 is in work: finish or abandon it"):
        bench.handle(moved)
    bench.values("2.0", "2.0")
    assert bench.handle(moved)  # it has its verdict and waits for its put-away
    with pytest.raises(CommandRefusedError, match="needs a reason"):
        bench.handle(HolderMoved(" ", "lead"))
    assert bench.rows("SELECT count(*) FROM corrections WHERE what = 'holder-moved'") == [(2,)]
    bench.close()


def test_another_holder_named_by_a_lot_starts_the_series_anew(bench_folder: Make) -> None:
    shop = measured(bench_folder(), 10)
    with closing(Store(shop.config.store_path)) as store:
        shop.truth = []
        store.close_lot("done", "lead", {}, shop.by, stamp(shop.now_ns))
        shop.open(store, "W-2")  # the same holder
        shop.measure(store, fill_tray("2", shop.kind.collets, 6), 2)
        (series,) = loaded(store, shop, "W-2").series()
        assert series.first_clampings == 16
        with store.reading() as db:
            db.execute("UPDATE lots SET holder = 'H-MED-2' WHERE code = 'W-2'")
        (series,) = loaded(store, shop, "W-2").series()
        assert series.first_clampings == 6


def test_the_series_is_thinned_and_what_is_shown_stays_where_it_is() -> None:
    point = HolderPoint(at="2026-11-24T06:00:00.000Z", number=1, share_um=1, uncertainty_um=1)
    points = [replace_number(point, number) for number in range(5, 1_000)]
    for count in (0, 1, 57, 58, 59, 60, 61, 200, 995):
        shown = thinned(points[:count])
        assert len(shown) <= HOLDER_POINTS_MAX
        assert len(shown) >= min(count, HOLDER_POINTS_MAX // 2 - 2)
        assert shown[-1:] == points[:count][-1:]
    earlier, later = thinned(points[:500])[:-1], thinned(points[:501])[:-1]
    assert {p.number for p in earlier} <= {p.number for p in later}


def replace_number(point: HolderPoint, number: int) -> HolderPoint:
    return point.model_copy(update={"number": number})


def test_people_read_the_series_from_the_record(bench_folder: Make) -> None:
    path = bench_folder()
    shop = measured(path, 20)
    done = CliRunner().invoke(app, ["holder", "show", "--config", str(path), "--bench", "b1"])
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert lines[0].startswith(
        "bench b1, position far: 20 first clampings since the holder was put in; limit 1.2 µm"
    )
    assert len(lines) == 1 + 16  # a share from the fifth on
    with closing(Store(shop.config.store_path)) as store:
        store.commit([MOVED], shop.by, stamp(shop.now_ns))
    done = CliRunner().invoke(app, ["holder", "show", "--config", str(path), "--bench", "b1"])
    assert done.exit_code == 1
    assert "no first clamping since the holder was put in" in done.output


def with_vector(fact: ClampingFact, rng: Random) -> ClampingFact:
    """Return a clamping made by hand with what a sweep would show beside its TIR."""
    found = Diagnosis(
        7_500_000, (4, 16, 36), 3, rng.randrange(2_000), rng.randrange(360_000_000), 200, 50
    )
    (place,) = fact.clamping.positions
    place = replace(place, run_out=replace(place.run_out, diagnosis=found))
    return replace(fact, clamping=replace(fact.clamping, positions=(place,)))


@pytest.mark.parametrize(
    "pieces", [300, pytest.param(10_000, marks=pytest.mark.long)], ids=["300", "10000"]
)
def test_a_step_costs_the_same_however_long_the_series_is(pieces: int, tmp_path: Path) -> None:
    rng = Random(3)
    store = open_store(tmp_path / "b.db", quantity=100_000)
    with store.reading() as db:
        db.execute("PRAGMA synchronous = OFF")
    for piece in range(1, pieces + 1):
        tirs = [2_000, 2_000, 2_000] if piece % 2 else [5_000]
        facts = [
            with_vector(fact, rng) if isinstance(fact, ClampingFact) else fact
            for step in pieces_made(piece, tirs)
            for fact in step
        ]
        commit(store, *facts)
    watch = RunOutWatch("b1", 1_200, Rotation(), has_zero=True)

    def load_all() -> None:
        with store.reading() as db:
            watch.load(db, "W-1")

    start_ms = fastest_ms(load_all, 3)
    (series,) = watch.series()
    assert series.first_clampings == pieces
    number = pieces

    def one_piece() -> None:
        nonlocal number
        number += 1
        (fact, *_) = pieces_made(number, [2_000])[0]
        assert isinstance(fact, ClampingFact)
        watch.after([with_vector(fact, rng)], "W-1", "2026-11-24T06:00:00.000Z")
        list(watch.judged())

    step_ms = fastest_ms(one_piece)
    topic_ms = fastest_ms(watch.series)
    store.close()
    print(f"{pieces} pieces: start {start_ms:.1f} ms, step {step_ms:.3f}, topic {topic_ms:.3f}")
    assert step_ms < 1.0
    assert topic_ms < 1.0
    assert start_ms < 400
