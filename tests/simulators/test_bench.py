"""The simulated bench from its cable: bytes and their times."""

from itertools import pairwise

from drivers import Reading, ascii_poll
from simulators.bench import Bench, Emission, Sent
from simulators.mistakes import Mistakes
from simulators.scenario import B2_FRAME, LOT_A, LOT_B, demo_bench
from simulators.truth import (
    NutOpened,
    SpindleSwitched,
    Tightened,
    TrayEmpty,
)
from tests.simulators.bench_runs import MS, S, facts, free_run, readings

# --- pace and determinism ----------------------------------------------------------------


def test_twenty_frames_a_second_leave_the_line_each_after_its_wire_time() -> None:
    _, emissions = free_run(1, 2, 100 * S)
    sent = [emission for emission in emissions if isinstance(emission, Sent)]
    assert len(sent) == 2000
    wire_ns = len(sent[0].data) * 10 * S // 9600  # 8N1: ten bits a byte
    assert sent[0].at_ns == wire_ns
    assert {later.at_ns - earlier.at_ns for earlier, later in pairwise(sent)} == {50 * MS}


def test_the_same_seed_gives_the_same_bytes_at_the_same_times() -> None:
    first, second = free_run(3, 8, 900 * S), free_run(3, 8, 900 * S)
    assert first[1] == second[1]
    assert first[0].truth == second[0].truth
    assert free_run(4, 8, 900 * S)[1] != first[1]


def test_how_time_is_cut_into_steps_changes_nothing() -> None:
    _, whole = free_run(5, 4, 300 * S)
    bench = Bench(demo_bench("b1", 5, 4), 5, LOT_A.limits)
    parts: list[Emission] = []
    for at_ns in range(0, 300 * S + 1, 37 * MS):
        parts += bench.advance(at_ns)
    parts += bench.advance(300 * S)
    assert parts == whole


def test_nothing_is_left_behind_by_a_sleep_until_next() -> None:
    _, whole = free_run(5, 4, 60 * S)
    bench = Bench(demo_bench("b1", 5, 4), 5, LOT_A.limits)
    parts: list[Emission] = []
    while (next_ns := bench.next_ns) is not None and next_ns <= 60 * S:
        parts += bench.advance(next_ns)
    assert parts == whole


def test_the_truth_of_the_clampings_does_not_depend_on_the_operators_pace() -> None:
    slow = Mistakes(planned={1: frozenset({"walk-away"}), 3: frozenset({"no-spindle"})})
    calm, _ = free_run(6, 6, 2400 * S)
    busy, _ = free_run(6, 6, 2400 * S, slow)
    assert calm.truth[-1].at_ns != busy.truth[-1].at_ns

    def run_outs(bench: Bench) -> list[tuple[int, int, float]]:
        return [(p.piece, p.ordinal, p.run_out_um) for p in facts(bench, Tightened)]

    assert run_outs(calm) == run_outs(busy)


# --- what one piece looks like on the wire -----------------------------------------------


def test_every_frame_of_a_whole_tray_is_read_by_the_driver() -> None:
    bench, emissions = free_run(7, 25, 3600 * S)
    assert isinstance(bench.truth[-1], TrayEmpty)
    assert len(readings(emissions)) == 72_000


def test_each_sweep_shows_index_flags_a_period_apart_and_the_true_run_out() -> None:
    bench, emissions = free_run(8, 10, 1200 * S)
    seen = readings(emissions)
    pins = {(pin.piece, pin.ordinal): pin for pin in facts(bench, Tightened)}
    on: SpindleSwitched | None = None
    for fact in facts(bench, SpindleSwitched):
        if fact.is_on:
            on = fact
            continue
        assert on is not None
        sweep = [(at, r) for at, r in seen if on.at_ns + S < at < fact.at_ns]
        passes = [at for at, reading in sweep if "index" in reading.flags]
        assert len(passes) >= 3
        assert all(abs(b - a - 2400 * MS) <= 50 * MS for a, b in pairwise(passes))
        values = [r.value_nm for at, r in sweep if passes[0] <= at <= passes[1]]
        tir_um = (max(v or 0 for v in values) - min(v or 0 for v in values)) / 1000
        pin = pins[fact.piece, fact.ordinal]
        if pin.is_steady:
            # Step 0.1 and noise σ 0.05 µm lift a max − min; few samples lower it by 0.3 %.
            assert -0.15 < tir_um - pin.run_out_um < 0.45


def test_between_two_clampings_the_pin_jumps_visibly_and_the_stylus_lifts() -> None:
    bench, emissions = free_run(9, 12, 1500 * S)
    seen = readings(emissions)
    openings = facts(bench, NutOpened)
    assert len(openings) > 10
    for fact in openings:
        assert 30 <= abs(fact.jump_um) <= 300
        on_ns = int(fact.stylus_on_s * S)
        jumped = [
            reading.value_nm or 0
            for at, reading in seen
            if fact.at_ns + 150 * MS < at < fact.at_ns + on_ns
        ]
        assert len(jumped) * 50 >= 500
        assert all(abs(value / 1000 - fact.jump_um) < 2.5 for value in jumped)
        lifted_ns = fact.at_ns + on_ns
        away = [r.value_nm for at, r in seen if lifted_ns + S // 2 < at < lifted_ns + 3 * S]
        assert away
        assert all(value is not None and value < -600_000 for value in away)


def test_the_foot_switch_is_pressed_before_each_start_of_the_spindle() -> None:
    bench, emissions = free_run(10, 5, 600 * S)
    presses = [at for at, reading in readings(emissions) if "foot" in reading.flags]
    for fact in facts(bench, SpindleSwitched):
        if fact.is_on:
            assert any(fact.at_ns - S < at <= fact.at_ns + 70 * MS for at in presses)


def test_a_polled_bench_speaks_only_when_asked_and_each_answer_is_read() -> None:
    bench = Bench(demo_bench("b2", 1, 2), 1, LOT_B.limits)
    assert not [e for e in bench.advance(20 * S) if isinstance(e, Sent)]
    driver = ascii_poll.make(B2_FRAME)
    for at_ns in range(20 * S, 30 * S, 100 * MS):
        request = driver.next_request()
        assert request is not None
        bench.received(request[:2], at_ns)
        bench.received(request[2:], at_ns + MS)
        (sent,) = bench.advance(at_ns + 90 * MS)
        assert isinstance(sent, Sent)
        assert at_ns + 21 * MS < sent.at_ns < at_ns + 60 * MS
        (reading,) = driver.feed(sent.data)
        assert isinstance(reading, Reading)


def test_a_polled_bench_with_its_stylus_lifted_is_over_range() -> None:
    bench = Bench(demo_bench("b2", 1, 2), 1, LOT_B.limits)
    bench.received(b"tell\r", S)
    (sent,) = bench.advance(2 * S)
    assert isinstance(sent, Sent)
    assert sent.data == b"-------- mm\r"
