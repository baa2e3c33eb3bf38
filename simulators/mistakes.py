"""What an operator gets wrong, by plan or by chance."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Literal, get_args

MistakeWord = Literal[
    "wrong-bin",            # drops the piece into a bin whose lamp is dark
    "three-quarter-turn",   # switches the spindle off before a turn is whole
    "no-loosening",         # sweeps the same tightening twice
    "no-spindle",           # forgets to switch the spindle on
    "chip",                 # leaves a chip in the taper
    "walk-away",            # is gone for minutes while the spindle turns
]  # fmt: skip

MISTAKE_WORDS: tuple[MistakeWord, ...] = get_args(MistakeWord)


@dataclass(frozen=True, slots=True)
class Mistakes:
    """Which mistakes happen at which pieces; each at most once a piece.

    Attributes:
        planned: Piece number (from 1) to the mistakes made with it.
        chance: Mistake to its chance a piece, 0 <= chance <= 1.
    """

    planned: Mapping[int, frozenset[MistakeWord]] = field(default_factory=dict)
    chance: Mapping[MistakeWord, float] = field(default_factory=dict)

    def with_piece(self, piece: int, rng: Random) -> set[MistakeWord]:
        """Return the mistakes that this piece will see."""
        by_chance = {
            word for word in MISTAKE_WORDS if rng.random() < self.chance.get(word, 0.0)
        }
        return by_chance | self.planned.get(piece, frozenset())
