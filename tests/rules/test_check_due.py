"""When a master check is due. Common practice, no source; time zones by the tz database."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from rules.assurance_model import AssuranceFact, Cause, Checked, Disturbed, Graded
from rules.check_due import CAUSE_TEXT, DueRules, DueState, fold, last_shift_start, look
from rules.masters import CheckKind
from rules.moment import Moment, clock_doubt

BOTH: frozenset[CheckKind] = frozenset({"run-out", "sensitivity"})
RULES = DueRules(BOTH)
START = datetime(2026, 11, 25, 6, 0, tzinfo=UTC)
BERLIN = ZoneInfo("Europe/Berlin")


def after(
    seconds: float, step_s: float = 0, boot: str = "a", is_trusted: bool = True
) -> Moment:
    """Return a moment so long after the start, the clock stepped by so much."""
    utc = START + timedelta(seconds=seconds + step_s)
    return Moment(utc, is_trusted, boot, round(seconds * 1e9))


def good(at: Moment, seq: int = 1) -> list[AssuranceFact]:
    return [Checked(seq, "run-out", "good", at), Checked(seq + 1, "sensitivity", "good", at)]


def pieces(count: int) -> list[AssuranceFact]:
    return [Graded(10 + n, ("A", n), "grade-1", after(60 * n)) for n in range(1, count + 1)]


def test_without_a_good_check_of_both_kinds_nothing_may_be_graded() -> None:
    assert look(DueState(), after(0), RULES).level == "due"
    half = fold(good(after(0))[:1], RULES)
    assert look(half, after(0), RULES).stops(is_piece_begun=False)
    assert look(fold(good(after(0)), RULES), after(0), RULES).level == "good"


@pytest.mark.parametrize(("count", "level"), [(39, "good"), (40, "soon"), (50, "due")])
def test_pieces_warn_and_then_stop(count: int, level: str) -> None:
    state = fold([*good(after(0)), *pieces(count)], replace(RULES, every_s=None))
    assert look(state, after(9), replace(RULES, every_s=None)).level == level


@pytest.mark.parametrize(
    ("seconds", "level"), [(5_759, "good"), (5_760, "soon"), (7_200, "due")]
)
@pytest.mark.parametrize("years", [-10, 0, 10])
def test_hours_warn_and_then_stop_wherever_the_clock_was_stepped(
    seconds: int, level: str, years: int
) -> None:
    state = fold(good(after(0)), RULES)
    stepped = after(seconds, step_s=years * 365 * 86_400, is_trusted=not years)
    assert look(state, stepped, RULES).level == level


def test_a_piece_that_was_begun_is_finished_before_grading_stops() -> None:
    due = look(fold(good(after(0)), RULES), after(8_000), RULES)
    assert not due.stops(is_piece_begun=True)
    assert due.stops(is_piece_begun=False)


@pytest.mark.parametrize("cause", CAUSE_TEXT)
def test_every_cause_makes_a_check_due_unless_the_bench_file_leaves_it_out(
    cause: Cause,
) -> None:
    facts = [*good(after(0)), Disturbed(5, cause, after(10))]
    due = look(fold(facts, RULES), after(10), RULES)
    assert (due.level, due.reasons) == ("due", (CAUSE_TEXT[cause],))
    without = replace(RULES, causes=RULES.causes - {cause})
    assert look(fold(facts, without), after(10), without).level == "good"
    assert look(fold([*facts, *good(after(11), 6)], RULES), after(11), RULES).level == "good"


def test_a_failed_check_stops_and_an_invalid_one_changes_nothing() -> None:
    bad = Checked(5, "sensitivity", "failed", after(1), "reads half")
    due = look(fold([*good(after(0)), bad], RULES), after(1), RULES)
    assert (due.level, due.reasons) == ("due", ("the last check failed: reads half",))
    invalid = replace(bad, result="invalid")
    assert look(fold([*good(after(0)), invalid], RULES), after(1), RULES).level == "good"


def test_another_boot_makes_a_check_due_since_nobody_knows_how_long_ago_it_was() -> None:
    due = look(fold(good(after(0)), RULES), after(60, boot="b"), RULES)
    assert due.level == "due"
    assert "started anew" in due.reasons[0]


def test_no_checks_asked_for_is_possible_and_is_said() -> None:
    off = DueRules(frozenset())
    assert look(DueState(), after(0), off).reasons == (
        "the bench file asks for no master checks",
    )


SHIFTS = replace(RULES, every_s=None, shift_starts=(time(6), time(14), time(22)), zone=BERLIN)


def test_a_shift_that_began_since_the_last_check_makes_one_due() -> None:
    state = fold(good(after(0)), SHIFTS)  # 07:00 in Berlin
    assert look(state, after(6.9 * 3600), SHIFTS).level == "good"
    assert look(state, after(7 * 3600), SHIFTS).level == "due"


def test_an_untrusted_clock_makes_a_check_due_after_the_shortest_shift() -> None:
    state = fold(good(after(0)), SHIFTS)
    for hours, level in ((7.9, "good"), (8, "due")):
        at = after(hours * 3600, step_s=-3e8, is_trusted=False)
        assert look(state, at, SHIFTS).level == level


@pytest.mark.parametrize(
    ("utc", "began"),
    [
        # Europe/Berlin, 2026: clocks go forward on 29 March 01:00 UTC, back on 25 October.
        ("2026-03-29T04:30", "2026-03-29T04:00"),
        ("2026-03-28T05:30", "2026-03-28T05:00"),
        ("2026-10-25T05:30", "2026-10-25T05:00"),
        ("2026-10-25T04:30", "2026-10-24T20:00"),
    ],
)
def test_shifts_start_by_local_time_on_the_days_of_daylight_saving(
    utc: str, began: str
) -> None:
    at = datetime.fromisoformat(utc).replace(tzinfo=UTC)
    assert last_shift_start(at, SHIFTS.shift_starts, BERLIN) == datetime.fromisoformat(
        began
    ).replace(tzinfo=UTC)


def test_a_clock_before_the_last_record_or_not_synchronised_is_doubted() -> None:
    assert clock_doubt(START, "unknown", None) == ""
    assert clock_doubt(START, "yes", START + timedelta(seconds=120)) == ""
    assert "before the last record" in clock_doubt(START, "yes", START + timedelta(days=3650))
    assert "not synchronised" in clock_doubt(START, "no", None)
