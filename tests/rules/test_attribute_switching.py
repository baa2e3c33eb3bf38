"""Switching rules, against a sequence worked by hand, lot for lot.

The rules are those of MIL-STD-105E (1989), 4.7 and 4.8, from memory. No published worked
sequence could be opened where this was written; the one below was worked on paper.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.switching import (
    CorrectiveAction,
    LotJudged,
    Switching,
    SwitchingError,
    step,
)


def run(letters: str) -> tuple[list[str], list[tuple[int, str]], Switching]:
    """Return severity each lot was inspected under, changes by lot, and the last state.

    A: accepted, N: not accepted, a and n the same for a lot presented again, C: corrective
    action.
    """
    state = Switching()
    under: list[str] = []
    changes: list[tuple[int, str]] = []
    for number, letter in enumerate(letters, start=1):
        under.append("stop" if state.is_discontinued else state.severity)
        event = (
            CorrectiveAction()
            if letter == "C"
            else LotJudged(letter in "Aa", is_resubmitted=letter in "an")
        )
        state, outcomes = step(state, event)
        changes += [(number, outcome) for outcome in outcomes]
    return under, changes, state


def test_a_sequence_worked_by_hand() -> None:
    # lot      1 2 3 4 5 6 7 8 | 9 …
    # 1 N, then four accepted, 6 N: the first is no longer among five, so still normal;
    # 7 A, 8 N: two of the last three, tightened from lot 9. 9–12 accepted, 13 N breaks the
    # row, 14–18 accepted: five in a row, normal from 19. 19 N, 20 N: two of two, tightened
    # from 21. 21 N … with one accepted between: the fifth refused is lot 26.
    letters = "NAAAANAN" + "AAAANAAAAA" + "NN" + "NNANNN"
    under, changes, state = run(letters)
    assert changes == [
        (8, "tightened"),
        (18, "normal"),
        (20, "tightened"),
        (26, "discontinued"),
    ]
    assert under == ["normal"] * 8 + ["tightened"] * 10 + ["normal"] * 2 + ["tightened"] * 6
    assert state.is_discontinued


def test_lots_presented_again_never_count() -> None:
    assert run("NnnnA")[1] == []
    assert run("NN" + "AAAAaaaaa")[1] == [(2, "tightened")]
    assert run("NN" + "AAAAaA")[1] == [(2, "tightened"), (8, "normal")]
    assert run("NN" + "NNNNnnnn")[1] == [(2, "tightened")]


def test_refused_lots_are_counted_together_over_accepted_ones() -> None:
    # never five accepted in a row, so never back to normal: the fifth refused one stops
    assert run("NN" + "NAAAANAAAANAAAANAAAAN")[1] == [(2, "tightened"), (23, "discontinued")]


def test_corrective_action_resumes_tightened_with_a_clean_count() -> None:
    under, changes, state = run("NN" + "NNNNN" + "C" + "NNNN")
    assert changes == [(2, "tightened"), (7, "discontinued"), (8, "resumed")]
    assert under[8:] == ["tightened"] * 4
    assert (state.refused, state.is_discontinued) == (4, False)


def test_the_window_begins_anew_when_normal_inspection_is_reinstated() -> None:
    assert run("NN" + "AAAAA" + "NAAAAN")[1] == [(2, "tightened"), (7, "normal")]


def test_events_a_series_is_not_in_a_state_for_are_refused() -> None:
    with pytest.raises(SwitchingError, match="nothing to resume"):
        step(Switching(), CorrectiveAction())
    with pytest.raises(SwitchingError, match="until corrective action"):
        step(Switching("tightened", is_discontinued=True), LotJudged(is_accepted=True))


@given(st.text("AN", max_size=60))
def test_the_steps_say_what_the_rules_say_of_the_whole_history(letters: str) -> None:
    """Another way round: look at the whole history since the last change, every time."""
    state, since = Switching(), ""
    for letter in letters:
        since += letter
        before = state.severity
        state, outcomes = step(state, LotJudged(letter == "A"))
        if before == "normal":
            expected = "tightened" if since[-5:].count("N") >= 2 else None
        elif since.count("N") == 5:
            expected = "discontinued"
        else:
            expected = "normal" if since.endswith("AAAAA") else None
        assert outcomes == ((expected,) if expected else ())
        if expected == "discontinued":
            break
        if expected:
            since = ""
