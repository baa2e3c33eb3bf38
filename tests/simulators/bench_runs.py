"""Runs of a simulated bench for the tests: by its own truth, or by hand."""

from collections.abc import Sequence
from typing import TypeVar

from drivers import Reading, ascii_line
from simulators.bench import Bench, Emission, Placed, Sent
from simulators.mistakes import Mistakes
from simulators.scenario import B1_FRAME, LOT_A, demo_bench
from simulators.truth import Fact

MS = 1_000_000
S = 1000 * MS

F = TypeVar("F", bound=Fact)


def free_run(
    seed: int, pieces: int, until_ns: int, mistakes: Mistakes | None = None
) -> tuple[Bench, list[Emission]]:
    bench = Bench(demo_bench("b1", seed, pieces, mistakes), seed, LOT_A.limits)
    return bench, bench.advance(until_ns)


def readings(emissions: Sequence[Emission]) -> list[tuple[int, Reading]]:
    driver = ascii_line.make(B1_FRAME)
    found = []
    for sent in emissions:
        if isinstance(sent, Sent):
            (reading,) = driver.feed(sent.data)
            assert isinstance(reading, Reading), reading
            found.append((sent.at_ns, reading))
    return found


def facts(bench: Bench, kind: type[F]) -> list[F]:
    return [fact for fact in bench.truth if isinstance(fact, kind)]


class Hands:
    """A bench whose prompts and lamps the test gives by hand."""

    def __init__(
        self, pieces: int = 5, mistakes: Mistakes | None = None, seed: int = 1
    ) -> None:
        self.bench = Bench(demo_bench("b1", seed, pieces, mistakes), seed)
        self.now_ns = 0
        self.emissions: list[Emission] = []
        self.lit: str | None = None

    def wait(self, seconds: float) -> None:
        """Let time pass; the lit lamp is kept alive as a service does."""
        until_ns = self.now_ns + int(seconds * S)
        while self.now_ns < until_ns:
            self.now_ns = min(until_ns, self.now_ns + 5 * S)
            self.emissions += self.bench.advance(self.now_ns)
            if self.lit is not None:
                self.bench.show_lamp(self.lit, "on", self.now_ns)

    def prompt(
        self, word: str, lit: str | None = None, cell: int | None = None, text: str = ""
    ) -> None:
        if self.lit is not None:
            self.bench.show_lamp(self.lit, "off", self.now_ns)
        self.lit = lit
        if lit is not None:
            self.bench.show_lamp(lit, "on", self.now_ns)
        self.bench.show_prompt(word, self.now_ns, cell, text)

    def placed(self) -> list[str]:
        return [e.bin for e in self.emissions if isinstance(e, Placed)]

    def count(self, kind: type[Fact]) -> int:
        return len(facts(self.bench, kind))
