"""What a line tells a bench besides readings and edges."""

from dataclasses import dataclass

from rules.capture_model import Signal


@dataclass(frozen=True, slots=True)
class SignalFault:
    """A wired signal can't be believed: held, flickering, its line gone; or it is well again.

    Attributes:
        signal: What it would say.
        text: What is wrong and what to look at; "" when it is well again.
        at_ns: Since when.
    """

    signal: Signal
    text: str
    at_ns: int
