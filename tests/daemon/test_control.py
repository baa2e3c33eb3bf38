"""The local socket: who may use it, what it answers, and that nothing on it hurts."""

import asyncio
import json
import os
import socket
import stat
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from daemon.control import MAX_LINE, ControlServer, ask, socket_path
from daemon.errors import PortError
from daemon.messages import Command, Reply

SHOW = Command(id="c-1", command="lot-show")


def echo(bench: str | None, command: Command) -> Reply:
    return Reply(id=command.id, ok=True, text=f"{bench}: {command.command}")


@asynccontextmanager
async def listening(path: Path) -> AsyncIterator[ControlServer]:
    server = ControlServer(path, echo)
    await server.start()
    try:
        yield server
    finally:
        await server.stop()


async def raw(path: Path, data: bytes, *, eof: bool = False) -> bytes:
    """Send bytes as they are; return the whole answer."""
    reader, writer = await asyncio.open_unix_connection(path, limit=1 << 20)
    writer.write(data)
    if eof:
        writer.write_eof()
    await writer.drain()
    answer = await asyncio.wait_for(reader.read(), 15)
    writer.close()
    return answer


async def test_a_command_is_carried_out_and_answered(tmp_path: Path) -> None:
    path = tmp_path / "s"
    async with listening(path):
        reply = await asyncio.to_thread(ask, path, "b1", SHOW)
        assert reply == Reply(id="c-1", ok=True, text="b1: lot-show")
        reply = await asyncio.to_thread(ask, path, None, SHOW)
        assert reply.text == "None: lot-show"


async def test_many_may_ask_at_once(tmp_path: Path) -> None:
    path = tmp_path / "s"
    async with listening(path):
        asked = [Command(id=f"c-{i}", command="lot-show") for i in range(20)]
        replies = await asyncio.gather(
            *(asyncio.to_thread(ask, path, None, one) for one in asked)
        )
        assert [reply.id for reply in replies] == [one.id for one in asked]


async def test_owner_and_group_may_use_it_and_nobody_else(tmp_path: Path) -> None:
    path = tmp_path / "s"
    before = os.umask(0)
    try:
        async with listening(path):
            assert stat.S_IMODE(path.stat().st_mode) == 0o660
            assert stat.S_ISSOCK(path.stat().st_mode)
    finally:
        os.umask(before)


async def test_it_is_taken_away_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "s"
    async with listening(path):
        pass
    assert not path.exists()
    with pytest.raises(PortError, match="no service answers at"):
        ask(path, None, SHOW)


async def test_one_that_a_killed_service_left_behind_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "s"
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(path))
    async with listening(path):
        assert (await asyncio.to_thread(ask, path, None, SHOW)).ok


async def test_a_place_where_it_can_not_lie_is_told(tmp_path: Path) -> None:
    for path in (tmp_path / "none" / "s", tmp_path / ("x" * 200)):
        with pytest.raises(PortError, match="can't listen") as caught:
            await ControlServer(path, echo).start()
        assert str(path) in str(caught.value)


# One row a hostile line: what is sent, and what is said of it.
ROWS = {
    "no JSON": (b"hello\n", "no JSON: "),
    "a list": (b"[1]\n", "Input should be a valid dictionary or instance"),
    "a number": (b"7\n", "Input should be a valid dictionary or instance"),
    "no command": (b'{"id": "x"}\n', "command: Field required"),
    "an unknown command": (b'{"id": "x", "command": "lot-sell"}\n', "command: Input should be"),
    "an unknown key": (b'{"id": "x", "command": "lot-show", "a": 1}\n', "a: Extra inputs"),
    "a bench that is a table": (
        b'{"id": "x", "command": "lot-show", "bench": {}}\n', "bench: accepted is",
    ),
    "a number beyond the store": (
        b'{"id": "x", "command": "events", "after_seq": 1' + b"0" * 40 + b"}\n", "after_seq: ",
    ),
    "brackets without end": (b"[" * 60_000 + b"\n", "no JSON: "),
    "half a character": (b'{"id": "\\ud800", "command": "lot-show"}\n', "id: "),
    "another encoding": (b"\xff\xfe{\n", "no JSON: "),
    "a line without end": (b"x" * (MAX_LINE + 10), f"a line is at most {MAX_LINE} bytes"),
}  # fmt: skip


@pytest.mark.parametrize("name", ROWS)
async def test_a_hostile_line_is_answered_and_the_next_one_too(
    name: str, tmp_path: Path
) -> None:
    data, said = ROWS[name]
    path = tmp_path / "s"
    async with listening(path):
        reply = json.loads(await raw(path, data))
        assert reply["ok"] is False
        assert said in reply["text"]
        assert (await asyncio.to_thread(ask, path, None, SHOW)).ok


async def test_a_caller_who_says_nothing_gets_nothing(tmp_path: Path) -> None:
    path = tmp_path / "s"
    async with listening(path):
        assert await raw(path, b"", eof=True) == b""
        reply = json.loads(await raw(path, b'{"id": "x", "command": "lot-show"}', eof=True))
        assert reply["ok"] is True


async def test_a_caller_who_hangs_or_goes_away_keeps_nobody_waiting(tmp_path: Path) -> None:
    path = tmp_path / "s"
    async with listening(path):
        hanging = socket.socket(socket.AF_UNIX)
        hanging.connect(str(path))
        gone = socket.socket(socket.AF_UNIX)
        gone.connect(str(path))
        gone.send(b'{"id": "x", "command": "lot-show"}\n')
        gone.close()
        assert (await asyncio.to_thread(ask, path, None, SHOW)).ok
        hanging.close()


def test_a_service_that_closes_without_an_answer_is_told(tmp_path: Path) -> None:
    path = tmp_path / "s"
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(path))
        listener.listen()
        thread = threading.Thread(target=lambda: listener.accept()[0].close())
        thread.start()
        with pytest.raises(PortError, match=r"closed the connection|no service answers"):
            ask(path, None, SHOW)
        thread.join()


def test_the_socket_lies_beside_the_store(tmp_path: Path) -> None:
    assert socket_path(Path("/var/lib/reclamp/b.db")) == Path("/var/lib/reclamp/b.db.socket")
    (tmp_path / "real.db").touch()
    (tmp_path / "link.db").symlink_to(tmp_path / "real.db")
    assert socket_path(tmp_path / "real.db").parent == tmp_path


def test_a_long_path_has_a_short_socket_that_everybody_finds(tmp_path: Path) -> None:
    deep = tmp_path / ("d" * 90)
    deep.mkdir()
    store = deep / "b.db"
    found = socket_path(store)
    assert len(os.fsencode(found)) <= 100
    assert found == socket_path(store)
    assert found == socket_path(deep / ".." / deep.name / "b.db")
    assert str(os.getuid()) + "-" not in found.name
    assert socket_path(deep / "c.db") != found


async def test_a_long_path_serves_as_a_short_one_does(tmp_path: Path) -> None:
    deep = tmp_path / ("ä" * 60)
    deep.mkdir()
    path = socket_path(deep / "b.db")
    async with listening(path):
        assert (await asyncio.to_thread(ask, path, "b1", SHOW)).ok
    assert not path.exists()
