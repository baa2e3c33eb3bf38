"""The bound holds although the order decides when the look is taken: summed, not simulated.

The first look waits for the r-th piece of the top grade, so the number of pieces behind it
is itself a matter of chance, and of the very lot that is to be bounded. For small lots every
composition (K of the top grade, D beyond, the others between) and every moment the order can
be filled at is summed with whole numbers; nothing is drawn.
"""

from collections.abc import Iterator
from fractions import Fraction
from functools import cache
from math import comb

import pytest

from rules.finite_lot import most_nonconforming

LOT = 24
FURTHER = 5


@cache
def bound(pieces: int, beyond: int, risk: float) -> int:
    return most_nonconforming(LOT, pieces, beyond, risk)


def fillings(order: int, top: int, bad: int) -> Iterator[tuple[int, int, Fraction]]:
    """Yield pieces measured, beyond among them, and the chance, at the order's last piece.

    The piece that fills it is of the top grade; those before are order − 1 of the top
    grade, x beyond and the others between, in any sequence: multivariate hypergeometric.
    """
    between = LOT - top - bad
    for pieces in range(order, LOT + 1):
        before = pieces - 1
        for beyond in range(min(bad, before - order + 1) + 1):
            rest = before - (order - 1) - beyond
            if rest > between:
                continue
            ways = comb(top, order - 1) * comb(bad, beyond) * comb(between, rest)
            last = Fraction(top - order + 1, LOT - before)
            chance = Fraction(ways, comb(LOT, before)) * last
            if chance:
                yield pieces, beyond, chance


def further_look_wrong(pieces: int, beyond: int, bad: int, risk: float) -> Fraction:
    """Return the chance that the bound after FURTHER more pieces is below the truth."""
    left = LOT - pieces
    more = min(FURTHER, left)
    wrong = Fraction(0)
    for found in range(max(0, more - (left - bad + beyond)), min(more, bad - beyond) + 1):
        if bound(pieces + more, beyond + found, risk) < bad:
            ways = comb(bad - beyond, found) * comb(left - bad + beyond, more - found)
            wrong += Fraction(ways, comb(left, more))
    return wrong


def compositions(order: int) -> Iterator[tuple[int, int]]:
    for top in range(order, LOT + 1):
        for bad in range(1, LOT - top + 1):
            yield top, bad


@pytest.mark.parametrize("order", [1, 3, 6, 12])
@pytest.mark.parametrize("risk", [0.05, 0.10, 0.20])
def test_one_look_at_the_filled_order_keeps_its_risk(order: int, risk: float) -> None:
    for top, bad in compositions(order):
        wrong = sum(
            chance
            for pieces, beyond, chance in fillings(order, top, bad)
            if bound(pieces, beyond, risk) < bad
        )
        assert wrong <= Fraction(repr(risk)), (top, bad, float(wrong))


@pytest.mark.parametrize("order", [3, 6])
@pytest.mark.parametrize("risk", [0.10, 0.20])
def test_two_looks_at_half_the_risk_keep_it_together(order: int, risk: float) -> None:
    worst = Fraction(0)
    for top, bad in compositions(order):
        wrong = Fraction(0)
        for pieces, beyond, chance in fillings(order, top, bad):
            if bound(pieces, beyond, risk / 2) < bad:
                wrong += chance
            else:
                wrong += chance * further_look_wrong(pieces, beyond, bad, risk / 2)
        worst = max(worst, wrong)
    assert worst <= Fraction(repr(risk))
    assert worst > Fraction(repr(risk)) / 3  # the sum does meet wrong bounds


def test_looking_after_every_piece_until_it_suffices_breaks_the_risk() -> None:
    """Why looks are fixed: 500 pieces, 25 beyond, at most 5 % to be left, 5 % risk stated."""
    lot, bad, risk = 500, 25, 0.05
    wrong = 0.0
    open_states = {0: 1.0}  # beyond so far → chance that nothing was proved yet
    for pieces in range(1, 200):
        after: dict[int, float] = {}
        for beyond, chance in open_states.items():
            hit = (bad - beyond) / (lot - pieces + 1)
            after[beyond + 1] = after.get(beyond + 1, 0.0) + chance * hit
            after[beyond] = after.get(beyond, 0.0) + chance * (1 - hit)
        allowed, open_states = (lot - pieces) // 20, {}
        for beyond, chance in after.items():
            if beyond > 12 or most_nonconforming(lot, pieces, beyond, risk) - beyond > allowed:
                open_states[beyond] = chance
            elif bad - beyond > allowed:
                wrong += chance
    assert wrong > 0.06
