"""What a bench retains of its last pieces and of its holder."""

from daemon.messages.clamping import ClampingBrief
from daemon.messages.words import CheckKind, CheckResult, Payload, Um, Utc


class RecentPiece(Payload):
    """A piece as the board lists it."""

    piece: int
    grade: str | None
    bin: str | None
    reason: str
    clampings: list[ClampingBrief]
    at: Utc
    put_away: bool


class HolderPoint(Payload):
    """The holder's share of the run-out as it was known after a first clamping."""

    at: Utc
    number: int
    """Which first clamping, counted since the holder last left the spindle, from 1."""
    share_um: Um
    """As TIR: twice the length of the holder's vector, spindle and nut included."""
    uncertainty_um: Um
    """About 95 %, either way."""


class HolderSeries(Payload):
    """The master's share over time at one position: over all lots, passed or not."""

    position: str
    limit_um: Um | None = None
    """None: the rule file gives no grade from one clamping, and the bench file says none."""
    above: bool = False
    """Beyond doubt above the limit: the holder is dirty or worn."""
    first_clampings: int = 0
    """Since the holder last left the spindle."""
    points: list[HolderPoint] = []
    """Oldest first, thinned to at most 60; the last is the newest."""


class CheckedPosition(Payload):
    """What a master check read at one position, and what was allowed."""

    position: str
    result: CheckResult
    reading_um: Um | None
    low_um: Um
    high_um: Um
    drift_um: Um | None = None
    """By how much the zero moved since the last good check on this master."""


class RecentCheck(Payload):
    """A master check as the board lists it."""

    at: Utc
    kind: CheckKind
    result: CheckResult
    reason: str = ""
    """Why it is not good."""
    master: str
    positions: list[CheckedPosition] = []
    """None of one that was broken off."""


class Recent(Payload):
    """ROOT/BENCH/recent, retained: what a board needs beyond state and lot."""

    lot: str | None
    pieces: list[RecentPiece] = []
    """Newest first, at most 30."""
    histogram_um: list[Um] = []
    """Upper edges of the classes; a first clamping equal to an edge is below it."""
    histogram: list[int] = []
    """First clampings of the lot per class; one more for what lies above the last edge."""
    holder: list[HolderSeries] = []
    """The master's share, by position; none without an index or an encoder."""
    checks: list[RecentCheck] = []
    """Master checks of all lots, newest first, at most 30."""
    zero_drift_um: Um | None = None
    """What the zero may move between two good checks, either way; None: no limit is set."""
