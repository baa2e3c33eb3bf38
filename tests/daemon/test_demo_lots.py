"""The demo's lots to their ends: one fills its order and proves its rest, one runs out.

Finished values of the demo's collets on a real bench runner and store, piece by piece from the
cell the prompt names; the whole of it, cable included, is `reclamp demo --lots`.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from daemon import snapshot
from daemon.demo.lot_story import of_the_lot, wants_proof
from daemon.messages import Lot, LotData
from rules.draw import draw_order
from rules.forecast import forecast
from simulators.collet import Clamper, fill_tray
from simulators.scenario import HOLDER_UM, LOT_A, LOT_B, DemoLot
from tests.daemon.bench_of_values import ValueBench, value_bench

Make = Callable[..., Path]

TO_LOT_B = (
    ('rules = "mr-10-med.rules.toml"', 'rules = "mr-16-lrg.rules.toml"'),
    ('article = "MR-10-MED"', 'article = "MR-16-LRG"'),
    ('quantity = 120\norder = { "grade-1" = 36 }\ncells = 120',
     'quantity = 60\norder = { "grade-1" = 30 }\ncells = 60'),
)  # fmt: skip

NOISE_UM = 0.1
"""What step and noise add to a max − min, about; finished values have one decimal."""


@dataclass
class Shift:
    """A lot measured until nothing more is wanted of it."""

    bench: ValueBench
    lot: DemoLot
    seed: int
    warned_after: int | None = None
    filled_after: int | None = None

    def work(self) -> None:
        tray = {c.number: c for c in fill_tray(str(self.seed), self.lot.collets, 120)}
        while self.bench.runner.shown.signals.prompt == "clamp":
            cell = self.bench.runner.shown.signals.cell
            assert cell is not None
            collet = tray.pop(cell)
            clamper = Clamper(str(self.seed), collet, self.lot.collets, HOLDER_UM)
            while not (lit := self.bench.lamps):
                um = round(clamper.tighten().run_out_um + NOISE_UM, 1)
                self.bench.values(str(um))
                clamper.rotate(120.0, 10.0)
            assert self.bench.placed(next(iter(lit)))
            self._note()

    def _note(self) -> None:
        lot = self.now
        begun = sum(g.put_away for g in lot.grades) + lot.nonconforming + lot.hold
        if "order-short" in self.bench.runner.alarms:
            self.warned_after = self.warned_after or begun
        if lot.order_state != "open":
            self.filled_after = self.filled_after or begun
            view = self.bench.runner.lot
            assert view is not None
            assert wants_proof(lot) == view.wants_proof  # what the demo waits for

    @property
    def now(self) -> Lot:
        return snapshot.lot(self.bench.runner, self.bench.store)


@pytest.fixture
def shift(bench_folder: Make) -> Iterator[Callable[[DemoLot, int], Shift]]:
    opened: list[ValueBench] = []

    def make(lot: DemoLot, seed: int) -> Shift:
        other = TO_LOT_B if lot is LOT_B else ()
        for old in opened:
            old.close()
            old.config.store_path.unlink()
        opened.clear()
        opened.append(value_bench(bench_folder, *other))
        return Shift(opened[0], lot, seed)

    yield make
    for bench in opened:
        bench.close()


def test_lot_a_fills_its_order_and_its_rest_is_proved(
    shift: Callable[[DemoLot, int], Shift],
) -> None:
    done = shift(LOT_A, 1)
    done.work()
    lot = done.now
    assert done.filled_after is not None
    assert lot.rest is not None
    print(f"\nlot A: filled after piece {done.filled_after}; {lot.rest.text}")
    assert lot.grades[0].put_away >= 36
    assert done.warned_after is None
    assert 50 <= done.filled_after <= 85  # about 65 by the design
    assert (lot.rest.outcome, lot.rest.drawn) == ("proved", True)
    assert lot.rest.sample_size is not None
    assert done.bench.word == "order-filled"
    sample = [int(str(c)) for (c,) in done.bench.rows("SELECT tray_cell FROM pieces")]
    drawn = draw_order("demo/sample", range(done.filled_after + 1, 121))
    assert sample[done.filled_after :] == list(drawn[: lot.rest.sample_size])
    kinds = done.bench.rows("SELECT body FROM events WHERE kind = 'lot' ORDER BY seq")
    told = [LotData.model_validate(json.loads(str(body))["data"]) for (body,) in kinds]
    assert [data.what for data in told] == ["opened", "order-filled", "drawn", "look"]
    assert [of_the_lot(data) for data in told] == [
        "",
        "order filled: 36 of grade-1",
        f"a sample of {lot.rest.sample_size} of the {120 - done.filled_after} pieces left is "
        "drawn, seed 'demo/sample'",
        f"look 1: {lot.rest.text}",
    ]


def test_lot_b_runs_out_and_says_so_early(
    shift: Callable[[DemoLot, int], Shift],
) -> None:
    warned = []
    for seed in range(1, 6):
        done = shift(LOT_B, seed)
        done.work()
        lot = done.now
        assert lot.unmeasured == 0
        assert lot.grades[0].put_away < 30
        assert lot.rest is not None
        assert lot.rest.outcome == "nothing-left"
        assert done.bench.word == "blocked"
        assert done.warned_after is not None
        warned.append(done.warned_after)
    print(f"\nlot B: warned after piece {warned}")
    assert max(warned) <= 25


def warned_after(lot: DemoLot, bench: str, seed: int, ordered: int) -> tuple[int | None, bool]:
    """Return after which piece the lead is warned, and whether the order is filled."""
    good, warned = 0, None
    tray = fill_tray(f"{seed}/{bench}", lot.collets, lot.quantity)
    for count, collet in enumerate(tray, start=1):
        clamper = Clamper(f"{seed}/{bench}", collet, lot.collets, HOLDER_UM)
        pins = []
        for _ in range(3):
            pins.append(clamper.tighten())
            clamper.rotate(120.0, 10.0)
        worst_um = max(pin.run_out_um for pin in pins) + NOISE_UM
        good += worst_um <= lot.limits.top_um and all(pin.is_steady for pin in pins)
        if good >= ordered:
            return warned, True
        found = forecast(count, good, lot.quantity - count, ordered - good)
        if warned is None and found.is_short():
            warned = count
    return warned, False


@pytest.mark.long
def test_how_early_the_warning_comes_and_how_often_falsely() -> None:
    short = [warned_after(LOT_B, "b2", seed, 30) for seed in range(1, 201)]
    enough = [warned_after(LOT_A, "b1", seed, 36) for seed in range(1, 201)]
    after = sorted(999 if warned is None else warned for warned, _ in short)
    false = sum(warned is not None and is_filled for warned, is_filled in enough)
    filled = sum(is_filled for _, is_filled in enough)
    print(
        f"\nlot B, 200 seeds: warned after piece {after[100]} in the median, {after[180]} in "
        f"one of ten or later; lot A: {filled} filled, {false} of them warned of falsely"
    )
    assert after[100] <= 12
    assert after[180] <= 25
    assert false <= 0.05 * filled
