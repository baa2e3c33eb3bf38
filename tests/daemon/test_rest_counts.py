"""What a piece counts for the proof of the rest: the record's count against the plain one."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.store import Store
from rules.clamping import Clamping, PositionRunOut
from rules.facts import ClampingFact, CorrectionFact, CycleEndedFact, Fact
from rules.first_clamping import FirstClamping, Tally, tally
from rules.grading import assess, decide
from rules.rest_plan import RestPlan, plan_at_opening
from rules.ruleset import Grade, Limit, Rest
from rules.sweep import RunOut
from tests.daemon.pieces import RULES, clamping, commit, measured, open_store

PLAN = plan_at_opening(Rest("sample", 0.1, 0.1), RULES.grades[-1], 40, False, "normal")
"""Acceptance limit 10 µm."""

BY_PLACE = replace(
    PLAN, acceptance_limit_nm=5_000,
    positions=(Limit(6_000, 1_000, "face"), Limit(12_000, 2_000, "far")),
)  # fmt: skip


def counted(store: Store) -> Tally:
    lot = store.lot("b1")
    assert lot is not None
    assert lot.rest is not None
    return lot.rest.all_pieces


@pytest.fixture
def opened(tmp_path: Path, request: pytest.FixtureRequest) -> Callable[..., Store]:
    def made(plan: RestPlan = PLAN) -> Store:
        store = open_store(tmp_path / "b.db", quantity=40, rest=plan)
        request.addfinalizer(store.close)
        return store

    return made


def interrupted(cycle: int) -> Fact:
    return CycleEndedFact(1, cycle, "interrupted", "IND-21: silent")


def again(tirs: Sequence[int], cycle: int) -> tuple[Fact, ...]:
    steps = measured(1, tirs, cycle, "after-interruption", is_new=False)
    return tuple(fact for step in steps for fact in step)


def first_of(*tirs: int, at: float = 0.0) -> tuple[Fact, ...]:
    return tuple(fact for step in measured(1, tirs, at_s=at) for fact in step)


LIVES: dict[str, tuple[Sequence[tuple[Fact, ...]], FirstClamping]] = {
    "graded by one clamping": ([first_of(5_000)], FirstClamping(5_000)),
    "the first of three counts, not the largest": (
        [first_of(3_000, 3_000, 11_000)], FirstClamping(3_000),
    ),
    "an interrupted clamping stands, the cycle after it does not replace it": (
        [first_of(3_000), (interrupted(1),), again([13_000], 2)], FirstClamping(3_000),
    ),
    "nothing measured before the interruption: the next cycle's first": (
        [(measured(1, [2_000, 2_000])[0][0],), (interrupted(1),), again([13_000], 2)],
        FirstClamping(2_000),
    ),
    "equal to the acceptance limit": ([first_of(10_000)], FirstClamping(10_000)),
    "one nanometre above it": ([first_of(10_001)], FirstClamping(10_001)),
    "given up": (
        [first_of(5_000), (CorrectionFact(1, 1, "abandoned", "dropped", "lead"),)],
        FirstClamping(5_000, "void"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("life", LIVES)
def test_the_record_counts_as_the_plain_rule_does(
    opened: Callable[..., Store], tmp_path: Path, life: str
) -> None:
    steps, piece = LIVES[life]
    store = opened()
    for facts in steps:
        commit(store, *facts)
    assert counted(store) == tally([piece], PLAN.acceptance_limit_nm)
    store.close()
    again_from_the_file = Store(tmp_path / "b.db")
    assert counted(again_from_the_file) == tally([piece], PLAN.acceptance_limit_nm)
    again_from_the_file.close()


def test_run_out_seen_in_an_invalid_clamping_counts_against_the_piece(
    opened: Callable[..., Store],
) -> None:
    """13 µm seen, though no whole turn: above all limits, and no clamping with a result."""
    store = opened()
    seen = clamping(13_000, "turns-disagree")
    assessed = assess(seen, RULES)
    decision = decide([assessed], RULES)
    assert decision is not None
    assert decision.bin == "N"
    commit(
        store, ClampingFact(1, True, 1, "first", 1, seen, assessed),
        CycleEndedFact(1, 1, "graded", decision.text, decision),
    )  # fmt: skip
    assert counted(store) == tally([FirstClamping(None, seen_nm=13_000)], 10_000)


def test_a_piece_in_work_is_not_counted_yet(opened: Callable[..., Store]) -> None:
    store = opened()
    commit(store, *measured(1, [2_000, 2_000])[0])
    assert counted(store) == Tally(0, 0)


def at_places(face_nm: int, far_nm: int) -> Clamping:
    one = clamping(face_nm)
    places = [
        PositionRunOut(
            "IND-21", name, one.positions[0].sweep,
            RunOut(tir, tir, (tir, tir), 48, 0, None),
        )
        for name, tir in (("face", face_nm), ("far", far_nm))
    ]  # fmt: skip
    return replace(one, positions=tuple(places))


@pytest.mark.parametrize(
    ("face_nm", "far_nm", "beyond"),
    [(4_000, 9_500, 0), (5_000, 10_000, 0), (5_001, 1_000, 1), (1_000, 10_001, 1)],
)
def test_each_position_has_its_own_limit(
    opened: Callable[..., Store], face_nm: int, far_nm: int, beyond: int
) -> None:
    rules = replace(
        RULES, grades=(Grade("grade-2", 6_000, 1, "2", 1_000, positions=BY_PLACE.positions),)
    )
    store = opened(BY_PLACE)
    made = at_places(face_nm, far_nm)
    grades = assess(made, rules)
    assert (grades.result == "beyond") == bool(beyond)  # the verdict's own rule says the same
    commit(store, ClampingFact(1, True, 1, "first", 1, made, grades))
    commit(store, *measured(1, [5_000])[-1][1:])
    assert counted(store) == Tally(1, beyond)
    lot = store.lot("b1")
    assert lot is not None
    assert lot.rest is not None
    assert lot.rest.plan == BY_PLACE
