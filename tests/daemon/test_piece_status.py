"""What a piece counts as today: every life a piece can have, and what a restart makes of it."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from daemon.store import Store
from daemon.store.lot_query import status_counts
from rules.bench import resume
from rules.facts import CorrectionFact, CycleEndedFact, CycleOpenedFact, Fact
from rules.lot import OpenWork
from tests.daemon.pieces import commit, measured, open_store, placed

Steps = list[tuple[Fact, ...]]

TOP, ORDINARY, HELD, OUT = (
    [2_000, 2_000, 2_000], [5_000], [11_000], [13_000],
)  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(tmp_path / "b.db")
    yield opened
    opened.close()


def interrupted(cycle: int = 1) -> tuple[Fact, ...]:
    return (CycleEndedFact(1, cycle, "interrupted", "IND-21: silent"),)


def retry(cycle: int) -> tuple[Fact, ...]:
    return (CycleOpenedFact(1, cycle, "retry", "chip", "lead"),)


def abandoned(cycle: int) -> tuple[Fact, ...]:
    ended = CycleEndedFact(1, cycle, "abandoned", "dropped")
    return (ended, CorrectionFact(1, cycle, "abandoned", "dropped", "lead"))


def again(tirs: list[int], cycle: int) -> Steps:
    return measured(1, tirs, cycle, "after-interruption", is_new=False)


def retried(tirs: list[int], cycle: int) -> Steps:
    return measured(1, tirs, cycle, "retry", is_new=False)


def put(bin_id: str, expected: str, cycle: int = 1) -> tuple[Fact, ...]:
    return (placed(1, bin_id, expected, cycle),)


def life(*parts: tuple[Fact, ...] | Steps) -> Steps:
    steps: Steps = []
    for part in parts:
        steps.extend(part if isinstance(part, list) else [part])
    return steps


TOP_STEPS = measured(1, TOP)

# The life, its steps, what it counts as then, its grade, and what a restart finds open.
LIVES: dict[str, tuple[Steps, str, str | None, OpenWork | None]] = {
    "one clamping of three": (
        TOP_STEPS[:1], "in-work", None,
        OpenWork(1, 1, "first", 0, 1, False, None, None, None),
    ),
    "a verdict that waits": (
        TOP_STEPS, "pending", "grade-1",
        OpenWork(1, 1, "first", 0, 3, False, "1", "grade-1", None),
    ),
    "in its bin": (life(TOP_STEPS, put("1", "1")), "put-away", "grade-1", None),
    "an ordinary one in its bin": (
        life(measured(1, ORDINARY), put("2", "2")), "put-away", "grade-2", None,
    ),
    "held in the guard band, waiting": (
        measured(1, HELD), "pending", None,
        OpenWork(1, 1, "first", 0, 1, False, "H", None, None),
    ),
    "held in the guard band": (life(measured(1, HELD), put("H", "H")), "hold", None, None),
    "held as invalid": (
        life(measured(1, ["drift", "drift", "drift"]), put("H", "H")), "hold", None, None,
    ),
    "nonconforming": (
        life(measured(1, OUT), put("N", "N")), "nonconforming", None, None,
    ),
    "nonconforming, waiting": (
        measured(1, OUT), "pending", None,
        OpenWork(1, 1, "first", 0, 1, False, "N", None, None),
    ),
    "in the wrong bin": (
        life(TOP_STEPS, put("2", "1")), "pending", "grade-1",
        OpenWork(1, 1, "first", 0, 3, False, "1", "grade-1", "2"),
    ),
    "put right again": (
        life(TOP_STEPS, put("2", "1"), put("1", "1")), "put-away", "grade-1", None,
    ),
    "interrupted": (
        life(TOP_STEPS[:2], interrupted()), "in-work", None,
        OpenWork(1, 1, "first", 0, 2, True, None, None, None),
    ),
    "interrupted and begun again": (
        life(TOP_STEPS[:2], interrupted(), again(TOP, 2)[:1]), "in-work", None,
        OpenWork(1, 2, "after-interruption", 0, 1, False, None, None, None),
    ),
    "interrupted twice": (
        life(TOP_STEPS[:2], interrupted(), again(TOP, 2)[:1], interrupted(2)), "in-work", None,
        OpenWork(1, 2, "after-interruption", 0, 1, True, None, None, None),
    ),
    "interrupted and measured again": (
        life(TOP_STEPS[:2], interrupted(), again(ORDINARY, 2), put("2", "2", 2)),
        "put-away", "grade-2", None,
    ),
    "a retry asked for": (
        life(measured(1, ORDINARY), retry(2)), "in-work", None,
        OpenWork(1, 2, "retry", 1, 0, False, None, None, None),
    ),
    "a retry that goes better": (
        life(measured(1, ORDINARY), retry(2), retried(TOP, 2), put("1", "1", 2)),
        "put-away", "grade-1", None,
    ),
    "a retry that goes worse": (
        life(TOP_STEPS, retry(2), retried(OUT, 2), put("N", "N", 2)),
        "nonconforming", None, None,
    ),
    "a retry after a wrong bin": (
        life(TOP_STEPS, put("2", "1"), retry(2), retried(TOP, 2)), "pending", "grade-1",
        OpenWork(1, 2, "retry", 1, 3, False, "1", "grade-1", None),
    ),
    "a retry interrupted": (
        life(measured(1, ORDINARY), retry(2), retried(TOP, 2)[:2], interrupted(2)),
        "in-work", None, OpenWork(1, 2, "retry", 1, 2, True, None, None, None),
    ),
    "a retry interrupted and measured again": (
        life(
            measured(1, ORDINARY), retry(2), retried(TOP, 2)[:2], interrupted(2),
            again(TOP, 3), put("1", "1", 3),
        ),
        "put-away", "grade-1", None,
    ),
    "given up in work": (life(TOP_STEPS[:2], abandoned(1)), "abandoned", None, None),
    "given up with its verdict": (
        life(TOP_STEPS, abandoned(1)), "abandoned", "grade-1", None,
    ),
    "given up after an interruption, nothing begun": (
        life(TOP_STEPS[:1], interrupted(), abandoned(2)), "abandoned", None, None,
    ),
    "given up in a retry": (
        life(measured(1, ORDINARY), retry(2), abandoned(2)), "abandoned", None, None,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", LIVES)
def test_a_piece_counts_as_what_its_facts_say(name: str, store: Store) -> None:
    steps, status, grade, _ = LIVES[name]
    for facts in steps:
        commit(store, *facts)
        with store.reading() as db:
            now = db.execute("SELECT status, grade FROM piece_status").fetchall()
            whole = status_counts(db, 1)
        standing = store.standing("b1")
        assert standing is not None
        assert standing.counts() == whole  # asked piece by piece, and all anew
    assert now == [(status, grade)]
    assert whole == {status: {grade or "": 1}}


@pytest.mark.parametrize("name", LIVES)
def test_a_restart_finds_the_piece_that_was_begun_and_not_put_away(
    name: str, store: Store
) -> None:
    steps, _, _, work = LIVES[name]
    for facts in steps:
        commit(store, *facts)
    assert store.open_work("b1") == work


@pytest.mark.parametrize("name", [name for name, life in LIVES.items() if life[3] is not None])
def test_what_a_start_adds_is_kept_and_a_second_start_adds_nothing(
    name: str, store: Store
) -> None:
    for facts in LIVES[name][0]:
        commit(store, *facts)
    before = store.open_work("b1")
    state, facts = resume(before)
    commit(store, *facts)
    assert before is not None
    assert state.piece == 1
    assert state.put_away.pending == before.bin
    assert len(facts) == (before.bin is None and before.clampings > 0 and
                          not before.is_interrupted)  # fmt: skip
    after, more = resume(store.open_work("b1"))
    assert (after, more) == (state, ())


@pytest.mark.parametrize(
    "name", [name for name, life in LIVES.items() if life[1] == "in-work" and life[3]]
)
def test_after_a_start_a_piece_in_work_is_measured_as_a_new_cycle_to_its_end(
    name: str, store: Store
) -> None:
    for facts in LIVES[name][0]:
        commit(store, *facts)
    state, facts = resume(store.open_work("b1"))
    commit(store, *facts)
    cycle = state.cycle
    for facts in measured(1, TOP, cycle.number, cycle.kind, is_new=False):
        commit(store, *facts)
    commit(store, *put("1", "1", cycle.number))
    with store.reading() as db:
        row = db.execute("SELECT status, grade, cycle_number FROM piece_status").fetchall()
    assert row == [("put-away", "grade-1", cycle.number)]
    assert store.open_work("b1") is None


def test_a_number_is_never_given_twice(store: Store) -> None:
    for facts in life(TOP_STEPS[:1], abandoned(1)):
        commit(store, *facts)
    lot = store.lot("b1")
    assert lot is not None
    assert lot.next_piece == 2


def test_the_second_pieces_life_is_its_own(store: Store) -> None:
    for facts in life(TOP_STEPS, put("1", "1")):
        commit(store, *facts)
    for facts in measured(2, TOP)[:1]:
        commit(store, *facts)
    assert store.open_work("b1") == OpenWork(2, 1, "first", 0, 1, False, None, None, None)
    lot = store.lot("b1")
    assert lot is not None
    assert (dict(lot.put_away), dict(lot.pending)) == ({"grade-1": 1}, {})


def test_a_pending_piece_stops_the_next_as_much_as_one_in_its_bin(store: Store) -> None:
    for facts in TOP_STEPS:
        commit(store, *facts)
    lot = store.lot("b1")
    assert lot is not None
    assert (dict(lot.put_away), dict(lot.pending)) == ({}, {"grade-1": 1})


def test_what_was_asked_before_a_reopening_is_asked_anew(
    tmp_path: Path,
) -> None:
    path = tmp_path / "c.db"
    store = open_store(path)
    for facts in TOP_STEPS:
        commit(store, *facts)
    known = store.standing("b1")
    store.close()
    store = Store(path)
    found = store.standing("b1")
    assert known is not None
    assert found is not None
    assert found.counts() == known.counts() == {"pending": {"grade-1": 1}}
    assert (found.firsts, found.last) == (known.firsts, 1)
    store.close()
