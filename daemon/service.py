"""The service: lines, benches, store, broker and local socket, wired on one event loop."""

import asyncio
import contextlib
import gc
import json
import logging
import signal
from collections.abc import Callable
from functools import partial
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

from daemon import snapshot
from daemon.beat import happened
from daemon.bench import BenchRunner
from daemon.clock import Clock, boot_id, rfc3339
from daemon.commands import carry_out
from daemon.config import Config
from daemon.control import ControlServer, socket_path
from daemon.errors import StoreError
from daemon.file_texts import file_texts
from daemon.inbound import Inbound
from daemon.line import Routed
from daemon.line_runner import LineRunner
from daemon.messages import QUESTIONS, Command, Reply
from daemon.publisher import Publisher
from daemon.recording import Recorder, What
from daemon.rehearsal import Rehearsal
from daemon.rule_watch import RuleNews, RuleWatch
from daemon.store import Store
from daemon.wiring import decoders
from rules.bench import BenchEvent
from rules.capture_model import Seen, Tick
from rules.instruments import Register

log = logging.getLogger(__name__)

TICK_S = 0.1
RECOVER_S = 1.0
LOOK_S = 30.0
"""How often due dates and the clock are looked at."""
RULES_S = 1.0
_WARM_UP_S = 2.0
_GARBAGE_AFTER = 10_000
"""Objects made and not yet gone, instead of 700."""


def _nothing(_: str) -> None:
    """The write points of production: nobody listens."""


def _register_of(runner: BenchRunner) -> Register:
    return runner.config.register


class Service:
    """Everything of one bench file, at work."""

    def __init__(
        self,
        config: Config,
        clock: Clock,
        recording: Path | None = None,
        reached: Callable[[str], None] = _nothing,
    ) -> None:
        """Open the store and take every bench up where it was left.

        Raises:
            StoreError: If the store can't be opened, read or written.
            RecordingError: If a recording is asked for and can't be written.
        """
        self._config = config
        self._clock = clock
        self._stopping = asyncio.Event()
        self._recorder = Recorder(recording) if recording is not None else None
        self._store = Store(config.store_path, reached)
        boot = boot_id()
        utc = rfc3339(clock.utc())
        self._store.keep_texts(file_texts(config), utc)
        self.benches = {
            one.id: BenchRunner(config, one, self._store, clock, boot) for one in config.benches
        }
        self._watches = {
            name: RuleWatch(config, name, partial(_register_of, runner))
            for name, runner in self.benches.items()
        }
        self._rehearsals = {
            name: Rehearsal(one, len(self.benches)) for name, one in self.benches.items()
        }
        self._inbound = {
            name: Inbound(runner, self._store, partial(self._note, name))
            for name, runner in self.benches.items()
        }
        self._publishers = [
            Publisher(
                runner, self._store, config.broker, config.file.mqtt.root,
                snapshot.about(
                    runner, f"reclamp {version('reclamp')}", config.file.site, boot, utc,
                    clock.rate,
                ),
                clock.rate, reached,
            )
            for runner in self.benches.values()
        ]  # fmt: skip
        self._lines = [
            LineRunner(decoder, clock, self._take, self._recorder)
            for decoder in decoders(config)
        ]
        self._control = ControlServer(socket_path(config.store_path), self._carry_out)

    async def run(self) -> None:
        """Serve until SIGTERM or SIGINT.

        Raises:
            PortError: If the local socket can't be opened.
        """
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self._stopping.set)
        await self._control.start()
        log.info("serving %s", ", ".join(self.benches))
        try:
            async with asyncio.TaskGroup() as tasks:
                for line in self._lines:
                    tasks.create_task(line.run(self._stopping))
                for publisher, inbound in zip(
                    self._publishers, self._inbound.values(), strict=True
                ):
                    tasks.create_task(self._publish(publisher, inbound))
                ticks = tasks.create_task(self._tick())
                cure = tasks.create_task(self._recover())
                look = tasks.create_task(self._look_at_instruments())
                rules = tasks.create_task(self._watch_rules())
                warm = tasks.create_task(_warm_up())
                await self._stopping.wait()
                warm.cancel()
                ticks.cancel()
                cure.cancel()
                look.cancel()
                rules.cancel()
        finally:
            await self._control.stop()
            self._store.close()
            if self._recorder is not None:
                self._recorder.close()

    def stop(self) -> None:
        """Ask the service to stop."""
        self._stopping.set()

    def _take(self, routed: Routed) -> None:
        bench, event = routed
        self._step(self.benches[bench], event)
        if isinstance(event, Seen):
            self._rehearsals[bench].look()

    def _step(self, runner: BenchRunner, event: BenchEvent) -> None:
        """Let a bench take an event; an error of our own stops its grading, not the service."""
        try:
            runner.handle(event)
        except Exception as error:
            log.exception("%s: %s", runner.by.bench, type(event).__name__)
            runner.break_down(error)

    async def _publish(self, publisher: Publisher, inbound: Inbound) -> None:
        """Keep one bench on the broker, come what may: its neighbours have no part in it."""
        while not self._stopping.is_set():
            try:
                await publisher.run(inbound, self._stopping)
            except Exception:
                log.exception("a bench's connection broke down; it is made anew")
                await happened(self._stopping, RECOVER_S)

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(TICK_S / max(1.0, self._clock.rate / 10))
            now = Tick(self._clock.now_ns())
            for name, runner in self.benches.items():
                if self._recorder is not None:
                    self._recorder.note(now.at_ns, name, "tick")
                self._step(runner, now)

    async def _recover(self) -> None:
        while True:
            await asyncio.sleep(RECOVER_S)
            for runner in self.benches.values():
                runner.recover()

    async def _look_at_instruments(self) -> None:
        while True:
            await asyncio.sleep(LOOK_S)
            for runner in self.benches.values():
                try:
                    runner.look_at_instruments()
                except StoreError as error:
                    log.error("%s: instruments: %s", runner.by.bench, error)

    async def _watch_rules(self) -> None:
        """Notice changed rule files; a lot's own rules change only where it is told so."""
        while True:
            await asyncio.sleep(RULES_S)
            for name, watch in self._watches.items():
                try:
                    news = await asyncio.to_thread(watch.look)
                    if news is not None:
                        self._note_rules(name, news)
                        self.benches[name].take_rule_file(news)
                except Exception:
                    log.exception("%s: its rule file was not looked at", name)

    def _note_rules(self, bench: str, news: RuleNews) -> None:
        read = {"faults": news.faults} if news.good is None else {"text": news.good.text}
        self._note(bench, "rules", json.dumps(read))

    def _carry_out(self, bench: str | None, command: Command) -> Reply:
        if bench is None and len(self.benches) == 1:
            (bench,) = self.benches
        runner = self.benches.get(bench or "")
        if runner is None:
            accepted = ", ".join(self.benches)
            text = f"--bench: got {bench!r}, accepted are {accepted}"
            return Reply(id=command.id, ok=False, text=text)
        if command.expires is not None and command.expires <= runner.utc_now():
            return Reply(id=command.id, ok=False, text=f"expires: {command.expires} is over")
        if command.command not in QUESTIONS:
            asked = command.model_dump_json(exclude_defaults=True)
            self._note(runner.by.bench, "command", asked)
        return carry_out(command, runner, self._store)

    def _note(self, bench: str, what: What, text: str) -> None:
        if self._recorder is not None:
            self._recorder.note(self._clock.now_ns(), bench, what, text)


async def _warm_up() -> None:
    """Load what the first forecast needs before it is asked for, off the loop.

    What is there then stays: it is taken out of the garbage collector's sight, or a lamp would
    wait now and then until all of it has been looked through. What comes later seldom goes in
    circles, so it is looked through less often than Python does: that takes 0.1 to 0.4 ms.
    """
    await asyncio.sleep(_WARM_UP_S)
    await asyncio.to_thread(import_module, "numpy")
    gc.freeze()
    gc.set_threshold(_GARBAGE_AFTER)


def serve(
    config: Config,
    clock: Clock,
    recording: Path | None = None,
    reached: Callable[[str], None] = _nothing,
) -> None:
    """Run the service to its end.

    Raises:
        StoreError, PortError, RecordingError: If it can't start.
    """

    async def run() -> None:
        await Service(config, clock, recording, reached).run()

    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(run())
