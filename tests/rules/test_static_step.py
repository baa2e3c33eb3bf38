"""A static step: what is read on a face at standstill, and what spoils it.

Common practice, no source; levels and differences are worked out by hand.
"""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from rules.bench import (
    BenchState,
    CheckBegun,
    CheckStopped,
    CommandRefusedError,
    DueChanged,
    step,
)
from rules.capture_model import (
    Edge,
    IndicatorRules,
    LineBack,
    LineLost,
    Seen,
    Signal,
    Tick,
)
from rules.check_at_bench import CheckRules, CheckStanding
from rules.check_due import Due
from rules.check_facts import CheckFact
from rules.facts import ClampingFact, Fact, RefusedFact
from rules.master_check import judge_static
from rules.masters import (
    Master,
    MasterError,
    StillSpan,
    run_out_limits,
    sensitivity_limits,
    static_limits,
)
from rules.reading import Reading
from rules.signals import show
from rules.static_step import (
    Announced,
    FaceRead,
    FaceSpoiled,
    StepOutcome,
    StepState,
    face_of,
    level_nm,
)
from rules.static_step import step as face_step
from tests.rules.test_foot_switch import CAPTURE, LOOSENED, LOT, RULES, SWEEP, S

BLOCK = Master("GB-1", "gauge-block", 0, 100, height_nm=50_000)
STILL = StillSpan(800_000, 400)
LIMITS = static_limits(BLOCK, 4_000, STILL)
BY = IndicatorRules("I", "far", -400_000, 400_000, SWEEP)
RUN_OUT = run_out_limits(Master("MM-1", "solid-mandrel", 100, 100), 800)
SENSE = sensitivity_limits(Master("EM-1", "eccentric-master", 5_100, 100), 4_000)
EVERY = S // 20


def walked(
    values: Sequence[int | Reading | Edge | Announced], state: StepState | None = None
) -> tuple[StepState, list[StepOutcome]]:
    """Return what comes of readings, 50 ms apart, and of what is announced between them."""
    found: list[StepOutcome] = []
    at, at_ns = state or StepState(), 10 * S
    for value in values:
        match value:
            case int():
                event: Seen | Edge | Announced = Seen("I", Reading(value), at_ns)
            case Reading():
                event = Seen("I", value, at_ns)
            case _:
                event = value
        at, outcomes = face_step(at, event, BY, 400)
        found += outcomes
        at_ns += EVERY
    return at, found


def test_a_face_is_read_once_it_was_announced_and_has_lain_still_for_a_second() -> None:
    at, found = walked([*[900] * 40, Announced(), *[1_000, 1_100] * 10])
    assert (found, at.is_reading) == ([], True)  # 20 readings: 0.95 s
    at, (read,) = walked([*[900] * 40, Announced(), *[1_000, 1_100] * 10, 1_100])
    assert isinstance(read, FaceRead)
    assert len(read.sweep.value_nm) == 21
    assert level_nm(read.sweep.value_nm) == 1_052  # 1052.38
    assert not at.is_reading


def test_a_slow_indicator_is_read_until_there_are_eight_readings() -> None:
    at, found = StepState(), list[StepOutcome]()
    for number in range(9):
        event = Announced() if number == 0 else Seen("I", Reading(700), number * S)
        at, outcomes = face_step(at, event, BY, 400)
        found += outcomes
    (read,) = found
    assert isinstance(read, FaceRead)
    assert len(read.sweep.value_nm) == 8


@pytest.mark.parametrize(
    ("values", "level"), [((1, 2), 2), ((-1, -2), -1), ((0,), 0), ((1, 1, 2), 1)]
)
def test_a_level_is_the_mean_rounded_half_up(values: Sequence[int], level: int) -> None:
    assert level_nm(values) == level


OVER = Reading(None, flags=frozenset({"over-range"}))
ZEROED = Reading(0, flags=frozenset({"offset-set"}))


@pytest.mark.parametrize(
    ("then", "reason", "from_start"),
    [
        pytest.param([600], "does not lie still", False, id="a hand still moves it"),
        pytest.param([OVER], "out of its range", False, id="over-range"),
        pytest.param([400_001], "touches nothing", False, id="outside the window"),
        pytest.param([Reading(100, mode="max-min")], "max-min memory", False, id="wrong mode"),
        pytest.param(
            [Reading(100, flags=frozenset({"frozen"}))], "holds its value", False, id="frozen"
        ),
        pytest.param([Reading(100, "inch")], "unit changed", True, id="switched to inch"),
        pytest.param([ZEROED], "was zeroed", True, id="zeroed"),
        pytest.param([Edge("index", True, S)], "spindle turns", False, id="index"),
        pytest.param([Edge("run", True, S)], "spindle turns", False, id="run contact"),
    ],
)
def test_what_spoils_a_face_is_told_and_the_face_is_announced_again(
    then: list[int | Reading | Edge | Announced], reason: str, from_start: bool
) -> None:
    at, found = walked([100, Announced(), 100, 150, *then])
    (spoiled,) = found
    assert isinstance(spoiled, FaceSpoiled)
    assert reason in spoiled.reason
    assert spoiled.what_to_do
    assert spoiled.from_start == from_start
    assert (at.is_reading, at.value_nm) == (False, ())
    _, again = walked([Announced(), *[Reading(100)] * 22], replace(at, track=StepState().track))
    assert [type(outcome) for outcome in again] == [FaceRead]


@pytest.mark.parametrize(
    "between", [Edge("index", True, S), OVER, 900, Edge("foot", True, S), Edge("run", False, S)]
)
def test_nothing_that_comes_before_the_announcement_counts(
    between: int | Reading | Edge,
) -> None:
    _, found = walked([100, between, 100, Announced(), *[100] * 22])
    assert [type(outcome) for outcome in found] == [FaceRead]


def test_a_unit_that_changes_between_the_faces_spoils_the_first() -> None:
    at, _ = walked([Announced(), *[100] * 22])
    _, (spoiled,) = walked([100, Reading(100, "inch")], at)
    assert isinstance(spoiled, FaceSpoiled)
    assert spoiled.from_start
    _, none = walked([100, Reading(100, "inch")])  # nothing was read yet
    assert none == []


# --- limits and judgement --------------------------------------------------------------------


def test_the_limits_are_the_height_within_what_the_bench_may_err_by_less_u() -> None:
    assert (LIMITS.low_nm, LIMITS.high_nm, LIMITS.allowed_nm) == (49_700, 50_300, 400)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"height_nm": 3_199}, "height 3.199 µm; accepted is 3.2 µm"),
        ({"height_nm": 800_000}, "less than the 800.0 µm that a window is wide"),
        ({"expanded_uncertainty_nm": 201}, "U 0.201 µm; accepted is at most half of the 0.4"),
        ({"subject": "eccentric-master"}, "has no height; accepted is a gauge block"),
    ],
)
def test_a_block_that_can_prove_nothing_is_refused(
    change: dict[str, object], says: str
) -> None:
    with pytest.raises(MasterError, match=says):
        static_limits(replace(BLOCK, **change), 4_000, STILL)  # type: ignore[arg-type]
    assert static_limits(replace(BLOCK, height_nm=3_200), 4_000, STILL).low_nm == 2_900
    with pytest.raises(MasterError, match="twice moving_um"):
        static_limits(replace(BLOCK, height_nm=9_999), 4_000, StillSpan(800_000, 5_000))


@pytest.mark.parametrize(
    ("beside", "on", "result", "says"),
    [
        (-25_000, 24_700, "good", "49.7 µm on GB-1"),
        (25_000, -25_300, "good", "50.3 µm"),
        (-25_000, 24_699, "failed", "reads 49.699 µm, 99 % of the certificate's 50.0 µm"),
        (-25_000, 25_301, "failed", "good is 49.7 to 50.3 µm"),
        (-500, 1_469, "failed", "4 % of the certificate's"),
        (100, 500, "invalid", "both faces read alike, 0.4 µm apart"),
        (25_000, 25_000, "invalid", "does not follow, or the stylus was not set over"),
    ],
)
def test_a_step_is_good_within_the_limits_whichever_way_the_stylus_counts(
    beside: int, on: int, result: str, says: str
) -> None:
    check = judge_static(beside, on, 400, LIMITS)
    assert (check.result, check.kind) == (result, "static-step")
    assert says in check.reason
    assert bool(check.what_to_do) == (result != "good")


def test_no_run_out_and_no_sensitivity_is_made_on_a_block() -> None:
    with pytest.raises(MasterError, match="accepted are a solid mandrel"):
        run_out_limits(BLOCK, 800)
    with pytest.raises(MasterError, match="accepted is an eccentric master"):
        sensitivity_limits(BLOCK, 4_000)


# --- at the bench ----------------------------------------------------------------------------


class Bench:
    """A bench of which run-out and sensitivity were found good just now."""

    def __init__(self, *positions: str) -> None:
        names = positions or ("far",)
        indicators = tuple(IndicatorRules(n, n, -400_000, 400_000, SWEEP) for n in names)
        self.names = names
        self.rules = replace(
            RULES,
            capture=replace(CAPTURE, indicators=indicators),
            check=CheckRules((RUN_OUT, SENSE, LIMITS)),
        )
        self.state = BenchState(seen=frozenset(names))
        self.facts: list[Fact] = []
        self.now_ns = 100 * S
        good = CheckStanding(frozenset({"run-out", "sensitivity"}))
        self.do(DueChanged(Due("due", ("a shift began",)), good))
        self.do(CheckBegun("command", "lead"))

    def do(self, event: object) -> None:
        self.state, facts = step(self.state, event, self.rules, LOT)  # type: ignore[arg-type]
        self.facts += facts

    def press(self) -> None:
        self.do(Edge("foot", True, self.now_ns))
        self.now_ns += S // 4
        self.do(Edge("foot", False, self.now_ns))

    def lie(self, value_nm: int, seconds: float = 1.2, *, of: str = "") -> None:
        for _ in range(round(20 * seconds)):
            self.now_ns += EVERY
            for name in self.names:
                at_nm = value_nm if name == (of or self.names[0]) else 77_000
                self.do(Seen(name, Reading(at_nm), self.now_ns))
            self.do(Tick(self.now_ns))

    def face(self, value_nm: int, *, of: str = "") -> None:
        self.lie(value_nm, 0.5, of=of)
        self.press()
        self.lie(value_nm, of=of)

    @property
    def text(self) -> str:
        return show(self.state, self.rules, LOT).text

    @property
    def prompt(self) -> str:
        return show(self.state, self.rules, LOT).prompt

    def checks(self) -> list[CheckFact]:
        return [fact for fact in self.facts if isinstance(fact, CheckFact)]


def test_the_prompt_leads_from_face_to_face_and_the_record_has_both() -> None:
    bench = Bench()
    assert "set the stylus beside gauge block GB-1" in bench.text
    assert (bench.prompt, show(bench.state, bench.rules, LOT).clampings) == ("check", 2)
    bench.lie(-25_000, 0.5)
    bench.press()
    assert (bench.prompt, bench.text) == (
        "wait", "Hands off: the stylus is read beside gauge block GB-1",
    )  # fmt: skip
    bench.lie(-25_000)
    assert "on gauge block GB-1" in bench.text
    bench.face(25_000)
    (check,) = bench.checks()
    assert (check.kind, check.result, check.master) == ("static-step", "good", BLOCK)
    assert [seat.positions[0].sweep.value_nm[0] for seat in check.seats] == [-25_000, 25_000]
    assert check.positions[0].check.reading_nm == 50_000
    assert bench.state.check is None


def test_a_step_that_reads_half_fails_and_ends_the_check() -> None:
    bench = Bench()
    bench.face(-12_500)
    bench.face(12_500)
    (check,) = bench.checks()
    assert check.result == "failed"
    assert "50 % of the certificate's 50.0 µm" in check.reason
    assert bench.state.check is None


def test_the_same_face_twice_is_no_failure_and_both_are_read_anew() -> None:
    bench = Bench()
    bench.face(-25_000)
    bench.face(-25_000)
    (check,) = bench.checks()
    assert check.result == "invalid"
    assert "beside gauge block" in bench.text
    assert "both faces read alike" in bench.text
    bench.face(-25_000)
    bench.face(25_000)
    assert [check.result for check in bench.checks()] == ["invalid", "good"]


def test_a_stylus_that_moves_is_told_recorded_and_read_again() -> None:
    bench = Bench()
    bench.face(-25_000)
    bench.press()
    bench.lie(24_000, 0.3)
    bench.lie(25_000, 0.3)
    (check,) = bench.checks()
    assert (check.result, check.reason) == ("invalid", "the stylus does not lie still")
    assert "on gauge block GB-1" in bench.text  # the first face stays
    assert "does not lie still: hands off" in bench.text
    bench.face(25_000)
    assert bench.checks()[-1].result == "good"


def test_a_command_announces_a_face_where_there_is_no_foot_switch() -> None:
    bench = Bench()
    for value_nm in (-25_000, 25_000):
        bench.lie(value_nm, 0.5)
        bench.do(CheckBegun("command", "lead"))
        bench.lie(value_nm)
    assert [check.result for check in bench.checks()] == ["good"]


def test_each_indicator_has_its_own_two_faces() -> None:
    bench = Bench("face", "far")
    assert show(bench.state, bench.rules, LOT).clampings == 4
    bench.face(-25_000, of="face")
    bench.face(25_000, of="face")
    assert bench.checks() == []
    assert "set the stylus of far beside gauge block GB-1" in bench.text
    bench.face(-25_000, of="far")
    bench.face(0, of="far")
    (check,) = bench.checks()
    assert check.result == "failed"
    assert check.reason.startswith("far: ")
    figures = [(p.position, p.check.result, p.check.reading_nm) for p in check.positions]
    assert figures == [("face", "good", 50_000), ("far", "failed", 25_000)]


def test_an_indicator_that_is_lost_meanwhile_has_both_faces_read_anew() -> None:
    bench = Bench()
    bench.face(-25_000)
    bench.do(LineLost("far", bench.now_ns, "unplugged"))
    bench.do(LineBack("far", bench.now_ns))
    assert "beside gauge block GB-1" in bench.text
    bench.face(-25_000)
    bench.face(25_000)
    assert [check.result for check in bench.checks()] == ["good"]


@pytest.mark.parametrize("how", ["good", "broken off"])
def test_nothing_that_was_read_at_standstill_is_a_clamping_or_a_loosening(how: str) -> None:
    bench = Bench()
    bench.state = replace(bench.state, capture=LOOSENED.capture)  # seen before the block
    signals: tuple[Signal, ...] = ("torque", "index")
    for signal in signals:
        bench.do(Edge(signal, True, bench.now_ns))
    bench.face(-25_000)
    if how == "good":
        bench.face(25_000)
    else:
        bench.do(CheckStopped("no block at hand", "lead"))
    assert bench.state.check is None
    assert bench.state.capture.loosening is None
    assert bench.state.capture.phase == "done"
    assert not [f for f in bench.facts if isinstance(f, ClampingFact | RefusedFact)]


def test_a_long_press_calls_for_help_and_reads_nothing() -> None:
    bench = Bench()
    bench.do(Edge("foot", True, bench.now_ns))
    bench.now_ns += 2 * S
    bench.do(Edge("foot", False, bench.now_ns))
    assert bench.state.check is not None
    assert not bench.state.check.face.is_reading


def test_another_check_cannot_be_begun_within_it_but_its_face_is() -> None:
    bench = Bench()
    bench.do(CheckBegun("command", "lead"))
    assert bench.state.check is not None
    assert bench.state.check.face.is_reading
    with pytest.raises(CommandRefusedError, match="needs a reason"):
        bench.do(CheckStopped(" ", "lead"))


def test_faces_are_counted_by_two_for_each_indicator() -> None:
    assert [face_of(n) for n in (1, 2, 3, 4)] == [
        (0, "beside"), (0, "on"), (1, "beside"), (1, "on"),
    ]  # fmt: skip
