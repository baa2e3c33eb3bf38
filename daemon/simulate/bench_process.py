"""One simulated bench as a process of its own: ``python -m daemon.simulate.bench_process``.

Says ``{"ready": …}`` on standard output when its line can be opened, and a summary when it
ends. SIGUSR1 unplugs the line, SIGUSR2 plugs it in again, SIGHUP drops a chip into the
holder's taper before the next master check, SIGTERM and SIGINT end it; with
``--control`` the words ``unplug``, ``plug``, ``drop-chip`` and ``stop`` do the same from
standard input, and so does its end; ``pour-back BIN`` has the operator take all that lies in
a bin back into the tray. It leaves no link and no process behind.
"""

import argparse
import asyncio
import json
import selectors
import signal
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from functools import partial
from pathlib import Path

from daemon.broker import Broker, parse_url
from daemon.clock import SystemClock
from daemon.errors import ReclampError
from daemon.simulate.control import listen_to_words
from daemon.simulate.far_end import PtyEnd
from daemon.simulate.json_lines import JsonLines
from daemon.simulate.line_recorder import LineRecorder
from daemon.simulate.live_bench import LiveBench
from daemon.simulate.pty_line import PtyLine
from daemon.simulate.session import live_until, summary
from daemon.simulate.shop_floor import ShopFloor
from simulators.bench import Bench
from simulators.mistakes import MISTAKE_WORDS, Mistakes, MistakeWord
from simulators.scenario import BINS, LINE_OF_BENCH, LOT_OF_BENCH, demo_bench

COULD_NOT = 3
"""Exit code: could not do it (port, broker, store)."""


def parser() -> argparse.ArgumentParser:
    """Return the parser of this process' arguments."""
    arguments = argparse.ArgumentParser(
        prog="python -m daemon.simulate.bench_process",
        description="A simulated bench on a pseudo-terminal.",
        epilog="Signals: USR1 unplugs the line, USR2 plugs it in again, HUP drops a chip into "
        "the taper before the next master check, TERM and INT end.",
    )
    add = arguments.add_argument
    add("--bench", choices=sorted(LOT_OF_BENCH), default="b1", help="which bench (b1)")
    add("--link", type=Path, required=True, help="name under which the line can be opened")
    add("--pieces", type=int, help="pieces in the tray (the whole lot)")
    add("--seed", type=int, default=1, help="seed of all chance (1)")
    add("--speed", type=float, default=1.0, help="bench seconds a real second (1)")
    add("--mqtt", metavar="URL", help="broker; without one the bench runs by its own truth")
    add("--protocol", choices=("auto", "5", "3.1.1"), default="auto", help="of MQTT (auto)")
    add("--root", default="reclamp", help="first part of every topic (reclamp)")
    add("--truth", type=Path, metavar="FILE", help="write what really happens, JSON lines")
    add("--recording", type=Path, metavar="FILE", help="write a recording of all bytes")
    add("--control", action="store_true", help="take words from standard input instead")
    add(
        "--mistake", action="append", default=[], metavar="WORD@PIECE",
        help=f"a mistake with this piece; WORD is one of {', '.join(MISTAKE_WORDS)}",
    )  # fmt: skip
    add(
        "--chance", action="append", default=[], metavar="WORD=P",
        help="a mistake's chance a piece, 0 to 1",
    )  # fmt: skip
    add(
        "--inch-check", type=int, metavar="N",
        help="in the Nth master check the indicator is switched to inch",
    )  # fmt: skip
    return arguments


def main(words: Sequence[str] | None = None) -> int:
    """Run a simulated bench until it is told to end; return the exit code."""
    arguments = parser()
    args = arguments.parse_args(words)
    try:
        mistakes = read_mistakes(args.mistake, args.chance)
        broker = _broker(args.mqtt, args.protocol) if args.mqtt else None
        _check_numbers(args)
    except ValueError as error:
        arguments.error(str(error))
    try:
        with asyncio.Runner(loop_factory=_fine_loop) as runner:
            runner.run(_run(args, mistakes, broker))
    except (ReclampError, OSError) as error:
        sys.stderr.write(f"simulated bench: {error}\n")
        return COULD_NOT
    return 0


def _fine_loop() -> asyncio.AbstractEventLoop:
    """Return a loop that keeps time to microseconds: the usual one rounds up to milliseconds.

    At 60 times the pace a millisecond is more than a frame.
    """
    return asyncio.SelectorEventLoop(selectors.SelectSelector())


def read_mistakes(planned: Sequence[str], chances: Sequence[str]) -> Mistakes:
    """Return mistakes written as ``WORD@PIECE`` and ``WORD=P``.

    Raises:
        ValueError: If one is not written so, with what is accepted.
    """
    by_piece: dict[int, frozenset[MistakeWord]] = {}
    for text in planned:
        word, _, piece = text.partition("@")
        if not piece.isdecimal() or int(piece) < 1:
            raise ValueError(f"--mistake {text}: accepted is WORD@PIECE with a piece from 1")
        number = int(piece)
        by_piece[number] = by_piece.get(number, frozenset()) | {_word(word, "--mistake")}
    chance: dict[MistakeWord, float] = {}
    for text in chances:
        word, _, share = text.partition("=")
        with suppress(ValueError):
            chance[_word(word, "--chance")] = float(share)
            if 0 <= float(share) <= 1:
                continue
        raise ValueError(f"--chance {text}: accepted is WORD=P with P from 0 to 1")
    return Mistakes(by_piece, chance)


def _word(word: str, option: str) -> MistakeWord:
    for known in MISTAKE_WORDS:
        if word == known:
            return known
    raise ValueError(f"{option}: {word!r} is no mistake, accepted are {MISTAKE_WORDS}")


def _check_numbers(args: argparse.Namespace) -> None:
    if not args.speed > 0:
        raise ValueError(f"--speed {args.speed}: accepted is above 0")
    if args.pieces is not None and args.pieces < 1:
        raise ValueError(f"--pieces {args.pieces}: accepted is 1 or more")


def _broker(url: str, protocol: str) -> Broker:
    host, port, tls, user = parse_url(url)
    for known in ("auto", "5", "3.1.1"):
        if protocol == known:
            return Broker(host, port, username=user, tls=tls, protocol=known)
    raise ValueError(f"--protocol {protocol}: accepted are auto, 5, 3.1.1")


async def _run(args: argparse.Namespace, mistakes: Mistakes, broker: Broker | None) -> None:
    kind = demo_bench(args.bench, args.seed, args.pieces, mistakes, args.inch_check)
    bench = Bench(kind, args.seed, None if broker else LOT_OF_BENCH[args.bench].limits)
    pty = PtyLine(args.link)
    line = PtyEnd(pty)
    with ExitStack() as files:
        truth = files.enter_context(JsonLines(args.truth)) if args.truth else None
        recorder = None
        if args.recording:
            recorder = LineRecorder(args.recording, LINE_OF_BENCH[args.bench], args.bench)
            files.enter_context(recorder)
        live = LiveBench(bench, line, SystemClock(args.speed), truth, recorder)
        if broker is not None:
            live.shop_floor = ShopFloor(broker, args.root, args.bench, live)
        ended = _controlled(live, takes_words=args.control)
        try:
            live.start()
            _say({"ready": args.bench, "port": str(args.link), "tty": pty.tty})
            await live_until(ended, live)
        finally:
            live.stop()
        _say(summary(live, line, bench))


def _controlled(live: LiveBench, *, takes_words: bool) -> asyncio.Event:
    """Return what is set at the end; from now on signals and words are heeded."""
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for sign in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(sign, ended.set)
    loop.add_signal_handler(signal.SIGUSR1, live.unplug)
    loop.add_signal_handler(signal.SIGUSR2, live.plug)
    loop.add_signal_handler(signal.SIGHUP, live.drop_chip)
    if takes_words:
        words: dict[str, Callable[[], None]] = {
            "unplug": live.unplug, "plug": live.plug, "drop-chip": live.drop_chip,
            "stop": ended.set,
        }  # fmt: skip
        words |= {f"pour-back {name}": partial(live.pour_back, name) for name in BINS}
        listen_to_words(words, at_end=ended.set)
    return ended


def _say(what: Mapping[str, object]) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
