"""Draws of tray cells: reproducible from the recorded seed alone, and no cell favoured."""

from collections import Counter
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.draw import DrawError, _number_below, draw_order, draw_sample, next_cell


@pytest.mark.parametrize(
    ("seed", "cells", "order"),
    [
        # The same algorithm written in shell: sha256sum for the blocks, bc for the remainder
        #   h=$(printf '%s' "reclamp-draw-1/$seed/$i" | sha256sum | cut -c1-64 | tr a-f A-F)
        #   j=$(echo "ibase=16; $h % $k" | bc)
        ("W-2611-A/1", 12, (3, 4, 6, 5, 8, 12, 11, 7, 1, 10, 9, 2)),
        ("Münzwurf 7", 10, (5, 10, 1, 2, 9, 6, 4, 3, 8, 7)),
    ],
)
def test_a_seed_gives_the_cells_another_program_gets(
    seed: str, cells: int, order: tuple[int, ...]
) -> None:
    assert draw_order(seed, range(1, cells + 1)) == order


@given(st.text(min_size=1), st.sets(st.integers(1, 500), max_size=60))
def test_an_order_holds_every_cell_once(seed: str, cells: set[int]) -> None:
    given_order = sorted(cells)
    order = draw_order(seed, given_order)
    assert sorted(order) == given_order
    assert order == draw_order(seed, given_order)


def test_no_order_of_four_cells_is_favoured() -> None:
    # chi-square with 23 degrees of freedom: 49.7 is its 99.9 % point (any table)
    seen = Counter(draw_order(f"lot {number}", (1, 2, 3, 4)) for number in range(24_000))
    assert set(seen) == set(permutations((1, 2, 3, 4)))
    assert sum((count - 1_000) ** 2 / 1_000 for count in seen.values()) < 49.7


def test_a_block_past_the_last_full_multiple_is_passed_over() -> None:
    last = 2**256 - 1  # 2**256 leaves 1 over when divided by 3: this block would favour 0
    assert _number_below(3, iter([last, 7])) == 1
    assert _number_below(3, iter([last - 1])) == 2


def test_a_sample_is_the_beginning_of_the_order() -> None:
    cells = range(1, 41)
    assert draw_sample("s", cells, 9) == draw_order("s", cells)[:9]
    assert draw_sample("s", cells, 0) == ()
    with pytest.raises(DrawError, match=r"sample of 41 from 40 cells"):
        draw_sample("s", cells, 41)


def test_the_next_cell_is_the_first_not_done() -> None:
    order = (7, 2, 9)
    assert next_cell(order, ()) == 7
    assert next_cell(order, {7, 9}) == 2
    assert next_cell(order, {7, 2, 9, 30}) is None


def test_a_draw_without_seed_or_with_a_cell_named_twice_is_refused() -> None:
    with pytest.raises(DrawError, match="seed of a draw is empty"):
        draw_order("", (1, 2))
    with pytest.raises(DrawError, match=r"cells named twice: \[2\]"):
        draw_order("s", (1, 2, 2))
