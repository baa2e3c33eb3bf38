"""What a case found: how much was tried, what failed with its bytes, and notes."""

from dataclasses import dataclass, field

_MOST_FAILURES_KEPT = 5


@dataclass(frozen=True, slots=True)
class Failure:
    """One thing a driver did wrong.

    Attributes:
        what: What happened and what was expected, in words.
        stream: The bytes that were fed, in the order they were fed.
    """

    what: str
    stream: bytes = b""


@dataclass(frozen=True, slots=True)
class CaseResult:
    """The result of one case.

    Attributes:
        name: What must hold, as a sentence.
        tried: How many single trials were made.
        failures: The first few failures.
        failed: How many trials failed in all.
        notes: What a person should know though it is no failure.
        lacking: Why the case was not tried on this pattern; "" if it was.
    """

    name: str
    tried: int
    failures: tuple[Failure, ...]
    failed: int
    notes: tuple[str, ...] = ()
    lacking: str = ""


class DriverRaisedError(Exception):
    """A driver raised where it must not; carries the failure to record."""

    def __init__(self, failure: Failure) -> None:
        super().__init__(failure.what)
        self.failure = failure


@dataclass(slots=True)
class Book:
    """Where a running case writes down what it finds."""

    tried: int = 0
    failed: int = 0
    failures: list[Failure] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    lacking: str = ""

    def fail(self, what: str, stream: bytes = b"") -> None:
        """Write down a failure."""
        self.failed += 1
        if len(self.failures) < _MOST_FAILURES_KEPT:
            self.failures.append(Failure(what, stream))

    def expect(self, holds: bool, what: str, stream: bytes = b"") -> None:
        """Count a trial; write down a failure unless it holds."""
        self.tried += 1
        if not holds:
            self.fail(what, stream)
