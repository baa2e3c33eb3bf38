"""A contact's level, sampled now and then, becomes edges that can be believed.

``step(state, is_closed, at_ns, rules) -> (state, news)``; time only as an argument. A level
counts once it was the same for ``steady_ns``, and dates from when it began to be so. Waiting
costs a delay and no accuracy; taking the first change at once would let one spark on a cable
cut a turn in two, and a short turn reads low.
"""

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class ContactRules:
    """How one contact is heard.

    Attributes:
        steady_ns: How long a level must last to be believed.
        ignore_ns: How long after the opening nothing is believed.
        unsteady_ns: A contact that finds no level for this long flickers.
        held_ns: A contact closed for this long is held or short-circuited; None where a
            contact may rest closed (an index flag on its sensor, a run contact).
    """

    steady_ns: int = 30_000_000
    ignore_ns: int = 1_000_000_000
    unsteady_ns: int = 2_000_000_000
    held_ns: int | None = 30_000_000_000


@dataclass(frozen=True, slots=True)
class Turned:
    """The contact closed or opened, for good, at this time."""

    is_closed: bool
    at_ns: int


@dataclass(frozen=True, slots=True)
class Doubted:
    """The contact can't be believed: held from the start, held too long, or flickering."""

    why: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class Trusted:
    """The contact is well again."""

    at_ns: int


News = Turned | Doubted | Trusted

HELD_AT_START = "on since the line was opened"
HELD_TOO_LONG = "on for too long"
UNSTEADY = "flickers"


@dataclass(frozen=True, slots=True)
class Contact:
    """What is known of one contact. A fresh one has not been sampled.

    Attributes:
        opened_ns: Time of the first sample.
        is_closed: The level as believed; None until the first seconds are over.
        since_ns: When it took that level.
        other_ns: Since when samples say the other level; None while they agree.
        restless_ns: Since when no level lasted; None while one does.
        calm_ns: Since when samples agree again, after some that did not.
        doubt: Why it is not believed; "" when it is.
    """

    opened_ns: int | None = None
    is_closed: bool | None = None
    since_ns: int = 0
    other_ns: int | None = None
    restless_ns: int | None = None
    calm_ns: int = 0
    doubt: str = ""


Result = tuple[Contact, tuple[News, ...]]


def step(state: Contact, is_closed: bool, at_ns: int, rules: ContactRules) -> Result:
    """Return what is known after one more sample, and what is new."""
    if state.opened_ns is None:
        return replace(state, opened_ns=at_ns), ()
    if state.is_closed is None:
        return _first_level(state, is_closed, at_ns, rules)
    state, news = _sampled(state, state.is_closed, is_closed, at_ns, rules)
    state, doubts = _doubts(state, at_ns, rules)
    return state, (*news, *doubts)


def _first_level(state: Contact, is_closed: bool, at_ns: int, rules: ContactRules) -> Result:
    """Take the level that is there when the first moments are over: it is no edge.

    A run contact that is closed by then is told as closed; one that must be let go between
    two presses is doubted.
    """
    if at_ns - (state.opened_ns or 0) < rules.ignore_ns:
        return state, ()
    state = replace(state, is_closed=is_closed, since_ns=at_ns)
    if not is_closed:
        return state, ()
    if rules.held_ns is None:
        return state, (Turned(True, at_ns),)
    return replace(state, doubt=HELD_AT_START), (Doubted(HELD_AT_START, at_ns),)


def _sampled(
    state: Contact, believed: bool, is_closed: bool, at_ns: int, rules: ContactRules
) -> Result:
    if is_closed == believed:
        return _agreed(state, at_ns, rules), ()
    began = at_ns if state.other_ns is None else state.other_ns
    restless = began if state.restless_ns is None else state.restless_ns
    if at_ns - began < rules.steady_ns:
        return replace(state, other_ns=began, restless_ns=restless), ()
    turned = replace(
        state, is_closed=is_closed, since_ns=began, other_ns=None, restless_ns=None
    )
    return turned, (Turned(is_closed, began),)


def _agreed(state: Contact, at_ns: int, rules: ContactRules) -> Contact:
    """Take a sample of the believed level: after a flicker it must last to be at rest."""
    if state.other_ns is not None:
        return replace(state, other_ns=None, calm_ns=at_ns)
    if state.restless_ns is not None and at_ns - state.calm_ns >= rules.steady_ns:
        return replace(state, restless_ns=None)
    return state


def _doubts(state: Contact, at_ns: int, rules: ContactRules) -> Result:
    why = _why_doubted(state, at_ns, rules)
    if why == state.doubt:
        return state, ()
    state = replace(state, doubt=why)
    return state, (Doubted(why, at_ns) if why else Trusted(at_ns),)


def _why_doubted(state: Contact, at_ns: int, rules: ContactRules) -> str:
    restless_ns = state.restless_ns
    if restless_ns is not None and (
        state.doubt == UNSTEADY or at_ns - restless_ns >= rules.unsteady_ns
    ):
        return UNSTEADY
    if not state.is_closed or rules.held_ns is None:
        return ""
    if state.doubt in (HELD_AT_START, HELD_TOO_LONG):
        return state.doubt
    return HELD_TOO_LONG if at_ns - state.since_ns >= rules.held_ns else ""
