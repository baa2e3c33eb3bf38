"""Prompts from the truth itself: lets a bench run with nobody at the cable's other end.

For recordings and for tests of the simulators. It knows what a service has to find out:
three clampings, fewer if one settles the piece.
"""

from dataclasses import dataclass

from simulators.shown import LampWord
from simulators.spindle import NS_PER_S, Drive
from simulators.truth import Dropped, Fact, NutOpened, SpindleSwitched, Tightened

_LATER_NS = NS_PER_S // 5
"""From what was done to the prompt that answers it."""


@dataclass(frozen=True, slots=True)
class GuideRules:
    """What the guide judges by.

    Attributes:
        top_um: Acceptance limit of the better grade, compared with the true run-out.
        ordinary_um: Acceptance limit of the other grade.
        top_bin: Bin of the better grade.
        ordinary_bin: Bin of the other grade.
        nonconforming_bin: Bin of what no grade accepts.
        hold_bin: Bin of what could not be measured.
        clampings: Good clampings the better grade needs.
        invalid_max: Clampings without a result that may be taken again.
        turns: Turns after which the next prompt comes.
    """

    top_um: float
    ordinary_um: float
    top_bin: str = "1"
    ordinary_bin: str = "2"
    nonconforming_bin: str = "N"
    hold_bin: str = "H"
    clampings: int = 3
    invalid_max: int = 2
    turns: float = 3.5


@dataclass(frozen=True, slots=True)
class Showing:
    """What is shown from a time on. ``lit`` is the one bin whose lamp is on."""

    at_ns: int
    prompt: str
    lit: str | None = None

    def lamps(self, bins: tuple[str, ...]) -> dict[str, LampWord]:
        """Return the word of every lamp."""
        return {bin_id: "on" if bin_id == self.lit else "off" for bin_id in bins}


class Guide:
    """Follows the facts of one bench and says what to show when."""

    def __init__(self, rules: GuideRules, drive: Drive) -> None:
        self._rules = rules
        self._turned_ns = int((drive.run_up_s + rules.turns * drive.period_s) * NS_PER_S)
        self._valid_um: list[float] = []
        self._invalid = 0
        self._piece = 0
        self._whole_ns = 0
        self._pin: Tightened | None = None

    def follow(self, fact: Fact) -> Showing | None:
        """Return what this fact leads to; a later showing replaces one that is still due."""
        match fact:
            case Tightened():
                self._note(fact)
                return None
            case SpindleSwitched() if fact.is_on:
                return self._swept(fact)
            case SpindleSwitched() if fact.at_ns < self._whole_ns:
                return self._cut_short(fact)
            case NutOpened():
                lifted_ns = fact.at_ns + int(fact.stylus_on_s * NS_PER_S)
                return Showing(lifted_ns + _LATER_NS, "clamp")
            case Dropped() if fact.bin == fact.lit_bin:
                return Showing(fact.at_ns + _LATER_NS, "clamp")
            case Dropped():
                return Showing(fact.at_ns + _LATER_NS, "right-the-bin", fact.lit_bin)
            case _:
                return None

    def _note(self, pin: Tightened) -> None:
        if pin.piece != self._piece:
            self._piece, self._valid_um, self._invalid = pin.piece, [], 0
        self._pin = pin

    def _swept(self, switched: SpindleSwitched) -> Showing:
        self._whole_ns = at_ns = switched.at_ns + self._turned_ns
        pin, self._pin = self._pin, None
        if pin is None:  # the same tightening once more: nothing new is learned
            return Showing(at_ns, "loosen")
        if pin.is_steady:
            self._valid_um.append(pin.run_out_um)
        else:
            self._invalid += 1
        lit = self._settled()
        return Showing(at_ns, "put-away" if lit else "loosen", lit)

    def _cut_short(self, switched: SpindleSwitched) -> Showing:
        """Take back what the sweep would have said: its turns were not whole."""
        self._whole_ns = 0
        if self._valid_um:
            self._valid_um.pop()
            self._invalid += 1
        lit = self._settled()
        at_ns = switched.at_ns + self._turned_ns
        return Showing(at_ns, "put-away" if lit else "loosen", lit)

    def _settled(self) -> str | None:
        """Return the bin once the piece's clampings settle it."""
        rules = self._rules
        if self._invalid > rules.invalid_max:
            return rules.hold_bin
        if not self._valid_um:
            return None
        worst_um = max(self._valid_um)
        if worst_um > rules.ordinary_um:
            return rules.nonconforming_bin
        if worst_um > rules.top_um:
            return rules.ordinary_bin
        return rules.top_bin if len(self._valid_um) >= rules.clampings else None
