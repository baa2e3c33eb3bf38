"""The inks. What they mean is always written beside them too: no hue stands alone."""

from daemon.picture.sheet import Trace
from daemon.store.stored import StoredClamping

INK = "#1a1a1a"
FAINT = "#6b6b6b"
GRID = "#e2e2e2"
AXIS = "#9a9a9a"
BAND = "#e8eef5"
LIMIT = "#44607d"

WITHIN = "#14548c"
BEYOND = "#a8500a"
INVALID = "#5f5f5f"


def of_result(clamping: StoredClamping) -> str:
    """Return the ink of a clamping's readings."""
    return {"within": WITHIN, "beyond": BEYOND}.get(clamping.result, INVALID)


def of_trace(trace: Trace) -> str:
    """Return the ink of a sweep: one that is sound stays so beside an invalid one."""
    if trace.invalid is not None:
        return INVALID
    return WITHIN if trace.clamping.result == "invalid" else of_result(trace.clamping)
