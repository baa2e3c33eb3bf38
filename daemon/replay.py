"""A recording taken up again: the same bytes, bins and commands give the same record.

Opens nothing but the store it is given. Time is the recording's. It knows no time of day:
UTC starts at 1970-01-01 with the recording's own zero, and the record says that nobody knows
whether that clock was right.

What came, what was asked, what stayed out, who was silent and when the service looked at the
time stand in the recording: on a busy machine a reading may be late for a look that came
first, and what a bench made of that has to come out again. Recordings without such looks
(the simulated bench's) are ticked every 100 ms, as the service does, so that pins that stand
still are noticed.
"""

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from pydantic import ValidationError

from daemon.bench import BenchRunner
from daemon.clock import Synced, rfc3339
from daemon.commands import carry_out
from daemon.config import Config
from daemon.errors import RecordingError
from daemon.file_texts import file_texts
from daemon.line import Routed
from daemon.messages import Command
from daemon.recorded_line import RecordedLine
from daemon.recording import OF_A_BENCH, Entry
from daemon.rule_file import rules_of
from daemon.rule_watch import RuleNews
from daemon.store import Store
from daemon.toml_file import toml_of
from daemon.wiring import decoders
from rules import bench
from rules.capture_model import Tick

TICK_NS = 100_000_000
BOOT = "recording"
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class RecordedClock:
    """The clock of a recording: it stands still until it is set.

    Attributes:
        at_ns: Monotonic nanoseconds of the recording; never falls.
        rate: A recording is replayed in its own time.
    """

    at_ns: int = 0
    rate: float = 1.0

    def now_ns(self) -> int:
        """Return the time of the entry or tick that is being taken."""
        return self.at_ns

    def utc(self) -> datetime:
        """Return the same as a time of day that begins with the recording's zero."""
        return _EPOCH + timedelta(microseconds=self.at_ns // 1000)

    def synced(self) -> Synced:
        """Return that nobody knows."""
        return "unknown"


@dataclass(slots=True)
class _Replay:
    """Lines and benches of one bench file at a recording."""

    config: Config
    store: Store
    clock: RecordedClock
    ticked_ns: int = field(init=False)
    has_ticks: bool = False
    lines: dict[str, RecordedLine] = field(init=False)
    benches: dict[str, BenchRunner] = field(init=False)

    def __post_init__(self) -> None:
        self.ticked_ns = self.clock.at_ns
        self.lines = {d.config.section.id: RecordedLine(d) for d in decoders(self.config)}
        self.store.keep_texts(file_texts(self.config), rfc3339(self.clock.utc()))
        self.benches = {
            one.id: BenchRunner(self.config, one, self.store, self.clock, BOOT)
            for one in self.config.benches
        }

    def take(self, entry: Entry) -> None:
        """Let time pass up to an entry, and take it."""
        self.has_ticks = self.has_ticks or entry.what == "tick"
        if not self.has_ticks:
            self._tick_until(entry.at_ns)
        self.clock.at_ns = max(self.clock.at_ns, entry.at_ns)
        if entry.what in OF_A_BENCH:
            self._bench(entry)
            return
        line = self.lines.get(entry.where)
        if line is None:
            raise _stranger(entry, "line", self.lines)
        self._tell(line.take(entry))

    def _bench(self, entry: Entry) -> None:
        runner = self.benches.get(entry.where)
        if runner is None:
            raise _stranger(entry, "bench", self.benches)
        if entry.what == "tick":
            runner.handle(Tick(entry.at_ns))
            return
        if entry.what == "placed":
            runner.handle(bench.Placed(entry.text))
            return
        if entry.what == "rules":
            runner.take_rule_file(_rules_of(entry, runner))
            return
        try:
            command = Command.model_validate_json(entry.text)
        except ValidationError as error:
            raise RecordingError(f"at {entry.at_ns}: {entry.text[:80]!r}: {error}") from error
        carry_out(command, runner, self.store)  # refused now is refused then

    def _tick_until(self, at_ns: int) -> None:
        while self.ticked_ns + TICK_NS <= at_ns:
            self.ticked_ns += TICK_NS
            self.clock.at_ns = max(self.clock.at_ns, self.ticked_ns)
            for runner in self.benches.values():
                runner.handle(Tick(self.ticked_ns))

    def _tell(self, events: list[Routed]) -> None:
        for name, event in events:
            self.benches[name].handle(event)


def replay(entries: Iterable[Entry], config: Config, store: Store) -> None:
    """Let the benches of a bench file live through a recording, into a store.

    Args:
        entries: What ``read_recording`` gives.
        config: The bench file that the recording was made with.
        store: A fresh one begins as the recorded service did with a fresh one.

    Raises:
        RecordingError: If the recording is not of this bench file.
        StoreError: If the store can't keep it.
    """
    shift: _Replay | None = None
    for entry in entries:
        if shift is None:
            shift = _Replay(config, store, RecordedClock(entry.at_ns))
        shift.take(entry)


def _rules_of(entry: Entry, runner: BenchRunner) -> RuleNews:
    """Return the rule file that was read anew while the recording was made."""
    said = json.loads(entry.text)
    text, read = said.get("text"), None
    if isinstance(said.get("faults"), list):
        return RuleNews(None, tuple(str(fault) for fault in said["faults"]))
    if isinstance(text, str):
        read = rules_of(toml_of(text.encode("utf-8"), runner.config.rules_path))
    if read is None or read.good is None:
        raise RecordingError(f"at {entry.at_ns}: rules: accepted is a rule file without faults")
    return RuleNews(read.good)


def _stranger(entry: Entry, what: str, known: Iterable[str]) -> RecordingError:
    accepted = ", ".join(known)
    return RecordingError(
        f"at {entry.at_ns}: the bench file has no {what} {entry.where!r}; it has {accepted}"
    )
