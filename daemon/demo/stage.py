"""The demo's processes: broker, simulated benches, service, board; started and taken down."""

import contextlib
import ctypes
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path

from daemon.errors import BrokerError, PortError

BENCHES = ("b1", "b2")
"""Benches with a lot; the Annex bench (b3) speaks, but no lot is open there."""

OWN_BROKER = ("-m", "daemon.demo.broker_process")

_ANNEX = "annex.toml"
_START_WAIT_S = 20.0
_STOP_WAIT_S = 8.0
_PR_SET_PDEATHSIG = 1


@dataclass(slots=True)
class Stage:
    """Everything the demo started, in the order it was started.

    Attributes:
        folder: Bench file, store, ports and truth of this run.
        keeps: The folder was asked for and stays.
        broker_port: Where the broker listens.
        broker_words: What starts it, before its port.
        children: Name and process of each child.
    """

    folder: Path
    keeps: bool
    broker_port: int
    broker_words: tuple[str, ...] = OWN_BROKER
    children: list[tuple[str, subprocess.Popen[bytes]]] = field(default_factory=list)

    @property
    def broker_url(self) -> str:
        """Return the URL of the demo's broker."""
        return f"mqtt://127.0.0.1:{self.broker_port}"

    def start(
        self, name: str, words: Sequence[str], *, takes_words: bool = False
    ) -> subprocess.Popen[bytes]:
        """Start a child that dies with this process; ``takes_words`` on its standard input."""
        log = (self.folder / f"{name}.log").open("ab")  # started anew it writes on
        with log:
            child = subprocess.Popen(
                [sys.executable, *words],
                cwd=self.folder,
                stdin=subprocess.PIPE if takes_words else subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,  # Ctrl-C is ours: we end them in order
                preexec_fn=_die_with_parent,
            )
        self.children.append((name, child))
        return child

    def child(self, name: str) -> subprocess.Popen[bytes]:
        """Return a child that was started and not taken out.

        Raises:
            KeyError: If there is none of this name.
        """
        return dict(self.children)[name]

    def tell(self, name: str, word: str) -> None:
        """Say a word to a child that takes words.

        Raises:
            KeyError: If there is none of this name.
        """
        stdin = self.child(name).stdin
        assert stdin is not None  # it was started so
        stdin.write(f"{word}\n".encode())
        stdin.flush()

    def take_out(self, name: str, how: signal.Signals) -> None:
        """End a child by a signal and wait: its end is no accident any more."""
        child = self.child(name)
        self.children.remove((name, child))
        child.send_signal(how)
        try:
            child.wait(_STOP_WAIT_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()

    def dead_child(self) -> str | None:
        """Return name and last words of a child that ended by itself."""
        for name, child in self.children:
            if child.poll() is not None:
                log = (self.folder / f"{name}.log").read_text(errors="replace")
                last = log.strip().splitlines()[-1:] or ["it said nothing"]
                return f"{name} ended with {child.returncode}: {last[0]}"
        return None

    def clear(self) -> None:
        """End every child, last started first, and take the folder away."""
        for _, child in reversed(self.children):
            if child.poll() is None:
                child.send_signal(signal.SIGTERM)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    child.wait(_STOP_WAIT_S)
            if child.poll() is None:
                child.kill()
                child.wait()
        if not self.keeps:
            shutil.rmtree(self.folder, ignore_errors=True)


def _die_with_parent() -> None:
    """Ask Linux to end the child when the demo is killed; elsewhere nothing happens."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def set_up(folder: Path | None, broker_words: tuple[str, ...] = OWN_BROKER) -> Stage:
    """Return a stage with bench and rule files laid out and the broker running.

    Args:
        folder: A new folder that stays; None: one that goes with the stage.
        broker_words: What starts the broker, before its port.

    Raises:
        BrokerError: If the broker doesn't come up.
        PortError: If the folder can't be used.
    """
    try:
        if folder is None:
            place = Path(tempfile.mkdtemp(prefix="reclamp-demo-"))
        else:
            place = folder
            place.mkdir(parents=True, exist_ok=False)
    except OSError as error:
        raise PortError(f"{folder}: {error.strerror}; accepted is a new folder") from error
    stage = Stage(place.resolve(), folder is not None, free_port(), broker_words)
    try:
        _lay_out(stage)
        start_broker(stage)
    except BaseException:
        stage.clear()
        raise
    return stage


def _lay_out(stage: Stage) -> None:
    scenario = files("simulators.scenario")
    for source in scenario.iterdir():
        if source.name.endswith(".toml") and source.name != _ANNEX:
            text = source.read_text(encoding="utf-8")
            if source.name == "bench.toml":
                annex = scenario.joinpath(_ANNEX).read_text(encoding="utf-8")
                text = text.replace("mqtt://127.0.0.1:1883", stage.broker_url) + "\n" + annex
            (stage.folder / source.name).write_text(text, encoding="utf-8")


def start_broker(stage: Stage) -> None:
    """Start the broker and wait until it listens.

    Raises:
        BrokerError: If it doesn't come up.
    """
    stage.start("broker", [*stage.broker_words, str(stage.broker_port)])
    _wait_for_broker(stage)


def _wait_for_broker(stage: Stage) -> None:
    deadline = time.monotonic() + _START_WAIT_S
    while time.monotonic() < deadline:
        dead = stage.dead_child()
        if dead is not None:
            raise BrokerError(dead)
        with (
            contextlib.suppress(OSError),
            socket.create_connection(("127.0.0.1", stage.broker_port), timeout=1),
        ):
            return
        time.sleep(0.05)
    raise BrokerError(f"the demo's broker did not come up within {_START_WAIT_S:g} s")


def start_benches(stage: Stage, pieces: int | None, seed: int, speed: float) -> None:
    """Start the simulated benches and wait until their lines can be opened.

    Args:
        stage: Where.
        pieces: Taken from each tray; None: all.
        seed: Of all chance.
        speed: Bench seconds a real second.

    Raises:
        PortError: If one doesn't come up.
    """
    for bench in BENCHES:
        start_bench(stage, bench, pieces, seed, speed)
    stage.start(
        "simulated-b3",
        ["-m", "daemon.cli", "simulate", "bench.toml", "--line", "usb3",
         "--port", "pty:b3.port", "--bench", "b3", "--mqtt", stage.broker_url,
         "--seed", str(seed), "--speed", str(speed)],
    )  # fmt: skip
    wait_for_lines(stage, (*BENCHES, "b3"))


def start_bench(
    stage: Stage,
    bench: str,
    pieces: int | None,
    seed: int,
    speed: float,
    more: Sequence[str] = (),
    *,
    takes_words: bool = False,
) -> None:
    """Start one simulated bench; ``more`` are further options, such as mistakes."""
    tray = ["--pieces", str(pieces)] if pieces is not None else []
    stage.start(
        f"simulated-{bench}",
        ["-m", "daemon.simulate.bench_process", "--bench", bench,
         "--link", str(stage.folder / f"{bench}.port"), *tray, "--seed", str(seed),
         "--speed", str(speed), "--mqtt", stage.broker_url, "--protocol", "3.1.1",
         "--truth", str(stage.folder / f"{bench}.truth.jsonl"), *more],
        takes_words=takes_words,
    )  # fmt: skip


def wait_for_lines(stage: Stage, benches: Sequence[str]) -> None:
    """Wait until the lines of simulated benches can be opened.

    Raises:
        PortError: If one doesn't come up.
    """
    deadline = time.monotonic() + _START_WAIT_S
    links = [stage.folder / f"{bench}.port" for bench in benches]
    while not all(link.exists() for link in links):
        dead = stage.dead_child()
        if dead is not None or time.monotonic() > deadline:
            raise PortError(dead or "a simulated bench did not come up")
        time.sleep(0.05)


def start_service(stage: Stage, speed: float) -> None:
    """Start the service, as in production."""
    stage.start("service", ["-m", "daemon.cli", "run", "bench.toml", "--speed", str(speed)])


def start_board(stage: Stage, http_port: int) -> str:
    """Start the board and return its URL.

    Raises:
        PortError: If it doesn't come up.
    """
    stage.start(
        "board",
        ["-m", "daemon.cli", "board", "--broker", stage.broker_url,
         "--http-port", str(http_port)],
    )  # fmt: skip
    log = stage.folder / "board.log"
    deadline = time.monotonic() + _START_WAIT_S
    while time.monotonic() < deadline:
        for line in log.read_text(errors="replace").splitlines():
            if line.startswith("board at "):
                return line.removeprefix("board at ")
        dead = stage.dead_child()
        if dead is not None:
            raise PortError(dead)
        time.sleep(0.05)
    raise PortError("the board did not come up")


def free_port() -> int:
    """Return a loopback port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
