"""What goes wrong on a line is told on the bench: wrong framing, unplugged, foot held."""

import asyncio
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path

import pytest

from daemon.modem_lines import ModemLine
from daemon.simulate.rfc2217_end import Rfc2217End
from drivers import LineSettings
from tests.bench_at_work import (
    BY_INDEX,
    bench_table,
    service,
    simulated_line,
    write_bench_file,
)
from tests.mosquitto_process import Mosquitto, running_mosquitto

pytestmark = pytest.mark.system

BY_FOOT_ALONE = BY_INDEX + "lift_s = 3000\nremoval_s = 3001\n"
"""A lifted stylus shows nothing: what says "loosened" is the foot."""

WIRED = ("--signal", "dsr=index", "--signal", "cts=foot")


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with running_mosquitto() as running:
        yield running


def files(folder: Path, broker: Mosquitto, *tables: str) -> Path:
    return write_bench_file(folder, broker.url, tables)


class FootLine:
    """A serial port server that nothing but a foot switch is wired to; the test is the foot."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._end = Rfc2217End("127.0.0.1", 0, LineSettings())
        self._thread.start()
        self._do(self._end.plug, lambda data: None)

    @property
    def table(self) -> str:
        return (
            f'[[line]]\nid = "foot"\nport = "{self._end.url}"\nbench = "b1"\n'
            'signals = { cts = "foot" }\n'
        )

    def set(self, is_on: bool, line: ModemLine = "cts") -> None:
        self._do(self._end.set_line, line, is_on)

    def press(self, seconds: float) -> None:
        self.set(True)
        threading.Event().wait(seconds)
        self.set(False)

    def unplug(self) -> None:
        self._do(self._end.unplug)

    def plug(self) -> None:
        self._do(self._end.plug, lambda data: None)

    def close(self) -> None:
        self._do(self._end.unplug)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def _do(self, what, *words) -> None:  # type: ignore[no-untyped-def]
        done: Future[None] = Future()

        def run() -> None:
            try:
                done.set_result(what(*words))
            except Exception as error:
                done.set_exception(error)

        self._loop.call_soon_threadsafe(run)
        done.result(10)


@contextmanager
def foot_line() -> Iterator[FootLine]:
    foot = FootLine()
    try:
        yield foot
    finally:
        foot.close()


@pytest.mark.parametrize("sent", ["7E1", "7O1"])
def test_seven_bits_read_as_eight_block_the_bench_with_the_setting_that_is_right(
    tmp_path: Path, broker: Mosquitto, sent: str
) -> None:
    words = ("ascii-line", "--port", "rfc2217:0", "--framing", sent)
    with simulated_line("usb1", *words) as line:
        wrong = line.table.replace(f'framing = "{sent}"', 'framing = "8N1"')
        assert wrong != line.table
        path = files(tmp_path, broker, wrong, bench_table("b1", "usb1", BY_INDEX))
        told = (
            f'line usb1 looks like {sent} read as 8N1: set framing = "{sent}" in the bench file'
        )
        with service(path, broker.port) as at_work:
            at_work.until(lambda: told in str(at_work.state("b1").get("reason")), "it is told")
            state = at_work.state("b1")
            assert (state["state"], state["waits_for"]) == ("blocked", "indicator")
            at_work.until(lambda: at_work.alarms("b1"), "the alarm is raised")
            assert at_work.alarms("b1") == {"indicator-lost": f"I-b1: {told}"}
            assert at_work.stop() == 0
            assert "bad frame" in at_work.log.read_text()
            assert f"looks like {sent} read as 8N1" in at_work.log.read_text()
            assert at_work.rows("SELECT count(*) FROM clampings") == [(0,)]
        path = files(tmp_path, broker, line.table, bench_table("b1", "usb1", BY_INDEX))
        with service(path, broker.port) as at_work:
            at_work.until(lambda: at_work.state("b1").get("state") == "loosen", "it speaks")
            at_work.until(lambda: not at_work.alarms("b1"), "the alarm is over")


@pytest.mark.long  # half a minute; a shorter test beside it holds the same
def test_an_unplugged_line_blocks_the_bench_until_it_is_plugged_in_again(
    tmp_path: Path, broker: Mosquitto
) -> None:
    words = ("ascii-line", "--port", "rfc2217:0", *WIRED, "--mqtt", broker.url, "--speed", "3")
    with simulated_line("usb1", *words, "--bench", "b1") as line:
        path = files(tmp_path, broker, line.table, bench_table("b1", "usb1", BY_INDEX))
        with service(path, broker.port, speed=3) as at_work:
            at_work.until(
                lambda: at_work.rows("SELECT count(*) FROM clampings") == [(1,)],
                "a first clamping is recorded", wait_s=60,
            )  # fmt: skip
            line.tell("unplug")
            at_work.until(lambda: at_work.state("b1").get("state") == "blocked", "it is told")
            at_work.until(lambda: at_work.alarms("b1"), "the alarm is raised")
            assert at_work.alarms("b1").keys() == {"indicator-lost"}
            line.tell("plug")
            at_work.until(lambda: not at_work.alarms("b1"), "it is back")
            at_work.until(
                lambda: at_work.rows("SELECT grade FROM verdicts"), "a verdict", wait_s=90
            )
            ends = at_work.rows("SELECT how FROM cycle_ends ORDER BY cycle")
            assert ends[0] == ("interrupted",)
            assert at_work.stop() == 0


def test_a_foot_switch_on_a_line_without_an_indicator_calls_and_takes_the_call_back(
    tmp_path: Path, broker: Mosquitto
) -> None:
    with foot_line() as foot, simulated_line("usb1", "ascii-line", "--port", "tcp:0") as line:
        tables = (line.table, foot.table, bench_table("b1", "usb1", BY_FOOT_ALONE))
        with service(files(tmp_path, broker, *tables), broker.port) as at_work:
            at_work.until(lambda: at_work.state("b1").get("state") == "loosen", "it speaks")
            threading.Event().wait(2.0)  # the first second after the opening is ignored
            foot.press(0.2)
            at_work.until(
                lambda: at_work.state("b1").get("state") == "clamping", "it says loosened"
            )
            foot.press(1.7)
            at_work.until(lambda: at_work.alarms("b1"), "it calls")
            assert at_work.alarms("b1") == {"help-called": "the operator calls for help"}
            foot.press(1.7)
            at_work.until(lambda: not at_work.alarms("b1"), "the call is taken back")
            foot.unplug()
            at_work.until(lambda: at_work.alarms("b1"), "the lost line is told")
            assert at_work.alarms("b1").keys() == {"signal-fault"}
            assert at_work.alarms("b1")["signal-fault"].startswith(
                "foot: line foot: rfc2217://"
            )
            assert at_work.state("b1")["state"] == "clamping", "the indicator still speaks"
            foot.plug()
            at_work.until(lambda: not at_work.alarms("b1"), "it is back")
            assert at_work.stop() == 0


def test_a_foot_switch_that_is_held_at_the_start_is_told_and_presses_nothing(
    tmp_path: Path, broker: Mosquitto
) -> None:
    with foot_line() as foot, simulated_line("usb1", "ascii-line", "--port", "tcp:0") as line:
        foot.set(True)
        tables = (line.table, foot.table, bench_table("b1", "usb1", BY_FOOT_ALONE))
        with service(files(tmp_path, broker, *tables), broker.port) as at_work:
            at_work.until(lambda: at_work.alarms("b1"), "it is told")
            assert at_work.alarms("b1") == {
                "signal-fault": "foot: cts of line foot on since the line was opened: "
                "let it go, or look at the switch and its cable"
            }
            foot.set(False)
            at_work.until(lambda: not at_work.alarms("b1"), "it is well again")
            assert at_work.state("b1")["state"] == "loosen", "letting go says nothing"
            assert at_work.stop() == 0


@pytest.mark.long  # half a minute; a shorter test beside it holds the same
def test_a_short_press_confirms_the_put_away_where_the_bench_file_lets_it(
    tmp_path: Path, broker: Mosquitto
) -> None:
    words = ("ascii-line", "--port", f"pty:{tmp_path / 'b1'}", "--speed", "3")
    with (
        foot_line() as foot,
        simulated_line("usb1", *words, "--mqtt", broker.url, "--bench", "b1") as line,
    ):
        by_foot = 'put_away = { by = ["foot"] }\n'
        wired = foot.table.replace('signals = { cts = "foot" }', 'signals = { ri = "foot" }')
        tables = (line.table, wired, bench_table("b1", "usb1", BY_INDEX, by_foot))
        with service(files(tmp_path, broker, *tables), broker.port, speed=3) as at_work:
            at_work.until(
                lambda: at_work.state("b1").get("state") == "put-away", "a verdict", wait_s=90
            )
            foot.set(True, "ri")
            threading.Event().wait(0.15)
            foot.set(False, "ri")
            at_work.until(
                lambda: (
                    at_work.rows("SELECT by, is_right FROM put_aways WHERE by = 'foot'")
                    == [("foot", 1)]
                ),
                "the foot closes the piece",
            )
            assert at_work.stop() == 0
