"""One clamping as captured: its sweeps, what they show, and the loosening before it."""

from dataclasses import dataclass
from typing import Literal

from rules.exact_vector import ExactVector
from rules.ruleset import Evidence
from rules.sweep import Invalid, RunOut, Sweep

CaptureMode = Literal["sweep", "single-value"]


@dataclass(frozen=True, slots=True)
class Loosening:
    """How the opening of the nut was seen.

    Attributes:
        evidence: What showed it, see ``EVIDENCE_RANK``.
        at_ns: When, monotonic.
        size_nm: How far the pin moved, where that was seen.
        duration_ns: For how long, where that was seen.
    """

    evidence: Evidence
    at_ns: int
    size_nm: int | None = None
    duration_ns: int | None = None


@dataclass(frozen=True, slots=True)
class PositionRunOut:
    """Run-out at one indicator of the bench.

    Attributes:
        indicator: Its id.
        position: Where it sits.
        sweep: Its readings.
        run_out: What they show.
        vector: The same as an exact vector, where an index marks the turns.
    """

    indicator: str
    position: str
    sweep: Sweep
    run_out: RunOut
    vector: ExactVector | None = None


@dataclass(frozen=True, slots=True)
class Clamping:
    """One closing of the collet on the pin, measured.

    Attributes:
        mode: How it was captured.
        started_ns: First counted reading, monotonic.
        ended_ns: Last counted reading, monotonic.
        positions: One for each indicator of the bench, at least one.
        loosening: The loosening before it.
    """

    mode: CaptureMode
    started_ns: int
    ended_ns: int
    positions: tuple[PositionRunOut, ...]
    loosening: Loosening

    @property
    def invalid(self) -> Invalid | None:
        """Return why it has no result: one doubtful position makes all of it doubtful."""
        return next((p.run_out.invalid for p in self.positions if p.run_out.invalid), None)

    @property
    def tir_nm(self) -> int | None:
        """Return the largest run-out over the positions; None when invalid."""
        run_outs = [p.run_out.tir_nm for p in self.positions]
        if self.invalid is not None:
            return None
        return max(tir for tir in run_outs if tir is not None)

    @property
    def tirs(self) -> tuple[tuple[str, int], ...]:
        """Return position and run-out of each position that has a result."""
        return tuple(
            (p.position, p.run_out.tir_nm)
            for p in self.positions
            if p.run_out.tir_nm is not None
        )

    @property
    def seen(self) -> tuple[tuple[str, int], ...]:
        """Return position and run-out that was there at least, where something is known."""
        return tuple(
            (p.position, p.run_out.seen_nm)
            for p in self.positions
            if p.run_out.seen_nm is not None
        )

    @property
    def seen_nm(self) -> int | None:
        """Return the run-out that was there at least, over all positions."""
        seen = [p.run_out.seen_nm for p in self.positions if p.run_out.seen_nm is not None]
        return max(seen, default=None)
