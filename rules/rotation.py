"""How the collet is rotated between two clampings: which way, how far, and whether it was.

Vectors live in a frame whose positive sense is the spindle's. A collet rotated in that sense
by a third each time shows as the +1 term of its clampings (``rules.separation``), rotated the
other way as the −1 term, where otherwise scatter alone is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import comb
from typing import Literal

from rules.separation import Separated

Sense = Literal["clockwise", "counter-clockwise"]
"""As somebody sees it who looks at the collet's face."""

Along = Literal["with-spindle", "against-spindle"]

LEAST_PIECES = 5
"""Fewer pieces of three clampings raise no alarm about the sense of rotation."""

WINDOW_PIECES = 30
"""The sense is judged by so many pieces: whoever mends it need not wait for the next lot."""

_WRONG_SENSE_RISK = 1e-3
"""How seldom luck makes the −1 terms so much larger in one look at collets without any vector
of their own, the worst case; see ``tests/rules/test_rotation.py`` for a look a piece."""

_OTHER_WAY: dict[Sense, Sense] = {
    "clockwise": "counter-clockwise",
    "counter-clockwise": "clockwise",
}
_OTHER_ALONG: dict[Along, Along] = {
    "with-spindle": "against-spindle",
    "against-spindle": "with-spindle",
}


@dataclass(frozen=True, slots=True)
class Rotation:
    """How the bench file says that the collet is rotated.

    Attributes:
        spindle: Which way the spindle turns; None: the bench file does not say.
        collet: Whether the collet is rotated that way between two clampings.
        steps: Equal steps to a whole turn.
    """

    spindle: Sense | None = None
    collet: Along = "with-spindle"
    steps: int = 3

    def angle_deg(self, clamping: int) -> float:
        """Return how far it is rotated at a clamping, from 1, in the spindle's sense."""
        sign = 1 if self.collet == "with-spindle" else -1
        return sign * 360 / self.steps * (clamping - 1)

    @property
    def way(self) -> str:
        """Return which way, as a prompt says it."""
        if self.spindle is not None:
            is_with = self.collet == "with-spindle"
            sense = self.spindle if is_with else _OTHER_WAY[self.spindle]
            return f"{sense}, seen from its face"
        return "the way the spindle turns" if self.collet == "with-spindle" else (
            "against the way the spindle turns"
        )  # fmt: skip

    @property
    def wrong_way(self) -> str:
        """Return what is to be done about collets that are rotated the other way."""
        return (
            f"collets seem rotated the wrong way: rotate them {self.way}, or set"
            f' rotation.collet = "{_OTHER_ALONG[self.collet]}"'
        )


@dataclass(frozen=True, slots=True)
class Terms:
    """Power of the +1 and the −1 term of one piece, nm²."""

    plus: float
    minus: float

    @classmethod
    def of(cls, separated: Separated) -> "Terms":
        """Return those of a piece."""
        return cls(abs(separated.collet) ** 2, abs(separated.minus_one) ** 2)


def is_backwards(terms: Sequence[Terms], was_backwards: bool = False) -> bool:
    """Return whether the −1 terms stand above the +1 terms beyond luck.

    Once they did it takes the +1 terms to be the larger ones again.

    Args:
        terms: Of pieces with three clampings or more, at equal steps.
        was_backwards: What was said before the last of them.
    """
    if len(terms) < LEAST_PIECES:
        return False
    plus, minus = sum(t.plus for t in terms), sum(t.minus for t in terms)
    if was_backwards:
        return minus > plus
    return luck_of(plus, minus, len(terms)) < _WRONG_SENSE_RISK


def luck_of(plus: float, minus: float, pieces: int) -> float:
    """Return how likely scatter alone makes the −1 terms so much larger, or more.

    Each term is a sum of two squares a piece, so minus/plus is F with 2n and 2n degrees of
    freedom; for even ones its tail is a binomial sum (Abramowitz & Stegun 26.5.4 with
    26.6.2, from memory).
    """
    if minus <= plus:
        return 1.0
    share = plus / (plus + minus)
    draws = 2 * pieces - 1
    return sum(
        comb(draws, k) * share**k * (1 - share) ** (draws - k) for k in range(pieces, draws + 1)
    )


def is_rotated_backwards(pieces: Sequence[Separated]) -> bool:
    """Return whether the −1 terms of a lot stand above the +1 terms: wrong sense."""
    return is_backwards([Terms.of(piece) for piece in pieces if piece.clampings >= 3])
