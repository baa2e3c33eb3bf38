"""How likely the observed clampings are, given how collets and tightenings spread.

Let r₁ … r_k be half the run-outs of one piece's valid clampings, in order. Given the
collet's own vector e they are independent, each of Rice's law about |m + e·ωⁱ|, where ω is
the turn between clampings. So the piece contributes

    L = ∫ N(e; 0, σ_e²) ∏ᵢ (rᵢ/σ_s²) exp(−(rᵢ² + νᵢ²)/2σ_s²) I₀(rᵢ νᵢ/σ_s²) de .

**Stopping early changes nothing.** Whether clamping i + 1 is made is decided by r₁ … rᵢ and
the rule file alone. So the chance of the whole record is ∏ P(rᵢ | r₁ … rᵢ₋₁) × P(go on or
stop | what was seen), and each of the latter factors is 1 for the record that happened,
whatever the spreads: the likelihood is the product over what was observed. (A mean or a
variance over the pieces that reached three clampings is another matter: those are selected.)
Clampings without a result are left out; what makes them invalid must not depend on their
run-out.

The integral over e is done in polar coordinates on a window about each piece's own values,
so that it stays sharp whatever the two spreads are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, pi, radians
from typing import TYPE_CHECKING

from rules.scatter_model import legendre_nodes

if TYPE_CHECKING:
    from numpy import complex128, float64
    from numpy.typing import NDArray

LEAST_RADIUS_UM = 0.001
"""A run-out shown as zero is taken as this: a digital step hides what is below it."""

_NODES = 40
"""Gauss-Legendre nodes on a window of ±8 standard deviations."""

_REACH = 8.0

_AT_ONCE = 400_000
"""Values held at once: a lot of any size is done in parts."""


@dataclass(frozen=True, slots=True)
class Observed:
    """A lot's clampings, grouped by how many a piece has.

    Attributes:
        groups: One array per number of clampings: a row a piece, half run-outs in
            micrometres in the order they were made.
        holder_um: Length of the holder's vector.
        step_deg: Turn of the collet between clampings.
    """

    groups: tuple["NDArray[float64]", ...]
    holder_um: float
    step_deg: float

    @property
    def is_flat(self) -> bool:
        """Return whether the holder's vector keeps its place beside the collet's."""
        return self.holder_um == 0 or self.step_deg % 360 == 0


def observed(
    pieces: Sequence[Sequence[float]], holder_um: float = 0.0, step_deg: float = 120.0
) -> Observed:
    """Return the clampings ready to be fitted.

    Args:
        pieces: For each piece the run-outs (TIR, micrometres) of its valid clampings in
            order; pieces without any are left out.
        holder_um: Length of the holder's vector: half the master's run-out.
        step_deg: Turn of the collet in the holder between clampings; 0 if it is not turned.

    Raises:
        ValueError: If a run-out is below 0.
    """
    import numpy as np

    if any(tir < 0 for piece in pieces for tir in piece):
        raise ValueError("a run-out below 0: accepted is 0 µm or more")
    groups = []
    for count in sorted({len(piece) for piece in pieces} - {0}):
        rows = np.array([piece for piece in pieces if len(piece) == count], dtype=np.float64)
        groups.append(np.maximum(rows / 2, LEAST_RADIUS_UM))
    return Observed(tuple(groups), holder_um, step_deg)


def log_likelihood(own_um: float, scatter_um: float, seen: Observed) -> float:
    """Return the logarithm of the likelihood, but for a constant.

    Args:
        own_um: Standard deviation per axis of the collets' own vectors, above 0.
        scatter_um: Of what a tightening adds, above 0.
        seen: The clampings.
    """
    total = 0.0
    for rows in seen.groups:
        each = _NODES * (1 if seen.is_flat else _directions(rows, scatter_um, seen.holder_um))
        at_once = max(1, _AT_ONCE // (each * rows.shape[1]))
        for start in range(0, len(rows), at_once):
            part = rows[start : start + at_once]
            if seen.is_flat:
                total += _flat(part, own_um, scatter_um, seen.holder_um)
            else:
                total += _turned(part, own_um, scatter_um, seen)
    return total


def _window(
    rows: "NDArray[float64]", own_um: float, scatter_um: float, pull: float, slack_um: float
) -> tuple["NDArray[float64]", "NDArray[float64]"]:
    """Return nodes and weights over the length of the vector, a row a piece.

    Each factor of the integrand lies below a normal curve with this centre and width,
    since I₀(x) ≤ exp(x): outside the window nothing is left.
    """
    import numpy as np

    width = (1 / own_um**2 + rows.shape[1] / scatter_um**2) ** -0.5
    centre = (rows.sum(axis=1) / scatter_um**2 + pull) * width**2
    low = np.maximum(0.0, centre - _REACH * width - slack_um)
    half = (centre + _REACH * width + slack_um - low) / 2
    x, w = legendre_nodes(_NODES)
    return low[:, None] + half[:, None] * (x + 1), half[:, None] * w


def _flat(
    rows: "NDArray[float64]", own_um: float, scatter_um: float, holder_um: float
) -> float:
    """Return the sum where |m + e| is the same in every clamping: Rice's law about m."""
    import numpy as np
    from scipy.special import i0e

    length, weight = _window(rows, own_um, scatter_um, holder_um / own_um**2, 0.0)
    logs = np.log(length * weight / own_um**2) - 0.5 * ((length - holder_um) / own_um) ** 2
    if holder_um:
        logs += np.log(i0e(length * holder_um / own_um**2))
    for r in rows.T:
        logs -= 0.5 * ((r[:, None] - length) / scatter_um) ** 2
        logs += np.log(i0e(r[:, None] * length / scatter_um**2))
    return _added(logs) + _constant(rows, scatter_um)


def _turned(
    rows: "NDArray[float64]", own_um: float, scatter_um: float, seen: Observed
) -> float:
    """Return the sum where the holder's vector comes from another side every time."""
    import numpy as np
    from scipy.special import i0e

    length, weight = _window(rows, own_um, scatter_um, 0.0, seen.holder_um)
    count = _directions(rows, scatter_um, seen.holder_um)
    turns: NDArray[complex128] = np.exp(2j * pi * np.arange(count) / count)
    logs = np.log(length * weight / own_um**2 / count) - 0.5 * (length / own_um) ** 2
    logs = np.repeat(logs[:, :, None], count, axis=2)
    for number, r in enumerate(rows.T):
        turned = turns * np.exp(1j * radians(seen.step_deg * number))
        centre = np.abs(seen.holder_um + length[:, :, None] * turned)
        logs -= 0.5 * ((r[:, None, None] - centre) / scatter_um) ** 2
        logs += np.log(i0e(r[:, None, None] * centre / scatter_um**2))
    return _added(logs.reshape(len(rows), -1)) + _constant(rows, scatter_um)


def _directions(rows: "NDArray[float64]", scatter_um: float, holder_um: float) -> int:
    """Return the nodes that the sharpest piece needs round the circle."""
    sharpness = float(rows.sum(axis=1).max()) * holder_um / scatter_um**2
    return int(min(96, 8 + 4 * sharpness**0.5))


def _added(logs: "NDArray[float64]") -> float:
    """Return the sum over pieces of log ∑ exp, without overflow."""
    import numpy as np

    most = logs.max(axis=1)
    return float((most + np.log(np.exp(logs - most[:, None]).sum(axis=1))).sum())


def _constant(rows: "NDArray[float64]", scatter_um: float) -> float:
    import numpy as np

    return float(np.log(rows).sum()) - 2 * rows.size * log(scatter_um)
