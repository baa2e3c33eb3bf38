"""Two clampings that read alike: perhaps the same tightening, read twice.

Likeness alone refuses nothing: it hits the best collets, whose run-out is small however they
are clamped. It is an alarm and a note. Where only the stylus was seen to move between two
clampings of a piece, nothing else speaks for the second: then it has no result. Only where
turns begin at an index can two sweeps be laid over each other; elsewhere nothing is said.
"""

from collections.abc import Sequence
from math import exp, sqrt

from rules.clamping import Clamping, PositionRunOut
from rules.exact_vector import are_within
from rules.sweep import Proof

DIRECTED: frozenset[Proof] = frozenset({"index"})
"""Proofs under which every turn begins at the same angle of the spindle."""


def are_alike(
    first: Sequence[PositionRunOut], second: Sequence[PositionRunOut], step_nm: int
) -> bool:
    """Return whether two clampings show the same vector to a step at every position."""
    seen = [(a.vector, b.vector) for a, b in zip(first, second, strict=True)]
    return bool(seen) and all(a and b and are_within(a, b, step_nm) for a, b in seen)


READ_AGAIN_NM = 100
"""So near a second reading of the same tightening comes. Not the indicator's step: at 0.5 µm
every third honest pair of the best collets would be as near as that."""


def is_read_again(before: Clamping, clamping: Clamping) -> bool:
    """Return whether a clamping may be the one before, read again with the stylus lifted.

    By whole numbers only: a verdict rests on it.
    """
    if clamping.loosening.evidence != "stylus-lift":
        return False
    pairs = zip(before.positions, clamping.positions, strict=True)
    seen = [(a.vector, b.vector) for a, b in pairs]
    return all(a and b and are_within(a, b, READ_AGAIN_NM) for a, b in seen)


def false_call_rate(eccentricity_um: float, scatter_um: float, step_um: float) -> float:
    """Return how often two honest clampings, the collet rotated 120° between, are alike.

    The difference of the two vectors is √3 e from nought and scatters with √2 s an axis; it
    is within a step by a Rice distribution.

    Args:
        eccentricity_um: The collet's own, e.
        scatter_um: Of one clamping, per axis, above 0.
        step_um: How near is alike.
    """
    from scipy.special import chndtr

    together = sqrt(2) * scatter_um
    centre = sqrt(3) * eccentricity_um
    if centre == 0:
        return 1 - exp(-((step_um / together) ** 2) / 2)
    return float(chndtr((step_um / together) ** 2, 2, (centre / together) ** 2))
