"""The board's server as a client sees it: read-only, guarded, the same for every viewer."""

import asyncio
import http.client
import json
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from itertools import pairwise

import pytest

from daemon.board.bench_view import Moment
from daemon.board.feed import ask_again
from daemon.board.hub import Hub, Setup
from daemon.board.shop import Shop
from daemon.broker import Broker, Session, connected
from tests.bench_events import say_clampings
from tests.bench_publisher import publishing
from tests.board_process import BoardProcess, running_board
from tests.mosquitto_process import Mosquitto, running_mosquitto

pytestmark = pytest.mark.system


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    with running_mosquitto() as mosquitto:
        yield mosquitto


@pytest.fixture(scope="module")
def board(broker: Mosquitto) -> Iterator[BoardProcess]:
    with running_board(broker.port) as process:
        yield process


def ask(
    board: BoardProcess, path: str, method: str = "GET", **headers: str
) -> tuple[int, dict[str, str], bytes]:
    connection = http.client.HTTPConnection("127.0.0.1", board.http_port, timeout=5)
    try:
        connection.request(method, path, headers=headers)
        answer = connection.getresponse()
        return answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    finally:
        connection.close()


class Viewer:
    """One open stream."""

    def __init__(self, board: BoardProcess) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", board.http_port, timeout=5)
        self._connection.request("GET", "/events")
        self.answer = self._connection.getresponse()

    def events(self) -> Iterator[tuple[str, dict[str, object]]]:
        """Yield kind and data of each event; ends with the stream."""
        kind = ""
        for line in self.answer:
            name, _, value = line.decode().rstrip("\n").partition(": ")
            if name == "event":
                kind = value
            elif name == "data":
                yield kind, json.loads(value)

    def close(self) -> None:
        self.answer.close()
        self._connection.close()


@contextmanager
def viewing(board: BoardProcess) -> Iterator[Viewer]:
    viewer = Viewer(board)
    try:
        yield viewer
    finally:
        viewer.close()


@pytest.mark.parametrize("path", ["/", "/static/main.js", "/static/board.css", "/status.json"])
def test_every_answer_forbids_what_the_page_does_not_need(
    board: BoardProcess, path: str
) -> None:
    status, headers, _ = ask(board, path)
    assert status == 200
    policy = headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert "server" not in headers


@pytest.mark.parametrize(
    "path", ["/", "/events", "/status.json", "/sweeps/b1", "/static/main.js"]
)
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
def test_nothing_can_be_sent_to_the_board(board: BoardProcess, method: str, path: str) -> None:
    status, headers, _ = ask(board, path, method)
    assert status == 405
    assert "content-security-policy" in headers


@pytest.mark.parametrize("path", ["/static/../server.py", "/static/%2e%2e/server.py", "/x"])
def test_no_file_but_the_pages_own_is_served(board: BoardProcess, path: str) -> None:
    assert ask(board, path)[0] == 404


def test_a_page_from_elsewhere_does_not_reach_a_loopback_board_by_a_name_of_its_own(
    board: BoardProcess,
) -> None:
    assert ask(board, "/", Host="evil.example")[0] == 400
    assert ask(board, "/", Host=f"localhost:{board.http_port}")[0] == 200


def test_a_head_request_for_the_stream_ends(board: BoardProcess) -> None:
    status, headers, body = ask(board, "/events", "HEAD")
    assert (status, body) == (200, b"")
    assert headers["content-type"].startswith("text/event-stream")


def test_the_board_listens_on_loopback_alone_unless_told(board: BoardProcess) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        # another process may bind the same port elsewhere only if ours isn't bound to all
        probe.bind(("127.0.0.2", board.http_port))


def test_the_stream_begins_with_hello_and_beats_every_second(board: BoardProcess) -> None:
    with viewing(board) as viewer:
        events = viewer.events()
        assert next(events)[0] == "hello"
        beats: list[float] = []
        while len(beats) < 3:
            kind, data = next(events)
            if kind == "beat":
                beats.append(time.monotonic())
    gaps = [later - earlier for earlier, later in pairwise(beats)]
    assert all(0.7 < gap < 1.5 for gap in gaps), gaps
    assert data["is_up"] is True


def test_every_viewer_gets_the_whole_shop_and_then_only_what_changes(
    broker: Mosquitto, board: BoardProcess
) -> None:
    with publishing(broker.port, "b1", "North bench") as bench, ExitStack() as stack:
        bench.state("loosen")
        _await_state(board)
        viewers = [stack.enter_context(viewing(board)) for _ in range(50)]
        streams = [viewer.events() for viewer in viewers]
        wholes = [_next_patch(stream, "state") for stream in streams]
        assert all(whole["state"]["state"] == "loosen" for whole in wholes)
        bench.state("clamping", clamping=1, clampings=3)
        for stream in streams:
            patch = _next_patch(stream, "state")
            assert patch["state"]["state"] == "clamping"
            assert "about" not in patch
        assert json.loads(ask(board, "/status.json")[2])["viewers"] == 50
    deadline = time.monotonic() + 5
    while json.loads(ask(board, "/status.json")[2])["viewers"]:
        assert time.monotonic() < deadline, "a viewer that left is still counted"


def _await_state(board: BoardProcess) -> None:
    """Wait until the board has the bench's state: who comes sooner is told that it has none."""
    with viewing(board) as viewer:
        events = viewer.events()
        while _next_patch(events, "state")["state"] is None:
            pass


def _next_patch(
    stream: Iterator[tuple[str, dict[str, object]]], part: str
) -> dict[str, dict[str, object]]:
    """Return the parts of the next patch for b1 that has ``part``."""
    for kind, data in stream:
        benches = data.get("benches")
        if kind == "patch" and isinstance(benches, dict) and part in benches.get("b1", {}):
            parts: dict[str, dict[str, object]] = benches["b1"]
            return parts
    raise AssertionError("the stream ended")


def test_messages_of_strangers_are_counted_and_move_nothing(
    broker: Mosquitto, board: BoardProcess
) -> None:
    before = json.loads(ask(board, "/status.json")[2])
    with publishing(broker.port, "b2", "Crane bench") as bench:
        bench.state("loosen")
        for junk in ("", "{", '{"state": 7}', "\x00" * 100, "[" * 50_000):
            bench.word("state", junk or " ", retain=False)
        bench.word("event/verdict", "not the board's", retain=False)
        with viewing(board) as viewer:
            parts = _parts(viewer, "b2")
        assert parts["state"]["state"] == "loosen"
        after = json.loads(ask(board, "/status.json")[2])
    assert after["ignored"] - before["ignored"] == 5
    assert "state" in after["last_ignored"]


def _parts(viewer: Viewer, bench: str) -> dict[str, dict[str, object]]:
    for kind, data in viewer.events():
        benches = data.get("benches")
        if kind == "patch" and isinstance(benches, dict):
            parts: dict[str, dict[str, object]] = benches[bench]
            return parts
    raise AssertionError("the stream ended")


def test_a_benchs_sweeps_are_had_by_its_name(broker: Mosquitto, board: BoardProcess) -> None:
    with publishing(broker.port, "b1", "North bench") as bench, viewing(board) as viewer:
        bench.state("loosen")
        events = viewer.events()
        _next_patch(events, "state")
        say_clampings(bench, 3, 1.1, 2.2)
        while str(_next_patch(events, "sweeps")["sweeps"]) != "2":
            pass
        status, headers, body = ask(board, "/sweeps/b1")
    assert status == 200
    assert headers["cache-control"] == "no-store"
    assert [each["tir_um"] for each in json.loads(body)] == [1.1, 2.2]
    assert ask(board, "/sweeps/nobody")[0] == 404


def test_sigterm_ends_streams_and_process_with_exit_code_0(broker: Mosquitto) -> None:
    with running_board(broker.port) as board, viewing(board) as viewer:
        assert next(viewer.events())[0] == "hello"
        began = time.monotonic()
        assert board.stop() == 0
        assert time.monotonic() - began < 2.0


def test_a_board_without_a_broker_starts_and_says_so() -> None:
    with running_board(1) as board:
        time.sleep(0.5)
        status = json.loads(ask(board, "/status.json")[2])
        assert status["is_up"] is False
        assert "refused" in status["trouble"]


async def test_what_a_broker_dropped_is_asked_for_again(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.board.feed.ASK_AGAIN_FIRST_S", 0.2)

    def now() -> Moment:
        return Moment(time.monotonic(), datetime.now(UTC))

    hub = Hub(Shop("reclamp", now()), Setup(6, 43, "", ""), now)
    with publishing(broker.port, "b7", "Gate bench") as bench:
        async with (
            connected(Broker("127.0.0.1", broker.port), "asks-again") as session,
            asyncio.TaskGroup() as tasks,
        ):
            hub.shop.connected(now())
            await session.client.subscribe("reclamp/+/state", qos=1)
            await asyncio.to_thread(bench.state, "loosen")
            others = [tasks.create_task(ask_again(hub, session))]
            others.append(tasks.create_task(hear_all(hub, session)))
            async with asyncio.timeout(10):
                while hub.shop.missing() or not hub.shop.bench_count:  # noqa: ASYNC110
                    await asyncio.sleep(0.05)
            for other in others:
                other.cancel()
    snapshot = hub.shop.since(0)
    assert snapshot is not None
    assert json.loads(snapshot)["benches"]["b7"]["status"]["condition"] == "live"


async def hear_all(hub: Hub, session: Session) -> None:
    async for message in session.client.messages:
        assert isinstance(message.payload, bytes)
        hub.shop.receive(str(message.topic), message.payload, message.retain, hub.now())
