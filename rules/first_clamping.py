"""The attribute that proves the rest: a piece's first clamping against the ordinary limit.

It is the same question for every piece. Stopping early would otherwise mix pieces of one
clamping with pieces of three, and three within a limit is far harsher than one. Doubt is no
evidence: a piece whose measurement does not stand counts as beyond.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Standing = Literal[
    "stands",       # it has a verdict that counts today
    "hold",         # on hold: open span, failed check, guard band
    "invalid",      # its cycle ended without a result
    "interrupted",  # its last cycle was broken off and never done again
    "void",         # withdrawn, abandoned or lost
    "set-aside",    # its cell was drawn, and visual inspection set it aside unmeasured
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class FirstClamping:
    """What is known of one measured piece.

    Attributes:
        tir_nm: Run-out of its first *valid* clamping, of whichever cycle came first, a
            retry never in its place; None if it has none.
        seen_nm: Largest run-out seen in invalid clampings before that one: a lower bound.
        standing: What the piece counts as today.
    """

    tir_nm: int | None
    standing: Standing = "stands"
    seen_nm: int | None = None

    @property
    def is_doubtful(self) -> bool:
        """Return whether it counts as beyond for want of a result that stands."""
        return self.tir_nm is None or self.standing != "stands"

    def is_beyond(self, acceptance_limit_nm: int) -> bool:
        """Return whether it counts as beyond; a run-out equal to the limit is within."""
        if self.tir_nm is None or self.standing != "stands":
            return True
        return max(self.tir_nm, self.seen_nm or 0) > acceptance_limit_nm


@dataclass(frozen=True, slots=True)
class Tally:
    """Pieces looked at.

    Attributes:
        pieces: All of them, n.
        beyond: Those that count as beyond, x ≤ n, doubtful ones included.
        doubtful: Those of them that only want a result.
    """

    pieces: int
    beyond: int
    doubtful: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.doubtful <= self.beyond <= self.pieces:
            raise ValueError(
                f"{self.doubtful} doubtful of {self.beyond} beyond of {self.pieces}: "
                "accepted is 0 ≤ doubtful ≤ beyond ≤ pieces"
            )


def tally(pieces: Iterable[FirstClamping], acceptance_limit_nm: int) -> Tally:
    """Return the count of the pieces looked at.

    Args:
        pieces: Every piece begun, in any order: leaving one out would choose.
        acceptance_limit_nm: Of the ordinary grade.
    """
    looked_at = list(pieces)
    beyond = [piece for piece in looked_at if piece.is_beyond(acceptance_limit_nm)]
    doubtful = sum(piece.is_doubtful for piece in beyond)
    return Tally(len(looked_at), len(beyond), doubtful)
