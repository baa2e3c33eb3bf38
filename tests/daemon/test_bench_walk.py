"""A bench led through anything that can happen to it, beside an oracle of thirty lines.

Values, bins, losses, retries, giving up, restarts and a disk that fails, in any order: counts,
lamps, standing and the record agree with the oracle after every one of them.
"""

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.config import load
from daemon.store.lot_query import status_counts
from rules.bench import Abandoned, CommandRefusedError, RetryAsked
from tests.daemon.bench_of_values import SINGLE_VALUES, ValueBench

SCENARIO = Path(__file__).parents[2] / "simulators" / "scenario"


@dataclass
class Oracle:
    """What the rule file says, by hand: grade 1 thrice up to 3.2, grade 2 once up to 12.

    Attributes:
        ended: Status and grade of each piece that is in work no more, by number.
        piece: The one in work or in hand.
    """

    ended: dict[int, tuple[str, str]] = field(default_factory=dict)
    piece: int | None = None
    tirs: list[float] = field(default_factory=list)
    pending: tuple[str, str] | None = None
    wrong: str | None = None
    retries: int = 0

    @property
    def next_piece(self) -> int:
        return max([0, *self.ended, self.piece or 0]) + 1

    def value(self, tir: float) -> None:
        if self.pending:
            return
        self.piece = self.piece or self.next_piece
        self.tirs.append(tir)
        if max(self.tirs) > 12:
            self.pending = ("N", "")
        elif max(self.tirs) > 3.2:
            self.pending = ("2", "grade-2")
        elif len(self.tirs) == 3:
            self.pending = ("1", "grade-1")

    def placed(self, bin_id: str) -> None:
        if self.pending and self.pending[0] == bin_id:
            status = "put-away" if self.pending[1] else "nonconforming"
            self._end(status, self.pending[1])
        elif self.pending:
            self.wrong = bin_id

    def interrupt(self) -> None:
        if not self.pending:
            self.tirs = []

    def retry(self) -> bool:
        if not self.pending or self.retries == 1:
            return False
        self.tirs, self.pending, self.wrong, self.retries = [], None, None, 1
        return True

    def abandon(self) -> bool:
        if self.piece is None:
            return False
        self._end("abandoned", self.pending[1] if self.pending else "")
        return True

    def _end(self, status: str, grade: str) -> None:
        assert self.piece is not None
        self.ended[self.piece] = (status, grade)
        self.piece, self.tirs, self.pending, self.wrong, self.retries = None, [], None, None, 0

    def counts(self) -> Counter[tuple[str, str]]:
        found = Counter(self.ended.values())
        if self.piece is not None:
            now = ("pending", self.pending[1]) if self.pending else ("in-work", "")
            found[now] += 1
        return found

    def lamps(self) -> dict[str, str]:
        if self.pending is None:
            return {}
        return {self.pending[0]: "on", **({self.wrong: "fast"} if self.wrong else {})}


def act(bench: ValueBench, oracle: Oracle, what: str) -> None:
    """Do the same to both."""
    match what.split():
        case ["value", um]:
            bench.value(um)
            oracle.value(float(um))
        case ["placed", bin_id]:
            bench.placed(bin_id)
            oracle.placed(bin_id)
        case ["unplug"]:
            bench.lose()
            bench.find()
            oracle.interrupt()
        case ["restart"]:
            bench.restart()
            oracle.interrupt()
        case ["disk", um]:
            _fail(bench, um)
            oracle.interrupt()
        case ["retry"]:
            assert _asked(bench, RetryAsked("chip", "lead")) == oracle.retry()
        case ["abandon"]:
            assert _asked(bench, Abandoned("dropped", "lead")) == oracle.abandon()
        case _:
            raise AssertionError(what)


def _asked(bench: ValueBench, command: RetryAsked | Abandoned) -> bool:
    try:
        return bench.handle(command)
    except CommandRefusedError:
        return False


def _fail(bench: ValueBench, um: str) -> None:
    """Let the disk fail for one value; without facts nothing is written and nothing fails."""
    bench.break_disk()
    assert not bench.value(um)
    bench.mend_disk()
    assert bench.runner.recover()


def agree(bench: ValueBench, oracle: Oracle) -> None:
    lot = bench.runner.lot
    standing = bench.store.standing("b1")
    assert lot is not None
    assert standing is not None
    with bench.store.reading() as db:
        assert standing.counts() == status_counts(db, standing.lot_id)
    counted = Counter(
        {
            (status, grade): pieces
            for status, grades in standing.counts().items()
            for grade, pieces in grades.items()
        }
    )
    assert counted == oracle.counts()
    assert lot.next_piece == oracle.next_piece
    assert bench.lamps == oracle.lamps()
    seqs = [row[0] for row in bench.rows("SELECT seq FROM events ORDER BY seq")]
    assert seqs == list(range(1, len(seqs) + 1))


values = st.sampled_from(["2.0", "3.2", "3.3", "12.0", "12.1"])
steps = st.one_of(
    values.map("value {}".format),
    st.sampled_from(["value 2.0", "value 3.1"]),
    st.sampled_from("12HN").map("placed {}".format),
    st.just("unplug"),
    st.just("restart"),
    st.just("retry"),
    st.just("abandon"),
    st.just("disk 2.0"),
)


@settings(deadline=None, max_examples=40)
@given(st.lists(steps, max_size=25))
def test_a_bench_and_the_oracle_agree_after_every_step(walk: list[str]) -> None:
    import tempfile

    with tempfile.TemporaryDirectory(prefix="reclamp-walk-") as folder:
        path = _bench_file(Path(folder))
        bench, oracle = ValueBench(load(path)), Oracle()
        try:
            for what in walk:
                if what.startswith("disk") and oracle.pending:
                    continue  # a value in hand is an alarm that may stand already: no facts
                act(bench, oracle, what)
                agree(bench, oracle)
        finally:
            bench.close()


def _bench_file(folder: Path) -> Path:
    for source in SCENARIO.glob("*.toml"):
        text = source.read_text(encoding="utf-8")
        text = text.replace(*SINGLE_VALUES, 1)
        text = text.replace('quantity = 120\norder = { "grade-1" = 36 }\ncells = 120', "")
        (folder / source.name).write_text(text, encoding="utf-8")
    return folder / "bench.toml"


@pytest.mark.parametrize(
    "walk",
    [
        "value 2.0; restart; value 2.0; value 2.0; value 2.0; placed 1",
        "value 5.0; placed 1; restart; retry; value 2.0; unplug; value 13.0; placed N",
        "value 2.0; disk 2.0; restart; abandon; value 12.1; placed N; value 3.3; placed 2",
        "value 5.0; retry; restart; value 2.0; value 2.0; value 2.0; retry; placed 1; retry",
        "value 5.0; retry; abandon; value 2.0; unplug; abandon; placed 1",
    ],
)
def test_walks_that_were_trouble_once_or_might_be(walk: str, tmp_path: Path) -> None:
    bench, oracle = ValueBench(load(_bench_file(tmp_path))), Oracle()
    for what in walk.split("; "):
        act(bench, oracle, what)
        agree(bench, oracle)
    bench.close()
