"""What the operator is shown: one prompt, and a lamp over each bin."""

from typing import Literal, get_args

from simulators.spindle import NS_PER_S

LampWord = Literal["off", "on", "slow", "fast"]

LAMP_WORDS: tuple[LampWord, ...] = get_args(LampWord)

LAMP_WATCHDOG_NS = 15 * NS_PER_S
"""A lamp that heard nothing for this long goes dark (contract of the lamp topics)."""

LAMP_REPEAT_NS = 5 * NS_PER_S
"""How often a lamp that is not off is told so again."""


class Shown:
    """Prompt and lamps as they are now. Calls come in the order of time.

    Attributes:
        prompt: The prompt's word.
        cell: Tray cell the prompt names.
        text: The prompt as a sentence: which master a check wants stands only there.
    """

    def __init__(self) -> None:
        self.prompt: str | None = None
        self.cell: int | None = None
        self.text = ""
        self._lamps: dict[str, tuple[LampWord, int]] = {}

    def set_lamp(self, bin_id: str, word: LampWord, at_ns: int) -> None:
        """Take a lamp's word; it holds until its watchdog runs out."""
        self._lamps[bin_id] = (word, at_ns + LAMP_WATCHDOG_NS)

    def lamp(self, bin_id: str, at_ns: int) -> LampWord:
        """Return what a lamp shows at a time."""
        word, until_ns = self._lamps.get(bin_id, ("off", 0))
        return word if at_ns < until_ns else "off"

    def lit_bin(self, at_ns: int) -> str | None:
        """Return the one bin whose lamp is steadily on; None if none or several are."""
        lit = [bin_id for bin_id in self._lamps if self.lamp(bin_id, at_ns) == "on"]
        return lit[0] if len(lit) == 1 else None
