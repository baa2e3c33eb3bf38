"""Modem lines of a port as contacts: CTS, DSR, DCD and RI, polled and debounced.

Polling is the one way for every port. The kernel's blocking wait for a change exists for real
ports only, and nothing wakes it when the service stops; over RFC 2217 the far end tells of
changes by itself, and what it told last is polled here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, get_args

from rules.debounce import Contact, ContactRules, Doubted, Trusted, Turned, step

ModemLine = Literal["cts", "dsr", "dcd", "ri"]

MODEM_LINES: tuple[ModemLine, ...] = get_args(ModemLine)

POLL_S = 0.005
"""How often the lines are looked at, in real seconds."""

NOT_TOLD = "is not told by this port"


class ModemPort(Protocol):
    """The modem lines of a pyserial port; each may raise OSError."""

    @property
    def cts(self) -> bool:
        """Return clear to send."""

    @property
    def dsr(self) -> bool:
        """Return data set ready."""

    @property
    def cd(self) -> bool:
        """Return carrier detect."""

    @property
    def ri(self) -> bool:
        """Return ring indicator."""


@dataclass(frozen=True, slots=True)
class ModemEdge:
    """A modem line changed for good at ``since_ns``; ``at_ns`` is when that was certain."""

    at_ns: int
    line: ModemLine
    is_on: bool
    since_ns: int


@dataclass(frozen=True, slots=True)
class ModemDoubt:
    """A modem line can't be believed, and why; "" when it can again."""

    at_ns: int
    line: ModemLine
    why: str


ModemEvent = ModemEdge | ModemDoubt


class ModemLines:
    """Watches the modem lines of one port that say something."""

    def __init__(
        self,
        contacts: Mapping[ModemLine, ContactRules],
        idle_on: frozenset[ModemLine] = frozenset(),
    ) -> None:
        """Prepare.

        Args:
            contacts: The lines to watch, and how each is heard.
            idle_on: Lines that are on while their contact is open.
        """
        self._rules = contacts
        self._idle_on = idle_on
        self._known: dict[ModemLine, Contact] = {}
        self._mute_ns: dict[ModemLine, int] = {}
        self.opened()

    def opened(self) -> None:
        """Forget all: a reopened port owes nothing to the old one."""
        self._known = {line: Contact() for line in self._rules}
        self._mute_ns = {}

    def poll(self, port: ModemPort, at_ns: int) -> list[ModemEvent]:
        """Look at every line once; return what is new."""
        found: list[ModemEvent] = []
        for line, rules in self._rules.items():
            try:
                level = level_of(port, line)
            except OSError:  # a port without modem lines, or a far end that tells none
                found += self._not_told(line, at_ns, rules)
                continue
            if self._mute_ns.pop(line, None) is not None and self._known[line].doubt:
                self._known[line] = Contact()
                found.append(ModemDoubt(at_ns, line, ""))
            found += self._sampled(line, level != (line in self._idle_on), at_ns, rules)
        return found

    def _sampled(
        self, line: ModemLine, is_closed: bool, at_ns: int, rules: ContactRules
    ) -> list[ModemEvent]:
        self._known[line], news = step(self._known[line], is_closed, at_ns, rules)
        found: list[ModemEvent] = []
        for item in news:
            match item:
                case Turned(is_on, since_ns):
                    found.append(ModemEdge(at_ns, line, is_on, since_ns))
                case Doubted(why, _):
                    found.append(ModemDoubt(at_ns, line, why))
                case Trusted(_):
                    found.append(ModemDoubt(at_ns, line, ""))
        return found

    def _not_told(self, line: ModemLine, at_ns: int, rules: ContactRules) -> list[ModemEvent]:
        since_ns = self._mute_ns.setdefault(line, at_ns)
        known = self._known[line]
        if known.doubt == NOT_TOLD or at_ns - since_ns < rules.ignore_ns:
            return []
        self._known[line] = Contact(doubt=NOT_TOLD)
        return [ModemDoubt(at_ns, line, NOT_TOLD)]


def level_of(port: ModemPort, line: ModemLine) -> bool:
    """Return a modem line's level.

    Raises:
        OSError: If the port has no such line or does not tell.
    """
    match line:
        case "cts":
            return port.cts
        case "dsr":
            return port.dsr
        case "dcd":
            return port.cd
        case "ri":
            return port.ri
