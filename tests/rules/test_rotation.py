"""The sense in which collets are rotated: what the prompt says, and what the record shows."""

from random import Random

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from rules.rotation import (
    WINDOW_PIECES,
    Rotation,
    Terms,
    is_backwards,
    is_rotated_backwards,
    luck_of,
)  # fmt: skip
from rules.separation import separate
from tests.rules.test_separation import axis_pair, piece


@pytest.mark.parametrize(
    ("rotation", "said"),
    [
        (Rotation(), "the way the spindle turns"),
        (Rotation(None, "against-spindle"), "against the way the spindle turns"),
        (Rotation("clockwise"), "clockwise, seen from its face"),
        (Rotation("counter-clockwise"), "counter-clockwise, seen from its face"),
        (Rotation("clockwise", "against-spindle"), "counter-clockwise, seen from its face"),
    ],
)
def test_the_prompt_says_which_way(rotation: Rotation, said: str) -> None:
    assert rotation.way == said


def test_against_the_spindle_the_angles_are_negative() -> None:
    assert [Rotation().angle_deg(k) for k in (1, 2, 3)] == [0, 120, 240]
    against = Rotation(collet="against-spindle")
    assert [against.angle_deg(k) for k in (1, 2, 3)] == [0, -120, -240]


def test_what_to_do_names_the_way_and_the_other_setting() -> None:
    text = Rotation("clockwise").wrong_way
    assert "rotate them clockwise, seen from its face" in text
    assert text.endswith('or set rotation.collet = "against-spindle"')
    assert 'rotation.collet = "with-spindle"' in Rotation(None, "against-spindle").wrong_way


@pytest.mark.parametrize("pieces", [5, 12, 30])
@pytest.mark.parametrize("ratio", [1.01, 2.0, 4.0, 9.0])
def test_luck_is_the_tail_of_the_f_distribution(pieces: int, ratio: float) -> None:
    # scipy is the independent computation: F with 2n and 2n degrees of freedom.
    expected = float(f_distribution.sf(ratio, 2 * pieces, 2 * pieces))
    assert luck_of(1.0, ratio, pieces) == pytest.approx(expected, rel=1e-9)


def test_rotating_the_wrong_way_is_seen_and_the_right_way_is_not_called_wrong() -> None:
    rng = Random(8)
    right = [is_rotated_backwards([piece(rng)[1] for _ in range(10)]) for _ in range(300)]
    wrong = [
        is_rotated_backwards([piece(rng, sense=-1)[1] for _ in range(10)]) for _ in range(300)
    ]
    assert sum(right) == 0
    assert sum(wrong) >= 290


def test_four_pieces_raise_no_alarm() -> None:
    rng = Random(8)
    assert not is_rotated_backwards([piece(rng, sense=-1)[1] for _ in range(4)])


def test_it_goes_when_the_collets_own_terms_are_the_larger_ones_again() -> None:
    wrong, right = Terms(1.0, 10.0), Terms(10.0, 1.0)
    terms = [wrong] * 10
    assert is_backwards(terms)
    half = [wrong] * 10 + [right] * 9
    assert not is_backwards(half)
    assert is_backwards(half, was_backwards=True)
    assert not is_backwards([wrong] * 10 + [right] * 10, was_backwards=True)


@pytest.mark.long
def test_table_of_false_calls_and_of_how_soon_the_wrong_sense_is_told(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """A look a piece over 100 pieces that passed three clampings; s = 0.4 µm an axis."""
    with capsys.disabled():
        print("\ncollets e µm   called wrong though right in 100 pieces (400 lots)")
        for e_nm, most in ((0.0, 0.05), (100.0, 0.02), (200.0, 0.01), (400.0, 0.005)):
            calls = [_told_after(Random(seed), e_nm, 1, 100) for seed in range(400)]
            called = sum(after is not None for after in calls) / 400
            print(f"{e_nm / 1000:>11.1f} {called:>12.2%}")
            assert called <= most
        print("collets e µm   pieces until the wrong sense is told: median, 95 %")
        for e_nm, soon in ((400.0, 16), (900.0, 8), (2_200.0, 8)):
            told = [_told_after(Random(seed), e_nm, -1, 300) or 10**6 for seed in range(200)]
            middle, late = float(np.median(told)), float(np.percentile(told, 95))
            print(f"{e_nm / 1000:>11.1f} {middle:>12.0f} {late:>6.0f}")
            assert middle <= soon


def _told_after(rng: Random, e_nm: float, sense: int, pieces: int) -> int | None:
    """Return after how many pieces of three clampings within 1.6 µm the alarm comes."""
    terms: list[Terms] = []
    was, number = False, 0
    while number < pieces:
        collet = axis_pair(rng, e_nm)
        vectors = [collet * turn + axis_pair(rng, 400) for turn in _turns(sense)]
        if e_nm < 2_000 and max(map(abs, vectors)) > 1_600:
            continue  # it is not clamped three times
        number += 1
        terms = [*terms[1 - WINDOW_PIECES :], Terms.of(separate(vectors, (0, 120, 240)))]
        was = is_backwards(terms, was)
        if was:
            return number
    return None


def _turns(sense: int) -> list[complex]:
    return [complex(np.exp(2j * np.pi * sense * k / 3)) for k in range(3)]
