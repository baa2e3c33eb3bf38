"""A whole bench that can be killed at any moment: runner, rules and record are the real ones.

What a hand does is written on a tape; what the outbox holds is taken by a stand-in for the
broker that acknowledges only some of it. A kill leaves of the store what lay on the disk at
that moment, and nothing of the process.
"""

import json
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from daemon.bench import BenchRunner
from daemon.commands import carry_out
from daemon.config import load
from daemon.errors import ConfigError
from daemon.messages import Command, Reply
from daemon.rule_watch import RuleWatch
from daemon.store import Store
from rules.bench import BenchEvent, BenchState
from rules.capture_model import Seen, Tick
from rules.reading import Reading
from tests.daemon.bench_of_sweeps import SweepBench
from tests.daemon.bench_of_values import HandClock

NAME = "b1"


class Killed(BaseException):
    """The service died here."""


@dataclass
class BootClock(HandClock):
    """Monotonic time begins anew with every boot of the machine; the time of day goes on."""

    boot_s: float = 0.0

    def now_ns(self) -> int:
        return 10**12 + round((self.seconds - self.boot_s) * 10**9)


@dataclass
class Consumer:
    """Who gets the events: at least once, in order; twice only under the same id."""

    bodies: dict[int, str] = field(default_factory=dict)
    acknowledged: set[int] = field(default_factory=set)

    def take(self, rows: list[tuple[int, str, str]]) -> None:
        for seq, _, body in rows:
            assert seq not in self.acknowledged, f"event {seq} comes after its PUBACK"
            assert self.bodies.setdefault(seq, body) == body, f"event {seq} was told otherwise"
            assert seq <= len(self.bodies), f"event {seq} came before {len(self.bodies)}"


class WholeBench(SweepBench):
    """Bench b1 of a folder, with masters; see ``tests.daemon.walk`` for what is done to it."""

    def __init__(self, path: Path) -> None:
        self.consumer = Consumer()
        self.counted: dict[str, int] = {}
        self.ticked_utc: datetime | None = None
        self.kills = 0
        self._boots = 1
        self._commands = 0
        self._thirds = 0
        self._dies_at: int | None = None
        self._left: dict[Path, bytes] = {}
        self._first_rules = ""
        super().__init__(path)

    def _open(self) -> None:
        if not isinstance(self.clock, BootClock):
            self.clock = BootClock()
        self._seeds = 0
        self._look_at_file_anew()
        self.store = Store(self.config.store_path, self._passed)
        source = self.config.source
        texts = [(source.sha256, "bench", source.path.name, source.text)]
        for one in self.config.benches:
            sha256 = one.rules.grading.sha256
            texts.append((sha256, "rules", one.rules_path.name, one.rules_text))
        self.store.keep_texts(texts, "2026-11-24T06:00:00.000Z")
        self.runner = BenchRunner(
            self.config, self.config.benches[0], self.store, self.clock,
            f"boot-{self._boots}", seeds=self._seed,
        )  # fmt: skip
        self.ticked_utc = None

    # --- the rule file ---

    @property
    def rule_file(self) -> Path:
        return self.config.benches[0].rules_path

    def write_rules(self, *replacements: tuple[str, str]) -> None:
        """Write the first state of the rule file with texts replaced, and let it be seen."""
        text = self._first_rules
        for old, new in replacements:
            assert old in text
            text = text.replace(old, new, 1)
        self.rule_file.write_text(text, encoding="utf-8")
        for _ in range(2):  # a file counts once it stood still from one look to the next
            news = self._watch.look()
            if news is not None:
                self.runner.take_rule_file(news)

    def _look_at_file_anew(self) -> None:
        """Read the files as a start does; one with faults keeps it from starting: mended."""
        if not self._first_rules:
            self._first_rules = self.rule_file.read_text(encoding="utf-8")
        try:
            self.config = load(self.config.source.path)
        except ConfigError:
            self.rule_file.write_text(self._first_rules, encoding="utf-8")
            self.config = load(self.config.source.path)
        self._watch = RuleWatch(self.config, NAME)

    def handle(self, event: BenchEvent, inbound: str | None = None) -> bool:
        was_taken = super().handle(event, inbound)
        if isinstance(event, Tick) and was_taken:
            self.ticked_utc = self.clock.utc()
        return was_taken

    def _seed(self) -> str:
        """Return a seed that a walk repeats: a draw is not to differ from run to run."""
        self._seeds += 1
        return f"{self._boots}-{self.kills}-{self._seeds}"

    # --- death and life ---

    def dies_at(self, write_point: int) -> None:
        """Die at the write point after so many, from 1: before or after a commit."""
        self._dies_at = write_point

    def lives(self) -> None:
        """Forget about a death that did not come yet."""
        self._dies_at = None

    def _passed(self, _: str) -> None:
        if self._dies_at is None:
            return
        self._dies_at -= 1
        if self._dies_at == 0:
            self._dies_at = None
            self._left = self._on_disk()
            raise Killed

    def _on_disk(self) -> dict[Path, bytes]:
        path = self.config.store_path
        files = (path, path.with_name(path.name + "-wal"))
        return {file: file.read_bytes() for file in files if file.exists()}

    def kill(self, gone_s: float, *, is_new_boot: bool = False) -> None:
        """Die, now or where it happened already, and start again after a while."""
        left = self._left or self._on_disk()
        self._left = {}
        self.store.close()  # only to give descriptors back: the files are put as they were
        path = self.config.store_path
        for file in path.parent.glob(path.name + "*"):
            file.unlink()
        for file, content in left.items():
            file.write_bytes(content)
        self.kills += 1
        self._sync()
        self.clock.seconds += gone_s
        if is_new_boot:
            self._boots += 1
            assert isinstance(self.clock, BootClock)
            self.clock.boot_s = self.clock.seconds
        self._open()
        self._wind_on()
        self.do(self.tape.rest)

    # --- time ---

    def _sync(self) -> None:
        """Let the clock stand where the tape is."""
        assert isinstance(self.clock, BootClock)
        tape_s = (self.tape.now_ns - 10**12) / 10**9 + self.clock.boot_s
        self.clock.seconds = max(self.clock.seconds, tape_s)

    def _wind_on(self) -> None:
        """Let the tape stand where the clock is."""
        self.tape.now_ns = self.clock.now_ns()
        self.tape._due_ns = float(self.tape.now_ns)

    def do(self, action: Any, *values: float) -> None:
        """Write on the tape and let the bench take it; a bench in fault takes nothing."""
        if self.clock.now_ns() > self.tape.now_ns:
            self._wind_on()
        assert isinstance(self.clock, BootClock)
        first = len(self.tape.events)
        action(*values)
        events, self.tape.events = self.tape.events[first:], []
        for event in events:
            self.clock.seconds = (event.at_ns - 10**12) / 10**9 + self.clock.boot_s
            if isinstance(event, Seen) and event.reading.value_nm is not None:
                value_nm = round(event.reading.value_nm * self.scale / 100) * 100
                event = Seen(event.indicator, Reading(value_nm), event.at_ns)
            self.handle(event)
        self._sync()

    def pass_time(self, seconds: float) -> None:
        self.clock.seconds += seconds
        self._wind_on()
        self.handle(Tick(self.clock.now_ns()))
        self.runner.look_at_instruments()

    def clamp(self, *tirs_um: float) -> None:
        """Clamp, each time a third further: another clamping never reads alike."""
        for tir_um in tirs_um:
            self._thirds += 1
            self.seat(tir_um, self._thirds / 3 + 0.02)

    def seat(self, tir_um: float, phase: float) -> None:
        """Clamp as fast as counts: most of what a slow hand writes says nothing."""
        self.do(lambda: self.tape.lift(3.0).clamp(tir_um, phase).rest(1.0).turn(3.4))

    # --- asked and told ---

    def ask(self, command: str, **values: object) -> Reply:
        """Send a command as the lead does; it may be refused."""
        self._commands += 1
        self.clock.seconds += 1
        body = {"id": f"c{self._commands}", "command": command, "role": "lead", **values}
        asked = Command.model_validate_json(json.dumps({"reason": "looked at it", **body}))
        return carry_out(asked, self.runner, self.store)

    def publish(self, limit: int, acknowledged: int) -> None:
        """Send the oldest events; a broker acknowledges the first so many of them."""
        rows = self.store.unsent(NAME, limit)
        self.consumer.take(rows)
        seqs = [seq for seq, *_ in rows[:acknowledged]]
        self.store.sent(NAME, seqs)
        self.consumer.acknowledged.update(seqs)

    @property
    def state(self) -> BenchState:
        return self.runner._state

    @property
    def lit(self) -> list[str]:
        return [bin_id for bin_id, word in self.lamps.items() if word == "on"]
