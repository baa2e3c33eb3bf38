"""The run-out of a sweep as a vector of whole numbers: a verdict may rest on it.

The diagnosis has the same vector by least squares in floating point, which another machine
may round otherwise. Here each turn between two index edges is cut into twelve equal parts of
its time; the means of the parts, over all turns, give the first harmonic by whole-number
weights. Everything is integer arithmetic.
"""

from bisect import bisect_left
from dataclasses import dataclass

from rules.sweep import Sweep, SweepRules

PARTS = 12

_COSINES = (
    965_926, 707_107, 258_819, -258_819, -707_107, -965_926,
    -965_926, -707_107, -258_819, 258_819, 707_107, 965_926,
)  # fmt: skip
"""Cosines of 15°, 45°, … 345°, the middles of the parts, in millionths."""

_SINES = _COSINES[-3:] + _COSINES[:-3]

_MEAN = 1_000
"""Means are kept to a thousandth of a nanometre."""

A_NANOMETRE = _MEAN * 5_931_698
"""One nanometre of amplitude in the unit of a vector: six times the share of a cosine that
the mean over 30° leaves, sin 15° / (π / 12), in millionths."""


@dataclass(frozen=True, slots=True)
class ExactVector:
    """First harmonic of a sweep from its index on: along and across, in the unit above."""

    x: int
    y: int


def exact_vector(sweep: Sweep, rules: SweepRules) -> ExactVector | None:
    """Return the vector; None where no index marks the turns, or a part has no reading."""
    edges = sweep.index_ns[: rules.turns + 1]
    if rules.proof != "index" or len(edges) <= rules.turns:
        return None
    sums, counts = [0] * PARTS, [0] * PARTS
    for turn in range(rules.turns):
        start_ns, length_ns = edges[turn], edges[turn + 1] - edges[turn]
        low = bisect_left(sweep.at_ns, start_ns)
        for part in range(PARTS):
            end_ns = start_ns + length_ns * (part + 1) // PARTS
            high = bisect_left(sweep.at_ns, end_ns, low)
            sums[part] += sum(sweep.value_nm[low:high])
            counts[part] += high - low
            low = high
    if not all(counts):
        return None
    means = [_MEAN * total // count for total, count in zip(sums, counts, strict=True)]
    return ExactVector(
        sum(mean * weight for mean, weight in zip(means, _COSINES, strict=True)),
        sum(mean * weight for mean, weight in zip(means, _SINES, strict=True)),
    )


def are_within(one: ExactVector, other: ExactVector, distance_nm: int) -> bool:
    """Return whether two vectors lie no further apart than this."""
    x, y, most = one.x - other.x, one.y - other.y, distance_nm * A_NANOMETRE
    return x * x + y * y <= most * most
