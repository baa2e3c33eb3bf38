"""What is proposed: a driver, its options, and what the bytes could not tell."""

from collections.abc import Mapping
from dataclasses import dataclass

from daemon.recognise.sample import Turn


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that the bytes could not tell.

    Attributes:
        about: The option or key it concerns, or a word such as "sign".
        text: What is open, what is assumed, and how to find out.
    """

    about: str
    text: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A description that may fit; its driver has the last word.

    Attributes:
        driver: Name of the driver.
        options: Its options.
        merit: How well it is founded, for the choice between several that read all.
        doubts: What it assumes.
        turns: The sample's requests and answers as its driver would have had them; None for
            the sample's own.
    """

    driver: str
    options: Mapping[str, object]
    merit: int = 0
    doubts: tuple[Doubt, ...] = ()
    turns: tuple[Turn, ...] | None = None

    @property
    def is_weak(self) -> bool:
        """True if noise that repeats could be taken for such frames."""
        return self.driver == "packed-bcd" and "checksum" not in self.options
