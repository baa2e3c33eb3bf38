"""A simulated bench and its operator at the real bench runner, in one process and its time.

Bytes leave the simulated indicator, go through the real line decoder and driver into the real
runner and store; prompt and lamps go back to the simulated person. What is really done is told
by the simulator (``truth``), what is seen live by ``diary``: neither asks the record.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TypeVar

from daemon.config import Config, load
from daemon.wiring import decoders
from rules import bench as rules_bench
from rules.facts import CycleEndedFact, Fact
from rules.signals import LampWord
from simulators.bench import Bench, Sent, Switched
from simulators.bench import Placed as PlacedAt
from simulators.mistakes import Mistakes, MistakeWord
from simulators.scenario import demo_bench
from simulators.truth import Fact as Truth
from tests.daemon.bench_of_values import NS_PER_S, ValueBench

START_NS = 10**12
_TICK_NS = NS_PER_S // 2
_REPEAT_NS = 5 * NS_PER_S

Kind = TypeVar("Kind", bound=Truth)


@dataclass(frozen=True, slots=True)
class Graded:
    """A verdict as it was seen live.

    Attributes:
        at: When.
        piece: Of which piece.
        cycle: Of which of its cycles.
        grade: Its grade; None for hold and nonconforming.
        bin: Where its lamp was lit.
    """

    at: datetime
    piece: int
    cycle: int
    grade: str | None
    bin: str


class SimulatedBench(ValueBench):
    """Bench b1 of the demo with its simulated stand, indicator and operator.

    Attributes:
        stand: The simulated bench.
        diary: Every verdict, as it was seen live.
        now_ns: Nanoseconds since the start.
    """

    def __init__(
        self,
        path: Path,
        seed: int,
        start: datetime,
        planned: dict[int, frozenset[MistakeWord]] | None = None,
    ) -> None:
        self.diary: list[Graded] = []
        self.now_ns = 0
        self._ticked_ns = 0
        self._shown_ns = 0
        self._prompt: tuple[str, str] | None = None
        self._lit: dict[str, LampWord] = {}
        self.stand = Bench(demo_bench("b1", seed, None, Mistakes(planned or {})), seed)
        config: Config = load(path)
        self._line = next(one for one in decoders(config) if one.config.section.id == "usb1")
        super().__init__(config, start=start)

    def _open(self) -> None:
        super()._open()
        self.runner.on_facts = self._note
        self._line.opened(self.clock.now_ns())

    def truth(self, kind: type[Kind]) -> list[Kind]:
        """Return what was really done, of one kind, in order."""
        return [fact for fact in self.stand.truth if isinstance(fact, kind)]

    def at(self, ns: int) -> datetime:
        """Return the time of day at so many nanoseconds since the start."""
        return self.clock.start + timedelta(seconds=ns / NS_PER_S)

    def run(self, until: Callable[[], object], within_s: int = 900) -> None:
        """Let time pass until something holds.

        Raises:
            AssertionError: If it does not in time.
        """
        end_ns = self.now_ns + within_s * NS_PER_S
        while not until():
            assert self.now_ns < end_ns, (self.runner.shown.signals, self.runner.alarms)
            self._pass()

    def run_for(self, seconds: float) -> None:
        """Let so much time pass."""
        end_ns = self.now_ns + round(seconds * NS_PER_S)
        self.run(lambda: self.now_ns >= end_ns)

    def _pass(self) -> None:
        next_ns = self.stand.next_ns
        assert next_ns is not None
        emissions = self.stand.advance(next_ns)
        self.now_ns = next_ns
        self.clock.seconds = next_ns / NS_PER_S
        for emission in emissions:
            match emission:
                case Sent():
                    for bench, event in self._line.chunk(
                        START_NS + emission.at_ns, emission.data
                    ):
                        assert bench == "b1"
                        self.runner.handle(event)
                case PlacedAt():
                    self.runner.handle(rules_bench.Placed(emission.bin))
                case Switched():
                    raise AssertionError("the demo's bench has its contacts in the frame")
        if next_ns - self._ticked_ns >= _TICK_NS:
            self._ticked_ns = next_ns
            self.tick()
            self.runner.look_at_instruments()
        self._show()

    def _show(self) -> None:
        signals = self.runner.shown.signals
        prompt = (signals.prompt, signals.text)
        if prompt != self._prompt:
            self._prompt = prompt
            self.stand.show_prompt(signals.prompt, self.now_ns, signals.cell, signals.text)
        lit = dict(signals.lamps)
        if lit != self._lit or self.now_ns - self._shown_ns >= _REPEAT_NS:
            for name in sorted({*lit, *self._lit}):
                self.stand.show_lamp(name, lit.get(name, "off"), self.now_ns)
            self._lit, self._shown_ns = lit, self.now_ns

    def _note(self, facts: Sequence[Fact]) -> None:
        for fact in facts:
            if isinstance(fact, CycleEndedFact) and fact.decision is not None:
                made = fact.decision
                self.diary.append(
                    Graded(self.clock.utc(), fact.piece, fact.cycle, made.grade, made.bin)
                )
