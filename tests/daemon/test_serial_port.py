"""A port in its own thread, on real pseudo-terminals, sockets and RFC 2217."""

import asyncio
import os
import socket
import termios
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from daemon.clock import SystemClock
from daemon.modem_lines import NOT_TOLD, ModemDoubt, ModemEdge
from daemon.serial_port import Chunk, Lost, Opened, PortEvent, SerialPort
from daemon.simulate.far_end import FarEnd, PtyEnd, TcpEnd
from daemon.simulate.pty_line import PtyLine
from daemon.simulate.rfc2217_end import Rfc2217End
from drivers import LineSettings
from rules.debounce import HELD_AT_START, ContactRules

MS = 1_000_000
WAIT_S = 15.0
NINE_SIX = LineSettings()

pytestmark = pytest.mark.filterwarnings(
    "ignore:set(Daemon|Name):DeprecationWarning",  # pyserial's own thread of rfc2217://
)


class Ear:
    """Hears what a port tells."""

    def __init__(self) -> None:
        self.events: list[PortEvent] = []

    @property
    def data(self) -> bytes:
        return b"".join(event.data for event in self.events if isinstance(event, Chunk))

    def all(self, kind: type) -> list[PortEvent]:
        return [event for event in self.events if isinstance(event, kind)]

    async def until(self, holds: Callable[[], object], why: str) -> None:
        async with asyncio.timeout(WAIT_S):
            while not holds():  # noqa: ASYNC110 - what is waited for is in another thread
                await asyncio.sleep(0.005)
        assert holds(), why


@asynccontextmanager
async def opened(
    url: str, ear: Ear, settings: LineSettings = NINE_SIX, **more: object
) -> AsyncIterator[SerialPort]:
    port = SerialPort(url, settings, SystemClock(), ear.events.append, **more)  # type: ignore[arg-type]
    port.start()
    try:
        await ear.until(lambda: ear.all(Opened), "it opens")
        yield port
    finally:
        await port.stop()


@asynccontextmanager
async def plugged(end: FarEnd, heard: list[bytes]) -> AsyncIterator[FarEnd]:
    end.plug(heard.append)
    try:
        yield end
    finally:
        end.unplug()


def ends(folder: Path) -> dict[str, FarEnd]:
    return {
        "pty": PtyEnd(PtyLine(folder / "indicator")),
        "tcp": TcpEnd("127.0.0.1", 0),
        "rfc2217": Rfc2217End("127.0.0.1", 0, NINE_SIX),
    }


@pytest.mark.parametrize("kind", ["pty", "tcp", "rfc2217"])
async def test_bytes_go_both_ways_over_every_kind_of_port(tmp_path: Path, kind: str) -> None:
    ear, heard = Ear(), list[bytes]()
    every_byte = bytes(range(256))
    async with (
        plugged(ends(tmp_path)[kind], heard) as end,
        opened(end.url, ear, open_wait_s=0.05) as port,
    ):
        end.write(every_byte)
        await ear.until(lambda: len(ear.data) == 256, "all came")
        await asyncio.to_thread(port.write, every_byte)
        await ear.until(lambda: len(b"".join(heard)) == 256, "all went")
    assert ear.data == every_byte
    assert b"".join(heard) == every_byte


@pytest.mark.parametrize("kind", ["pty", "tcp", "rfc2217"])
async def test_an_unplugged_port_is_told_and_opened_again_by_itself(
    tmp_path: Path, kind: str
) -> None:
    ear, heard = Ear(), list[bytes]()
    async with (
        plugged(ends(tmp_path)[kind], heard) as end,
        opened(end.url, ear, open_wait_s=0.05) as port,
    ):
        end.unplug()
        await ear.until(lambda: ear.all(Lost), "it is lost")
        await asyncio.to_thread(port.write, b"nobody hears this")
        end.plug(heard.append)
        await ear.until(lambda: len(ear.all(Opened)) == 2, "it opens again")
        end.write(b"again")
        await ear.until(lambda: ear.data.endswith(b"again"), "it is heard again")
    first = ear.all(Lost)[0]
    assert isinstance(first, Lost)
    assert first.reason.startswith(f"{end.url} is gone: ")


@pytest.mark.parametrize("kind", ["pty", "rfc2217"])
async def test_what_comes_in_the_first_moments_is_thrown_away(
    tmp_path: Path, kind: str
) -> None:
    ear = Ear()
    async with plugged(ends(tmp_path)[kind], []) as end:
        port = SerialPort(end.url, NINE_SIX, SystemClock(), ear.events.append, open_wait_s=1.0)
        port.start()
        for _ in range(4000):
            if ear.events:
                break
            end.write(b"early ")
            await asyncio.sleep(0.005)
        assert isinstance(ear.events[0], Opened)
        await asyncio.sleep(0.2)
        end.write(b"late")
        await ear.until(lambda: b"late" in ear.data, "it is heard")
        await port.stop()
    assert ear.data.count(b"early") <= 1  # one may be on its way when the time is over


@pytest.mark.parametrize(
    ("settings", "speed"),
    [
        (LineSettings(1200), termios.B1200),
        (LineSettings(9600), termios.B9600),
        (LineSettings(115200), termios.B115200),
        (LineSettings(921600), termios.B921600),
    ],
)
async def test_the_speed_asked_for_is_the_ports(
    tmp_path: Path, settings: LineSettings, speed: int
) -> None:
    line = PtyLine(tmp_path / "indicator")
    ear = Ear()
    async with plugged(PtyEnd(line), []), opened(str(line.link), ear, settings):
        found = termios.tcgetattr(line.descriptor)
        assert found[4] == found[5] == speed


ALL_SETTINGS = [
    LineSettings(baud, bits, parity, stop)  # type: ignore[arg-type]
    for baud in (1200, 9600, 115200, 460800)
    for bits in (7, 8)
    for parity in "NEO"
    for stop in (1, 2)
]


@pytest.mark.parametrize("chosen", range(0, len(ALL_SETTINGS), 5))
async def test_speed_framing_and_levels_reach_the_far_end_before_a_byte_is_read(
    chosen: int,
) -> None:
    settings = ALL_SETTINGS[chosen]
    levels = {"dtr": chosen % 2 == 0, "rts": chosen % 3 == 0}
    end, ear = Rfc2217End("127.0.0.1", 0, settings), Ear()
    async with plugged(end, []), opened(end.url, ear, settings, open_wait_s=0.0, **levels):
        assert end.port.asked == settings
        assert {"dtr": end.port.dtr, "rts": end.port.rts} == levels


async def test_a_second_program_does_not_get_the_port(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    first, second = Ear(), Ear()
    async with plugged(PtyEnd(line), []), opened(str(line.link), first):
        port = SerialPort(str(line.link), NINE_SIX, SystemClock(), second.events.append)
        port.start()
        await second.until(lambda: second.all(Lost), "it is refused")
        await port.stop()
    lost = second.all(Lost)[0]
    assert isinstance(lost, Lost)
    assert lost.reason == f"{line.link} is in use by another program"


async def test_a_port_that_is_not_there_is_told_and_tried_again(tmp_path: Path) -> None:
    ear = Ear()
    port = SerialPort(str(tmp_path / "none"), NINE_SIX, SystemClock(), ear.events.append)
    port.start()
    await ear.until(lambda: len(ear.all(Lost)) >= 2, "it is tried again")
    await port.stop()
    assert {getattr(event, "reason", "") for event in ear.events} == {
        f"{tmp_path / 'none'} is not there: is the adapter plugged in?"
    }


async def test_a_far_end_that_speaks_no_rfc2217_is_told_and_kills_no_thread() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        ear = Ear()
        url = f"rfc2217://127.0.0.1:{silent.getsockname()[1]}?timeout=0.3"
        port = SerialPort(url, NINE_SIX, SystemClock(), ear.events.append)
        port.start()
        await ear.until(lambda: len(ear.all(Lost)) >= 2, "it is tried again")
        await port.stop()


@pytest.mark.parametrize(
    "url", ["rfc2217://nonsense", "nowhere://x", "rfc2217://127.0.0.1:1?a=b"]
)
async def test_an_url_that_leads_nowhere_is_told(url: str) -> None:
    ear = Ear()
    port = SerialPort(url, NINE_SIX, SystemClock(), ear.events.append)
    port.start()
    await ear.until(lambda: ear.all(Lost), "it is told")
    await port.stop()


async def test_frames_of_a_busy_line_arrive_whole_and_in_few_pieces(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    ear = Ear()
    frame = b"+000.0041 mm\r\n"
    async with plugged(PtyEnd(line), []) as end, opened(str(line.link), ear):
        for _ in range(500):  # 115200 baud without a pause is a frame every 1.2 ms
            end.write(frame)
            await asyncio.sleep(0.0012)
        await ear.until(lambda: len(ear.data) == 500 * len(frame), "all came")
    assert ear.data == frame * 500
    assert len(ear.all(Chunk)) < 250, "bytes gather"


# --- modem lines ------------------------------------------------------------------------------

QUICK = ContactRules(ignore_ns=300 * MS)


async def test_edges_arrive_over_rfc2217_with_their_own_times() -> None:
    end, ear = Rfc2217End("127.0.0.1", 0, NINE_SIX), Ear()
    contacts = {"cts": QUICK, "dsr": QUICK, "dcd": QUICK, "ri": QUICK}
    async with plugged(end, []), opened(end.url, ear, open_wait_s=0.0, contacts=contacts):
        await asyncio.sleep(0.5)
        for line in ("cts", "dsr", "dcd", "ri"):
            for is_on in (True, False):
                end.set_line(line, is_on)
                await asyncio.sleep(0.1)
        await ear.until(lambda: len(ear.all(ModemEdge)) == 8, "every edge came")
    edges = [event for event in ear.events if isinstance(event, ModemEdge)]
    told = [(edge.line, edge.is_on) for edge in edges]
    assert told == [(line, on) for line in ("cts", "dsr", "dcd", "ri") for on in (True, False)]
    for edge in edges:
        assert 30 * MS <= edge.at_ns - edge.since_ns < 2_000 * MS
    for earlier, later in pairwise(edges):
        assert later.since_ns > earlier.since_ns


async def test_a_switch_that_is_held_when_the_line_opens_is_told() -> None:
    end, ear = Rfc2217End("127.0.0.1", 0, NINE_SIX), Ear()
    end.set_line("cts", True)
    async with (
        plugged(end, []),
        opened(end.url, ear, open_wait_s=0.0, contacts={"cts": QUICK}),
    ):
        await ear.until(lambda: ear.all(ModemDoubt), "it is told")
        end.set_line("cts", False)
        await ear.until(lambda: len(ear.all(ModemDoubt)) == 2, "it is well again")
    doubts = [event.why for event in ear.events if isinstance(event, ModemDoubt)]
    assert doubts == [HELD_AT_START, ""]


async def test_bytes_and_edges_come_side_by_side() -> None:
    end, ear = Rfc2217End("127.0.0.1", 0, NINE_SIX), Ear()
    async with (
        plugged(end, []),
        opened(end.url, ear, open_wait_s=0.0, contacts={"dsr": QUICK}),
    ):
        await asyncio.sleep(0.4)
        for number in range(60):
            end.set_line("dsr", number % 10 < 5)
            end.write(b"+000.0041 mm\r\n")
            await asyncio.sleep(0.02)
        await ear.until(lambda: len(ear.data) == 60 * 14, "all came")
        await ear.until(lambda: len(ear.all(ModemEdge)) == 12, "every edge came")


async def test_a_port_without_modem_lines_says_so_instead_of_never_telling(
    tmp_path: Path,
) -> None:
    line = PtyLine(tmp_path / "indicator")
    ear = Ear()
    async with (
        plugged(PtyEnd(line), []) as end,
        opened(str(line.link), ear, open_wait_s=0.0, contacts={"cts": QUICK}),
    ):
        await ear.until(lambda: ear.all(ModemDoubt), "it is told")
        end.write(b"and is read all the same")
        await ear.until(lambda: ear.data.endswith(b"same"), "it is read")
    assert [event.why for event in ear.events if isinstance(event, ModemDoubt)] == [NOT_TOLD]


async def test_a_stopped_port_leaves_no_thread_and_no_open_file(tmp_path: Path) -> None:
    line = PtyLine(tmp_path / "indicator")
    ear = Ear()
    async with plugged(PtyEnd(line), []):
        before = len(os.listdir("/proc/self/fd"))
        async with opened(str(line.link), ear):
            assert len(os.listdir("/proc/self/fd")) > before
        assert len(os.listdir("/proc/self/fd")) == before
