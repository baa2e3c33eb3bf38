"""A simulated line from what is wanted to its end: bench, pattern, faults, far end."""

import asyncio
import signal
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random

from daemon.broker import Broker
from daemon.clock import Clock
from daemon.errors import ConfigError
from daemon.simulate.control import listen_to_words
from daemon.simulate.far_end import FarEnd, PtyEnd, Sampling, TcpEnd, as_sent
from daemon.simulate.json_lines import JsonLines
from daemon.simulate.line_recorder import LineRecorder
from daemon.simulate.live_bench import NS_PER_S, LiveBench
from daemon.simulate.patterns import (
    answering,
    channel_of,
    pattern_kind,
    says_over_range,
    unit_of,
)  # fmt: skip
from daemon.simulate.pty_line import PtyLine
from daemon.simulate.rfc2217_end import Rfc2217End
from daemon.simulate.shop_floor import ShopFloor
from daemon.simulate.wanted import Wanted
from rules.reading import Reading
from simulators.bench import Bench, BenchKind, Polled, Streaming, Wire
from simulators.faulty_pattern import FaultyPattern, finest_step_nm
from simulators.indicator import Indicator
from simulators.scenario import LOT_OF_BENCH, demo_bench
from simulators.spindle import Drive
from simulators.stand import StandKind
from simulators.truth import Taken
from simulators.uart import through_the_wire

_OUT_OF_RANGE_UM = -900.0
_OFF_THE_PIN_UM = -650.0


@dataclass(frozen=True, slots=True)
class Around:
    """What stands around the line.

    Attributes:
        broker: Where the service shows prompt and lamps; None: the bench runs by its truth.
        root: First part of every topic.
        bench: The bench's id there.
        truth: File for what really happens.
        recording: File for all that goes over the line.
        takes_words: Whether words come on standard input.
    """

    broker: Broker | None = None
    root: str = "reclamp"
    bench: str = "b1"
    truth: Path | None = None
    recording: Path | None = None
    takes_words: bool = False


@dataclass(slots=True)
class Simulated:
    """A bench, its faults and its line, ready to start.

    Attributes:
        bench: The bench.
        pattern: Its wire pattern, which errs when told to.
        end: Its end of the line.
    """

    bench: Bench
    pattern: FaultyPattern
    end: FarEnd


def build(wanted: Wanted, *, is_led: bool) -> Simulated:
    """Return what is wanted.

    Args:
        wanted: The line and the bench.
        is_led: Whether prompts come from a service; else the bench runs by its own truth.

    Raises:
        UnknownDriverError: If the pattern can't be simulated.
        ConfigError: If its frames can say no length.
    """
    kind = pattern_kind(wanted.pattern)
    plain = kind.make(wanted.options)
    asked = answering(plain, kind, wanted.options)
    chance = Random(f"{wanted.seed}/faults")
    pattern = FaultyPattern(plain, wanted.faults, chance, asked)
    unit, channel = unit_of(wanted.options), channel_of(wanted.options)
    try:
        step_nm = finest_step_nm(plain, Reading(0, unit, channel=channel))
    except ValueError as error:
        raise ConfigError([f"options of {wanted.pattern}: {error}"]) from error
    off_um = _OUT_OF_RANGE_UM if says_over_range(plain, unit, channel) else _OFF_THE_PIN_UM
    indicator = Indicator(step_nm, drift_um_per_h=0.3, unit=unit, channel=channel)
    sends = Polled(pattern) if asked else Streaming(pattern, wanted.rate_hz)
    limits = None if is_led else LOT_OF_BENCH[wanted.lot].limits
    made = _bench_kind(wanted, indicator, sends, off_um)
    return Simulated(Bench(made, wanted.seed, limits), pattern, _far_end(wanted))


def _bench_kind(
    wanted: Wanted, indicator: Indicator, sends: Streaming | Polled, off_um: float
) -> BenchKind:
    """Return the mechanics of the demo's benches with this indicator on this wire."""
    base, own = demo_bench(wanted.lot, wanted.seed, wanted.pieces), wanted.own
    framing_bits = 1 + own.data_bits + (own.parity != "N") + own.stop_bits
    return BenchKind(
        name=base.name,
        stand=StandKind(Drive(period_s=2.4, ripple=0.02), lifted_um=off_um),
        indicator=indicator,
        sends=sends,
        wire=Wire(own.baud, framing_bits),
        work=replace(base.work, habits=replace(base.work.habits, foot="ready")),
        has_flags=not wanted.wiring,
        has_contacts=bool(wanted.wiring),
    )


def _far_end(wanted: Wanted) -> FarEnd:
    end, own = wanted.end, wanted.own
    sampling: Sampling = as_sent
    if wanted.sampled is not None and wanted.sampled != own:
        asked = wanted.sampled

        def sampling(data: bytes) -> bytes:
            return through_the_wire(data, own, asked)

    if end.kind == "pty":
        return PtyEnd(PtyLine(end.link), sampling)
    if end.kind == "tcp":
        return TcpEnd(end.host, end.port, sampling)
    return Rfc2217End(end.host, end.port, own)


async def run(
    wanted: Wanted,
    around: Around,
    clock: Clock,
    seconds: float | None,
    ready: Callable[[FarEnd], None],
) -> dict[str, object]:
    """Run until the time is over, a word or a signal ends it; return what it was.

    Raises:
        UnknownDriverError, ConfigError: If what is wanted can't be simulated.
        PortError: If the line can't be made.
        RecordingError: If the recording can't be written.
    """
    made = build(wanted, is_led=around.broker is not None)
    with ExitStack() as files:
        truth = files.enter_context(JsonLines(around.truth)) if around.truth else None
        recorder = None
        if around.recording is not None:
            recorder = files.enter_context(
                LineRecorder(around.recording, "simulated", around.bench)
            )
        live = LiveBench(made.bench, made.end, clock, truth, recorder, wanted.wiring)
        if around.broker is not None:
            live.shop_floor = ShopFloor(around.broker, around.root, around.bench, live)
        ended = asyncio.Event()

        def finish() -> None:
            live.finish()
            ended.set()

        words = {**_words(made.pattern, live), "stop": finish}
        _heed(ended, words, takes_words=around.takes_words)
        try:
            live.start()
            live.plan([(round(at_s * NS_PER_S), words[word]) for at_s, word in wanted.plan])
            if seconds is not None:
                live.plan([(round(seconds * NS_PER_S), finish)])
            ready(made.end)
            await live_until(ended, live)
        finally:
            live.stop()
        return summary(live, made.end, made.bench)


def _words(pattern: FaultyPattern, live: LiveBench) -> Mapping[str, Callable[[], None]]:
    def setting(name: str, value: bool) -> Callable[[], None]:
        return lambda: setattr(pattern, name, value)

    return {
        "unplug": live.unplug,
        "plug": live.plug,
        "freeze": setting("is_frozen", True),
        "thaw": setting("is_frozen", False),
        "switch-unit": setting("is_switched", True),
        "switch-back": setting("is_switched", False),
        "silence": setting("is_silent", True),
        "speak": setting("is_silent", False),
    }


def _heed(
    ended: asyncio.Event, words: Mapping[str, Callable[[], None]], *, takes_words: bool
) -> None:
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, ended.set)
    if takes_words:
        listen_to_words(words, at_end=ended.set)


async def live_until(ended: asyncio.Event, live: LiveBench) -> None:
    """Let the bench live, with what stands around it, until the end is set."""
    async with asyncio.TaskGroup() as tasks:
        around = tasks.create_task(live.shop_floor.run()) if live.shop_floor else None
        await ended.wait()
        if around is not None:
            around.cancel()


def summary(live: LiveBench, end: FarEnd, bench: Bench) -> dict[str, object]:
    """Return how it went, in plain numbers."""
    pace = live.pace
    mean_ns = pace.late_sum_ns / pace.frames if pace.frames else 0.0
    return {
        "ended": True,
        "bench_s": round(live.now_ns / NS_PER_S, 3),
        "pieces": sum(isinstance(fact, Taken) for fact in bench.truth),
        "frames": pace.frames,
        "late_mean_ms": round(mean_ns / 1e6, 3),
        "late_max_ms": round(pace.late_max_ns / 1e6, 3),
        "lost_bytes": end.lost_bytes,
    }
