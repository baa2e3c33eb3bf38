"""What belongs to no piece is on record, and a stream of it is counted.

Hands make a refused clamping in ten seconds at the least. An indicator that sends finished
values by itself makes twenty a second: told one by one they would fill the record.
"""

from rules.bench_model import BenchState, RefusedRun, Result
from rules.clamping import Clamping
from rules.evolve import evolve
from rules.facts import Refusal, RefusedFact

TOLD_EACH = 3
"""So many of a kind in a row are told one by one; then each doubling is."""


def is_told(count: int) -> bool:
    """Return whether the one of this number in a row goes on record by itself."""
    return count <= TOLD_EACH or count & (count - 1) == 0


def refused(
    state: BenchState,
    reason: Refusal,
    at_ns: int,
    clamping: Clamping | None = None,
    value_nm: int | None = None,
) -> Result:
    """Return the state with one more refused, and its fact where that is told."""
    before = state.refused
    is_same = before is not None and (before.reason, before.piece) == (reason, state.piece)
    count = before.count + 1 if before is not None and is_same else 1
    run = RefusedRun(reason, state.piece, count)
    state = evolve(state, refused=run)
    if not is_told(count):
        return state, ()
    return state, (RefusedFact(reason, at_ns, clamping, value_nm, run.piece, run.count),)
