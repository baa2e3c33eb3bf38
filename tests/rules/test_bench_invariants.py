"""Whatever comes, in whatever order: the invariants of a bench (held by ``shop_log``)."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from random import Random

import pytest

from rules.bench import Abandoned, BenchEvent, CallAnswered, Placed, RetryAsked
from rules.capture_model import Edge, LineBack, LineLost, Seen, Signal, Tick
from rules.put_away import Confirmation
from rules.reading import Flag, Reading
from rules.ruleset import Evidence
from tests.rules.bench_tape import INDEX, SPEED, S, Tape
from tests.rules.shop_log import GRADES, LOT, RULES, Shop, bench_rules

BY: Sequence[Sequence[Confirmation]] = (
    ("bin",), ("foot",), ("removal",), ("bin", "foot"), ("bin", "removal"),
    ("bin", "foot", "removal"),
)  # fmt: skip
FLAGS: Sequence[Flag] = ("over-range", "low-battery", "frozen", "offset-set")


def an_action(rng: Random, tape: Tape, turns: float) -> list[BenchEvent]:
    """Return what a careless shift does next: whole clampings, and everything in between."""
    first = len(tape.events)
    tir_um = rng.choice((0.0, 1.0, 2.0, 3.0, 4.4, 4.7, 9.0, 11.0, 40.0))
    match rng.randrange(10):
        case 0 | 1 | 2 | 3 | 4:
            tape.lift(4.0).clamp(tir_um).rest(0.7).turn(turns)
        case 5:
            tape.lift(4.0).clamp(tir_um).rest(0.7).turn(rng.uniform(0.2, 2.2))
            tape.rest(rng.uniform(0, 3))
        case 6:
            tape.rest(rng.uniform(0, 2)).turn(turns)
        case 7:
            tape.spring(rng.choice((-60, 25, 90)), 0.8).clamp(tir_um).rest(2).turn(turns)
        case 8:
            tape.lift(rng.uniform(0.1, 4)).rest(rng.uniform(0.1, 1))
        case _:
            tape.pause(rng.uniform(0.1, 3))
    return [*tape.events[first:]]


def a_hand(rng: Random, at_ns: int) -> list[BenchEvent]:
    """Return what somebody does at a moment of his own choice."""
    signals: Sequence[Signal] = ("foot", "foot", "torque", "index", "run")
    flags = frozenset(rng.sample(FLAGS, rng.randrange(3)))
    match rng.randrange(10):
        case 0 | 1 | 2:
            return [Placed(rng.choice(("1", "1", "2", "N", "H")))]
        case 3:
            return [RetryAsked(rng.choice(("a chip", "")), "lead")]
        case 4:
            return [Abandoned(rng.choice(("dropped", " ")), "lead")]
        case 5:
            return [LineLost("IND-1", at_ns, "silent")]
        case 6:
            return [LineBack("IND-1", at_ns)]
        case 7:
            return [Seen("IND-1", Reading(rng.randrange(-9, 9) * 100, flags=flags), at_ns)]
        case 8:
            return [Tick(at_ns), CallAnswered("lead")]
        case _:
            return [Edge(rng.choice(signals), rng.random() < 0.6, at_ns)]


def with_hands(rng: Random, events: Sequence[BenchEvent]) -> list[BenchEvent]:
    """Return the events with hands in between, at about one action in two."""
    out: list[BenchEvent] = []
    for event in events:
        if isinstance(event, Seen | Edge) and rng.random() < 0.005:
            out += a_hand(rng, event.at_ns)
        out.append(event)
    return out


def put_away(rng: Random, shop: Shop, now_ns: int) -> None:
    """Put the piece in hand away as the lamp says, most of the time."""
    lit = shop.state.put_away.pending
    if lit is None or rng.random() < 0.2:
        return
    shop.step(Placed(lit))
    shop.step(Edge("foot", True, now_ns))
    shop.step(Edge("foot", False, now_ns + S // 5))


def a_shift(rng: Random, proof: str) -> Shop:
    asked: Evidence | None = rng.choice((None, None, None, "pin-jump", "foot-switch"))
    grading = replace(RULES, grades=(replace(GRADES[0], loosening=asked), *GRADES[1:]))
    capture = INDEX if proof == "index" else SPEED
    rules = bench_rules(*rng.choice(BY), capture=capture, grading=grading)
    ordered = {"top": rng.randint(1, 3)} if rng.random() < 0.7 else {}
    shop = Shop(rules, replace(LOT, quantity=rng.randint(2, 12), ordered=ordered))
    tape = Tape(seed=rng.randrange(1 << 30), has_index=proof == "index").rest(0.5)
    for _ in range(rng.randint(6, 20)):
        shop.run(with_hands(rng, an_action(rng, tape, 3.2 if proof == "index" else 3.6)))
        put_away(rng, shop, tape.now_ns)
        if shop.state.lost and rng.random() < 0.7:
            shop.step(LineBack("IND-1", tape.now_ns))
    return shop


@pytest.mark.parametrize("proof", ["index", "speed"])
def test_no_shift_however_careless_breaks_an_invariant(proof: str) -> None:
    seen: Counter[str] = Counter()
    for seed in range(70):
        shop = a_shift(Random(f"{proof}/{seed}"), proof)
        seen.update(type(fact).__name__ for fact in shop.facts)
        seen.update(f"refused {reason}" for reason in shop.refusals())
        seen.update(f"to {bin_id}" for _, bin_id in shop.verdicts())
        seen["commands refused"] += len(shop.refused)
    # A test that never comes to these places proves nothing about them.
    for place in (
        "ClampingFact", "CycleEndedFact", "PutAwayFact", "CycleOpenedFact", "CorrectionFact",
        "AlarmFact", "LotFact", "refused before-put-away", "refused order-filled",
        "refused beyond-lot", "refused begun-before", "to 1", "to 2", "to N", "to H",
        "commands refused",
    ):  # fmt: skip
        assert seen[place] > 0, (place, seen)


def test_no_order_of_single_events_breaks_an_invariant() -> None:
    """Not even one that no bench could send: pure noise of events."""
    for seed in range(300):
        rng = Random(seed)
        shop = Shop(bench_rules(*rng.choice(BY)))
        now_ns = 10 * S
        for _ in range(rng.randint(50, 250)):
            now_ns += rng.choice((S // 20, S // 20, S // 20, S // 2, 3 * S))
            if rng.random() < 0.7:
                nm = rng.choice((None, 0, 100, 4_000, 30_000, 500_000))
                flags = frozenset(rng.sample(FLAGS, rng.randrange(2)))
                shop.step(Seen("IND-1", Reading(nm, flags=flags), now_ns))
            else:
                shop.run(a_hand(rng, now_ns))


def test_an_order_is_never_overfilled() -> None:
    for seed in range(12):
        tape = Tape(seed=seed).rest(0.5)
        shop = Shop()
        for _ in range(20):
            first = len(tape.events)
            shop.run(tape.lift(8).clamp(2.0).rest(0.7).turn(3.2).events[first:])
            if shop.state.put_away.pending is not None:
                shop.step(Placed(shop.state.put_away.pending))
        assert shop.lot is not None
        assert shop.lot.put_away == {"top": 4}
        # Now and then two of one run-out read alike, and one is asked for again.
        assert sum(fact.assessed.invalid is None for fact in shop.clampings()) == 12
        assert set(shop.refusals()) == {"order-filled"}
