"""Master checks from simulated sweeps. Limits and shares: common practice, no source."""

from cmath import rect
from math import pi
from random import Random

import pytest

from rules.master_check import judge_run_out, judge_sensitivity
from rules.master_seat import Seat
from rules.masters import (
    Master,
    MasterError,
    holder_allowed_nm,
    run_out_limits,
    sensitivity_limits,
    tightest_limit_nm,
)
from rules.ruleset import Grade
from tests.rules.master_bench import (
    FASTEST_NS,
    MASTER,
    MasterBench,
    both_seats,
    mandrel,
    play,
)

GRADES = (Grade("grade-1", 4_000, 3, "1", 800), Grade("grade-2", 12_000, 1, "2"))
MANDREL = Master("MM-1", "solid-mandrel", 100, 50)
SENSE = sensitivity_limits(MASTER, tightest_limit_nm(GRADES))
TRUE = run_out_limits(MANDREL, holder_allowed_nm(GRADES))


def test_limits_come_from_the_certificate_with_its_uncertainty_against_the_bench() -> None:
    assert (TRUE.low_nm, TRUE.high_nm) == (1, 800 - 100 - 50)
    assert (SENSE.low_nm, SENSE.high_nm) == (5_100 - 300, 5_100 + 300)


def test_an_eccentric_master_has_to_suit_the_tightest_limit() -> None:
    for tir_nm in (3_200, 6_000):
        sensitivity_limits(Master("EM", "eccentric-master", tir_nm, 100), 4_000)
    for tir_nm in (3_199, 6_001):
        with pytest.raises(MasterError, match=r"accepted is 3\.2 to 6\.0 µm"):
            sensitivity_limits(Master("EM", "eccentric-master", tir_nm, 100), 4_000)


@pytest.mark.parametrize(
    ("master", "says"),
    [
        (Master("EM", "eccentric-master", 5_100, 201), "at most half"),
        (MANDREL, "accepted is an eccentric master"),
    ],
)
def test_a_master_that_proves_no_sensitivity_is_refused(master: Master, says: str) -> None:
    with pytest.raises(MasterError, match=says):
        sensitivity_limits(master, 4_000)


def test_a_master_that_proves_no_true_running_is_refused() -> None:
    with pytest.raises(MasterError, match="leaves nothing"):
        run_out_limits(Master("MM", "solid-mandrel", 700, 100), 800)
    with pytest.raises(MasterError, match="accepted are a solid mandrel"):
        run_out_limits(MASTER, 800)


def test_a_reading_on_the_limit_is_good_and_one_nanometre_beyond_is_not() -> None:
    assert judge_run_out(Seat(650), TRUE).result == "good"
    assert judge_run_out(Seat(651), TRUE).result == "failed"
    for tir_nm, result in ((4_799, "failed"), (4_800, "good"), (5_400, "good")):
        seats = (Seat(tir_nm, turn_ns=FASTEST_NS),) * 2
        assert judge_sensitivity(seats, SENSE, FASTEST_NS).result == result


def test_a_run_out_check_that_reads_exactly_zero_fails_with_the_reason() -> None:
    for seat in (Seat(0), Seat(None, "frozen-value")):
        check = judge_run_out(seat, TRUE)
        assert check.result == "failed"
        assert "exactly zero" in check.reason
        assert "sensitivity" in check.what_to_do


def test_a_slip_of_the_hand_is_no_failure_but_has_to_be_measured_again() -> None:
    assert judge_run_out(Seat(None, "short-turn"), TRUE).result == "invalid"
    seats = (Seat(5_100), Seat(None, "turned-back"))
    check = judge_sensitivity(seats, SENSE, FASTEST_NS)
    assert check.result == "invalid"
    assert "one way only" in check.what_to_do
    assert judge_sensitivity((Seat(5_100),), SENSE, FASTEST_NS).result == "invalid"


def test_a_slow_turn_can_not_show_averaging_and_has_to_be_measured_again() -> None:
    slow = (Seat(5_100, turn_ns=2 * FASTEST_NS),) * 2
    check = judge_sensitivity(slow, SENSE, FASTEST_NS)
    assert check.result == "invalid"
    assert "averages" in check.reason


def test_a_master_that_was_not_turned_over_has_to_be_measured_again() -> None:
    seats = both_seats(MasterBench(holder_nm=200 + 0j), turned_deg=15.0)
    check = judge_sensitivity(seats, SENSE, FASTEST_NS)
    assert check.result == "invalid"
    assert "180°" in check.reason


@pytest.mark.parametrize("off_deg", [-15.0, 0.0, 15.0])
def test_half_a_turn_by_eye_is_enough(off_deg: float) -> None:
    seats = both_seats(MasterBench(holder_nm=200 + 0j), turned_deg=180.0 + off_deg)
    assert judge_sensitivity(seats, SENSE, FASTEST_NS).result == "good"


@pytest.mark.parametrize(("has_index", "holder_nm"), [(True, 200), (False, 100)])
def test_honest_benches_are_good_whatever_way_the_holder_lies(
    has_index: bool, holder_nm: int
) -> None:
    """Without an index the reading carries 0.2 µm of noise: the holder has to be better."""
    rng = Random(7)
    print("seed 7")
    for number in range(40):
        holder = rect(holder_nm, 2 * pi * rng.random())
        bench = MasterBench(holder_nm=holder, seed=number, has_index=has_index)
        sense = judge_sensitivity(both_seats(bench), SENSE, FASTEST_NS)
        assert sense.result == "good", sense.reason
        assert (sense.holder is not None) == has_index
        if sense.holder is not None:
            assert abs(sense.holder - holder) < 60
        true = judge_run_out(mandrel(bench), TRUE)
        assert true.result == "good", true.reason


def test_play_shows_in_the_run_out_and_less_than_half_of_it_in_the_vector() -> None:
    """Why the vector alone would not do (computed here, no source)."""
    seats = both_seats(MasterBench(fault=play(500), noise_nm=0, step_nm=1))
    vectors = [seat.vector for seat in seats if seat.vector is not None]
    lost_tir_nm = MASTER.tir_nm - (seats[0].judged_tir_nm or 0)
    lost_vector_nm = MASTER.tir_nm - abs(vectors[0] - vectors[1])
    print(f"TIR {lost_tir_nm} nm, vector {lost_vector_nm:.0f} nm of 500 nm of play")
    assert lost_tir_nm > 350
    assert lost_vector_nm < 250
