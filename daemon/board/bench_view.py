"""What the board knows of one bench, and how far it may be believed now.

Pure: messages and the time come as arguments. What is shown for a bench follows from its
condition; only in ``live`` is a value shown as present.
"""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from daemon.board.inbox import ClampingEvent, Heard
from daemon.board.sweeps import Sweeps
from daemon.messages import About, AlarmData, Lot, Prompt, Recent, State

__all__ = ["LAMP_DARK_S", "STALE_S", "BenchView", "Condition", "Moment", "Session"]

STALE_S = 10.0
"""An online bench says its state at least every 5 s; after two missed ones it is stale."""

LAMP_DARK_S = 15.0
"""A lamp that isn't lit anew goes dark: the same rule that the lamps at the bins keep."""

LAMP_DARK_LEAST_S = 1.0
"""Where a bench runs faster than time the rule shrinks, but not below what a network takes."""

KEYS_MAX = 64
"""Alarms, and lamps, held of one bench: a stranger may invent any number."""

CLOCKS_APART_S = 5.0
STATE_LONGEST_S = 31 * 86_400.0
"""Beyond these the bench's wall clock is wrong rather than its state so old."""

Condition = Literal["live", "waiting", "stale", "offline", "unknown", "cut"]
"""
live      online, and heard within 10 s
waiting   online by what the broker kept; a first word of its own is due within 10 s
stale     online, but silent for 10 s
offline   it said so, or its will did
unknown   never heard whether it is there
cut       the board itself has no broker
"""


@dataclass(frozen=True, slots=True)
class Moment:
    """Seconds of the board's monotonic clock, and the UTC wall time beside it."""

    mono_s: float
    utc: datetime


@dataclass(frozen=True, slots=True)
class Session:
    """The board's present connection to the broker; numbered anew at each one.

    Attributes:
        ended: When the connection was lost, None while it stands.
    """

    number: int
    began: Moment
    ended: Moment | None


@dataclass(slots=True)
class BenchView:
    """The parts of one bench as last heard."""

    id: str
    link: str | None = None
    link_session: int = -1
    """Session in which the link was last heard: an older word doesn't count."""
    link_lost: Moment | None = None
    """When the bench was seen to go offline; None if it was so already."""
    about: About | None = None
    state: State | None = None
    lot: Lot | None = None
    recent: Recent | None = None
    prompt: Prompt | None = None
    alarms: dict[str, AlarmData] = field(default_factory=dict)
    lamps: dict[str, tuple[str, float]] = field(default_factory=dict)
    sweeps: Sweeps = field(default_factory=Sweeps)
    heard: Moment | None = None
    heard_session: int = -1
    entered_s: float | None = None
    """Monotonic time at which the present state was entered."""
    entered_known: bool = False
    """False: entered before ``entered_s``, when it was first heard."""

    @property
    def is_empty(self) -> bool:
        """Return whether nothing is left that would make it a bench."""
        return self.link is None and self.about is None and self.state is None

    def take(self, heard: Heard, session: Session, at: Moment) -> None:
        """Adopt one message; the same message twice changes nothing but the time of hearing."""
        if heard.is_live:
            self.heard, self.heard_session = at, session.number
        match heard.part:
            case "link":
                self._take_link(heard, session, at)
            case "alarm":
                self._take_alarm(heard)
            case "lamp":
                self._take_lamp(heard, at)
            case "state":
                self._take_state(heard, at)
            case "event":
                if isinstance(heard.value, ClampingEvent):
                    self.sweeps.take(heard.value)
            case part:
                setattr(self, part, heard.value)

    def forget_unkept(self) -> None:
        """Drop what would come again by itself: an alarm may have ended while we were away."""
        self.alarms.clear()
        self.lamps.clear()

    def condition(self, session: Session, now: Moment) -> Condition:
        """Return how far the bench may be believed at ``now``."""
        if session.ended is not None:
            return "cut"
        if self.link is None or self.link_session != session.number:
            return "unknown"
        if self.link == "offline":
            return "offline"
        if self.heard is not None and self.heard_session == session.number:
            return "live" if now.mono_s - self.heard.mono_s <= STALE_S else "stale"
        return "waiting" if now.mono_s - session.began.mono_s <= STALE_S else "stale"

    def silent_since(self, session: Session, now: Moment) -> Moment | None:
        """Return since when there is no data; None while there is, or if nobody can know."""
        match self.condition(session, now):
            case "live" | "waiting":
                return None
            case "offline":
                return self.link_lost
            case "stale":
                return self.heard or session.began
            case "unknown" | "cut":
                return self.heard or session.ended

    def lamp_words(self, session: Session, now: Moment) -> dict[str, str]:
        """Return the word of each lamp, ``off`` where it wasn't lit anew in time.

        A lit lamp's word is never kept by a broker, so what was lit before we came is
        ``unknown`` until it is said again.
        """
        speed = max(self.about.speed if self.about else 1.0, 1.0)
        dark_s = max(LAMP_DARK_S / speed, LAMP_DARK_LEAST_S)
        came_lately = now.mono_s - session.began.mono_s < dark_s
        bins = {each.id for each in self.about.bins} if self.about else set()
        words = dict.fromkeys(sorted(bins), "unknown" if came_lately else "off")
        for bin_id, (word, at_s) in sorted(self.lamps.items()):
            words[bin_id] = word if now.mono_s - at_s < dark_s else "off"
        return words

    def _take_link(self, heard: Heard, session: Session, at: Moment) -> None:
        went_away = heard.is_live and heard.value == "offline" and self.link != "offline"
        if went_away:
            self.link_lost = at
        elif heard.value != "offline":
            self.link_lost = None
        self.link = heard.value if isinstance(heard.value, str) else None
        self.link_session = session.number
        if self.link == "offline":
            self.lamps.clear()

    def _take_state(self, heard: Heard, at: Moment) -> None:
        state = heard.value if isinstance(heard.value, State) else None
        known, self.state = self.state, state
        if state is None:
            self.entered_s, self.entered_known = None, False
        elif known is None or _entry(state) != _entry(known):
            was_seen = heard.is_live and known is not None
            earlier_s = 0.0 if was_seen else _already_s(state, at)
            self.entered_known = earlier_s is not None
            self.entered_s = at.mono_s - (earlier_s or 0.0)

    def _take_alarm(self, heard: Heard) -> None:
        alarm = heard.value
        if not isinstance(alarm, AlarmData) or alarm.state == "returned":
            self.alarms.pop(heard.key, None)
        elif heard.key in self.alarms or len(self.alarms) < KEYS_MAX:
            self.alarms[heard.key] = alarm

    def _take_lamp(self, heard: Heard, at: Moment) -> None:
        if not isinstance(heard.value, str):
            self.lamps.pop(heard.key, None)
        elif heard.is_live and (heard.key in self.lamps or len(self.lamps) < KEYS_MAX):
            self.lamps[heard.key] = (heard.value, at.mono_s)


def _entry(state: State) -> tuple[str, str]:
    return state.state, state.since


def _already_s(state: State, at: Moment) -> float | None:
    """Return how long the state had lasted when it was first heard; None if nobody can say.

    Only here two machines' wall clocks are compared, so nonsense is no answer.
    """
    try:
        since = datetime.fromisoformat(state.since)
    except ValueError:
        return None
    if since.tzinfo is None:
        return None
    lasted_s = (at.utc - since).total_seconds()
    return max(lasted_s, 0.0) if -CLOCKS_APART_S < lasted_s < STATE_LONGEST_S else None
