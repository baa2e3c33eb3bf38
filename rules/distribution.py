"""How a lot's run-out is distributed: two spreads fitted to every valid clamping.

The fit is by maximum likelihood (`rules.likelihood`). An interval for any figure that
follows from the spreads — a share beyond a limit, a percentile — is that of the profile
likelihood: its smallest and largest value over all spreads whose likelihood is not below the
best by more than the χ² point of one degree of freedom (Cox, Hinkley, Theoretical Statistics,
1974, 9.3; from memory). For few clampings that is a little too sure, so the F point of one
and clampings − 2 degrees stands in its place: wider for few, the same for many. The edge of
that region is walked along rays.

A model is not the lot. Outliers, chips and mixed batches are in no normal spread, so every
share is stated beside the bare count of first clampings with its exact interval (Clopper,
Pearson, Biometrika 26, 1934), and the two are compared.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import cos, exp, log, pi, sin, sqrt

from rules.likelihood import Observed, log_likelihood, observed
from rules.scatter_model import Spread

LEVEL = 0.95
"""Confidence of every interval stated here."""

FEWEST_REPEATED = 2
"""Pieces with two clampings or more, below which nothing tells the two spreads apart."""

MOST_PIECES = 600
"""Pieces fitted at most, evenly taken over a longer lot: enough for any interval stated here,
and a fit takes seconds, not minutes."""

_RAYS = 24

_TRIES = 12

_SPAN = 30.0
"""The spreads are looked for between the lot's size over this and the size times it."""

_HOLDERS = 9
"""Values tried for a holder's vector that no master check gave."""


class DistributionError(ValueError):
    """Clampings that no distribution can be fitted to; the message says what is missing."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its interval, ends included."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Spreads fitted to a lot.

    Attributes:
        best: The likeliest spreads.
        edge: Spreads on the edge of the likely region: what the intervals are taken from.
        pieces: Pieces it rests on.
        clampings: Their valid clampings.
        holder_given: Whether the holder's vector was given, not fitted.
        level: Confidence of the intervals.
    """

    best: Spread
    edge: tuple[Spread, ...] = field(repr=False)
    pieces: int
    clampings: int
    holder_given: bool
    level: float = LEVEL

    def estimate(self, figure: Callable[[Spread], float]) -> Estimate:
        """Return a figure that follows from the spreads, with its interval."""
        value = figure(self.best)
        values = [value, *(figure(spread) for spread in self.edge)]
        return Estimate(value, min(values), max(values))

    def share_beyond(self, limit_um: float) -> Estimate:
        """Return the share of pieces whose one clamping is above the limit."""
        return self.estimate(lambda spread: spread.share_beyond(limit_um))


def fit(
    pieces: Sequence[Sequence[float]],
    holder_um: float | None = 0.0,
    step_deg: float = 120.0,
    level: float = LEVEL,
    most: int = MOST_PIECES,
) -> Fit:
    """Return the spreads that make the observed clampings likeliest, with their region.

    Args:
        pieces: For each piece the run-outs (TIR, micrometres) of its valid clampings, in
            the order they were made, however early the cycle stopped.
        holder_um: Length of the holder's vector: half the master's run-out. None fits it,
            which run-outs without a direction can do only poorly: intervals get wide.
        step_deg: Turn of the collet in the holder between clampings; 0 if it is not turned.
        level: Confidence of the intervals, 0 < level < 1.
        most: Pieces to fit at most; of more, evenly taken by place, whatever they show.

    Raises:
        DistributionError: If fewer than two pieces have two clampings or more.
    """
    from scipy.special import fdtri

    used = [list(piece) for piece in pieces if piece]
    if len(used) > most:
        used = [used[k * len(used) // most] for k in range(most)]
    repeated = sum(len(piece) > 1 for piece in used)
    if repeated < FEWEST_REPEATED:
        raise DistributionError(
            f"{repeated} pieces with two clampings or more: accepted is {FEWEST_REPEATED}; "
            "below, nothing tells the collets' own spread from that of the clampings"
        )
    allowed = float(fdtri(1, max(1, sum(map(len, used)) - 2), level)) / 2
    holders = _holders(used) if holder_um is None else [holder_um]
    maps = [_LogMap(observed(used, holder, step_deg)) for holder in holders]
    tops = [area.top() for area in maps]
    best = max(range(len(maps)), key=lambda i: tops[i][1])
    edge: list[Spread] = []
    for area, (at, height) in zip(maps, tops, strict=True):
        left = allowed - (tops[best][1] - height)
        if left > 0:
            edge += [area.spread(point) for point in area.edge(at, left)]
    return Fit(
        maps[best].spread(tops[best][0]), tuple(edge), len(used), sum(map(len, used)),
        holder_um is not None, level,
    )  # fmt: skip


def _holders(pieces: Sequence[Sequence[float]]) -> list[float]:
    """Return the lengths tried: none is likely above the median first clamping."""
    firsts = sorted(piece[0] / 2 for piece in pieces)
    middle = float(firsts[len(firsts) // 2])
    return [middle * k / (_HOLDERS - 1) * 1.2 for k in range(_HOLDERS)]


Point = tuple[float, float]
"""Logarithms of the two spreads: own, scatter."""


class _LogMap:
    """The likelihood over the logarithms of the two spreads, for one holder's vector."""

    def __init__(self, seen: Observed) -> None:
        self._seen = seen
        radii = [float(r) for rows in seen.groups for r in rows.ravel()]
        self._size = sqrt(sum(r * r for r in radii) / len(radii) / 2)
        self._low, self._high = log(self._size / _SPAN), log(self._size * _SPAN)

    def spread(self, at: Point) -> Spread:
        return Spread(exp(at[0]), exp(at[1]), self._seen.holder_um, self._seen.step_deg)

    def height(self, at: Point) -> float:
        return log_likelihood(exp(at[0]), exp(at[1]), self._seen)

    def top(self) -> tuple[Point, float]:
        """Return the likeliest point and its height, at worst on the border of the map."""
        from scipy.optimize import minimize

        begin = (log(0.9 * self._size), log(0.45 * self._size))
        found = minimize(
            lambda x: -self.height((x[0], x[1])),
            begin,
            method="L-BFGS-B",
            bounds=[(self._low, self._high)] * 2,
            options={"eps": 1e-4, "ftol": 1e-10},
        )
        return (float(found.x[0]), float(found.x[1])), -float(found.fun)

    def edge(self, at: Point, drop: float) -> list[Point]:
        """Return points where the height fell by ``drop``, or the border before that."""
        top = self.height(at)
        along = [self._reach(at, (s, 0.0), top, drop) for s in (1.0, -1.0)]
        across = [self._reach(at, (0.0, s), top, drop) for s in (1.0, -1.0)]
        scale = (max(min(along), 0.02), max(min(across), 0.02))  # the rays' ellipse
        points = []
        for ray in range(_RAYS):
            angle = 2 * pi * ray / _RAYS
            toward = (scale[0] * cos(angle), scale[1] * sin(angle))
            reach = self._reach(at, toward, top, drop)
            points.append((at[0] + reach * toward[0], at[1] + reach * toward[1]))
        return points

    def _reach(self, at: Point, toward: Point, top: float, drop: float) -> float:
        """Return how many times ``toward`` leads down by ``drop``, at most to the border.

        Near the top the square root of the drop is straight: each try scales the last.
        """
        far = self._border(at, toward)
        times = min(1.0, far)
        for _ in range(_TRIES):
            if times <= 0:
                break
            fell = max(top - self._along(at, toward, times), drop / 64)
            if abs(fell - drop) < 0.02 * drop or (times >= far and fell < drop):
                break
            times = min(far, times * sqrt(drop / fell))
        return times

    def _along(self, at: Point, toward: Point, times: float) -> float:
        return self.height((at[0] + times * toward[0], at[1] + times * toward[1]))

    def _border(self, at: Point, toward: Point) -> float:
        ways = [
            ((self._high if step > 0 else self._low) - place) / step
            for place, step in zip(at, toward, strict=True)
            if abs(step) > 1e-12
        ]
        return max(0.0, min(ways))


def counted_share(beyond: int, pieces: int, level: float = LEVEL) -> Estimate:
    """Return the share of first clampings beyond a limit, with its exact interval.

    Clopper and Pearson's, for the process the pieces come from; the finite lot itself is
    bounded by `rules.finite_lot`.

    Raises:
        DistributionError: If the counts don't fit each other.
    """
    from scipy.special import betaincinv

    if not 0 <= beyond <= pieces or pieces < 1:
        raise DistributionError(f"{beyond} of {pieces}: accepted is 0 ≤ x ≤ n, n ≥ 1")
    tail = (1 - level) / 2
    low = float(betaincinv(beyond, pieces - beyond + 1, tail)) if beyond else 0.0
    high = 1.0
    if beyond < pieces:
        high = float(betaincinv(beyond + 1, pieces - beyond, 1 - tail))
    return Estimate(beyond / pieces, low, high)
