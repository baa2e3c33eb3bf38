"""An integrator's afternoon: DEVELOPERS.md followed to the end, in an environment of its own.

A wheel of reclamp, the example's driver as a package of its own beside it, its tests, the
kit, and a verdict from frames that came down a pseudo-terminal.
"""

import asyncio
import importlib.util
import os
import signal
import sqlite3
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from daemon.clock import SystemClock
from daemon.simulate.far_end import PtyEnd
from daemon.simulate.live_bench import LiveBench
from daemon.simulate.pty_line import PtyLine
from drivers import Reading
from simulators.bench import Bench, Streaming, Wire
from simulators.scenario import LOT_OF_BENCH, demo_bench
from simulators.truth import Tightened
from tests.bench_at_work import BY_SPEED, bench_table, write_bench_file
from tests.developers_example import Shell, blocks_of, follow
from tests.system.clean_environment import CleanEnvironment, build_wheel
from tests.system.deadline import until

pytestmark = pytest.mark.system

SPEED = 6.0
SEED = 3
NOISE_UM = 1.0
"""Step, noise and drift of the simulated indicator can't come to more."""


class Afternoon(SimpleNamespace):
    """What is there when the example was followed to its end."""

    environment: CleanEnvironment
    shell: Shell
    folder: Path


@pytest.fixture(scope="module")
def afternoon(tmp_path_factory: pytest.TempPathFactory) -> Afternoon:
    """DEVELOPERS.md followed as written; only pip is told to ask no index."""
    folder = tmp_path_factory.mktemp("afternoon")
    environment = CleanEnvironment(folder / "venv", ("reclamp", "pytest", "hatchling"))
    environment.install(build_wheel(folder))
    (folder / "work").mkdir()
    shell = Shell(folder / "work", environment.programs)
    offline = {"pip install .": f"{environment.pip_install} ."}
    for _ in follow(blocks_of("Add a driver"), shell, offline):
        pass
    return Afternoon(environment=environment, shell=shell, folder=folder / "work")


def test_nothing_of_this_tree_is_in_the_environment(afternoon: Afternoon) -> None:
    script = "import daemon, drivers, rules, simulators, plunger\n"
    script += "for each in (daemon, drivers, rules, simulators, plunger): print(each.__file__)"
    for place in afternoon.environment.run("-c", script).split():
        assert place.startswith(str(afternoon.environment.programs.parent))


def test_the_skeleton_was_green_before_it_was_changed_and_the_driver_after_it(
    afternoon: Afternoon,
) -> None:
    said = [text for command, text in afternoon.shell.said if command == "python -m pytest"]
    assert len(said) == 2
    for text in said:
        assert " passed" in text
        assert "failed" not in text


def test_the_installed_driver_is_listed_as_foreign_and_verified_by_name(
    afternoon: Afternoon,
) -> None:
    listed = dict(afternoon.shell.said)["reclamp driver list"]
    assert "foreign   reclamp-driver-plunger 0.1.0  plunger.driver:make" in listed
    assert "0 cases failed" in dict(afternoon.shell.said)["reclamp driver verify plunger"]


def test_the_driver_runs_to_a_verdict_on_a_real_line(afternoon: Afternoon) -> None:
    folder = afternoon.folder
    (block,) = [block for block in blocks_of("Add a driver") if block.language == "toml"]
    port = folder / "indicator"
    line = block.text.replace("/dev/serial/by-id/NAME", str(port))
    tables = [line, bench_table("b1", "usb1", BY_SPEED)]
    bench_file = write_bench_file(folder, "mqtt://127.0.0.1:1", tables)
    afternoon.shell.folder = folder
    afternoon.shell.run("reclamp check bench.toml")
    with indicator(port, encoder(folder)) as bench, service(afternoon, bench_file):
        until(lambda: rows(folder, "SELECT 1 FROM verdicts"), "a verdict", 120)
    (verdict,) = rows(folder, "SELECT grade, bin, why FROM verdicts WHERE id = 1")
    measured = rows(
        folder,
        "SELECT k.tir_nm, p.driver, p.driver_version FROM clampings k"
        " JOIN clamping_positions p ON p.clamping = k.id WHERE k.cycle = 1 ORDER BY k.id",
    )
    true_um = [fact.run_out_um for fact in bench.truth if isinstance(fact, Tightened)]
    assert verdict[1] in ("1", "2", "H", "N")
    assert measured
    for (tir_nm, driver, version), expected_um in zip(measured, true_um, strict=False):
        assert (driver, version) == ("plunger", "0.1.0")
        assert isinstance(tir_nm, int)
        assert abs(tir_nm / 1000 - expected_um) <= NOISE_UM


def encoder(folder: Path) -> Callable[[Reading], bytes]:
    """Return the codec that the integrator wrote."""
    path = folder / "plunger" / "plunger" / "codec.py"
    spec = importlib.util.spec_from_file_location("plunger_codec", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    encode: Callable[[Reading], bytes] = module.encode
    return encode


@contextmanager
def indicator(port: Path, encode: Callable[[Reading], bytes]) -> Iterator[Bench]:
    """Run a bench whose indicator sends the integrator's frames down a pseudo-terminal."""
    kind = replace(
        demo_bench("b2", SEED, pieces=3),
        sends=Streaming(SimpleNamespace(encode=encode), rate_hz=20),
        wire=Wire(baud=4800),
    )
    bench = Bench(kind, SEED, LOT_OF_BENCH["b2"].limits)
    ready = threading.Event()
    ends: list[Callable[[], object]] = []

    async def live() -> None:
        ended = asyncio.Event()
        loop = asyncio.get_running_loop()
        ends.append(lambda: loop.call_soon_threadsafe(ended.set))
        at_work = LiveBench(bench, PtyEnd(PtyLine(port)), SystemClock(SPEED))
        at_work.start()
        ready.set()
        await ended.wait()
        at_work.stop()

    thread = threading.Thread(target=asyncio.run, args=(live(),))
    thread.start()
    assert ready.wait(10)
    try:
        yield bench
    finally:
        ends[0]()
        thread.join()


@contextmanager
def service(afternoon: Afternoon, bench_file: Path) -> Iterator[None]:
    """Run the installed service for the length of the context; it must end in order."""
    program = afternoon.environment.programs / "reclamp"
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONPATH"}
    with (bench_file.with_name("service.log")).open("w") as log:
        process = subprocess.Popen(
            [str(program), "run", str(bench_file), "--speed", str(SPEED)],
            stderr=log, cwd="/", env=environment,
        )  # fmt: skip
    try:
        yield
        assert process.poll() is None, bench_file.with_name("service.log").read_text()
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0
    finally:
        process.kill()
        process.wait()


def rows(folder: Path, query: str) -> list[tuple[str | int | None, ...]]:
    """Return rows of the record; none while there is no record yet."""
    store = folder / "bench.db"
    if not store.exists():
        return []
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True, timeout=10)) as db:
        try:
            return db.execute(query).fetchall()
        except sqlite3.OperationalError:
            return []
