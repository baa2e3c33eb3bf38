"""``reclamp demo --shift``: one shift in which everything goes wrong that goes wrong.

The far end of the cable errs by plan; cable, service and broker are taken away here; the
lead's commands go over MQTT as anybody's. What came of it is looked up in the record
(``daemon.demo.shift_findings``).
"""

import asyncio
import contextlib
import json
import signal
import subprocess
import sys
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import count
from typing import Any

from daemon.broker import Broker, MqttError, Session, connected
from daemon.clock import SystemClock, rfc3339
from daemon.demo.stage import Stage, start_bench, start_broker, start_service, wait_for_lines
from daemon.demo.teller import Teller
from daemon.errors import BrokerError
from daemon.messages import (
    AlarmData,
    ClampingData,
    Event,
    LotData,
    MasterCheckData,
    PutAwayData,
    Reply,
    VerdictData,
)

__all__ = ["PLAN", "Shift", "lay_out_shift", "start_shift"]

BENCH = "b1"
ROOT = "reclamp"
NEW_BOX = "A-2-002"
QUANTITY = 30
ORDERED = 8

FIRST_BIN = '[[bench.bin]]\nid = "1"'

CHECK = """[bench.check]

[[bench.check.master]]
id = "MM-1"
subject = "solid-mandrel"
tir_um = 0.1
uncertainty_um = 0.1

[[bench.check.master]]
id = "EM-1"
subject = "eccentric-master"
tir_um = 5.1
uncertainty_um = 0.1

"""
"""The simulated bench's two masters; the demo's other scenes go without."""

IN_INCH = 1
"""Master check, from 1, in which the indicator is switched to inch."""

CUT_SHORT, NOT_LOOSENED, CHIP, WRONG_BIN, UNPLUGGED, KILLED, BROKER_GONE = range(2, 9)
"""Pieces with which it happens, by number."""

PLAN = (
    "first the master check: the indicator is switched to inch, then back",
    f"piece {CUT_SHORT}: three quarters of a turn",
    f"piece {NOT_LOOSENED}: swept twice without a loosening",
    f"piece {CHIP}: a chip; the lead has the whole set taken again",
    f"piece {WRONG_BIN}: dropped into a bin whose lamp is dark",
    f"piece {UNPLUGGED}: the indicator's cable is pulled",
    f"piece {KILLED}: the service is killed",
    f"piece {BROKER_GONE}: the broker is gone for a while, and a box is changed without it",
    f"then the order of {ORDERED} is filled, and its closing check fails by a chip in the "
    "taper: pieces are taken back, and the order is open again",
    f"filled anew and checked, the rest of {QUANTITY} pieces is proved; the lead has a last "
    "check made, and closes the lot",
)

_UNPLUGGED_BENCH_S = 20.0
_GONE_BENCH_S = 60.0
_REPLY_WAIT_S = 10.0
_CHECK_WAIT_S = 600.0
"""Bench seconds for a whole master check, and one more if it has to be made again."""

_RETRY_WAIT_S = 0.2
_EXPIRES_AFTER = timedelta(minutes=5)


@dataclass(slots=True)
class Shift:
    """Listens like any subscriber, and does what the plan has for each piece.

    Attributes:
        stage: The processes.
        teller: Writes the lines a piece.
        speed: Bench seconds a real second.
        write: Takes a line of text.
        waiting: Most events that waited for the broker while it was gone.
        closed: The reply to the lot's closing; None as long as it is open.
    """

    stage: Stage
    teller: Teller
    speed: float
    write: Callable[[str], None]
    count_waiting: Callable[[], int]
    waiting: int = 0
    closed: Reply | None = None
    _done: set[str] = field(default_factory=set)
    _seen: set[str] = field(default_factory=set)
    _ids: Any = field(default_factory=lambda: count(1))
    _replies: dict[str, Reply] = field(default_factory=dict)
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)
    _session: Session | None = None
    _good_checks: int = 0

    async def run(self, broker: Broker) -> None:
        """Follow the bench until its lot is closed.

        Raises:
            BrokerError: If something of the shift breaks down that is not to.
        """
        while self.closed is None:
            try:
                async with connected(broker, "reclamp-shift") as session:
                    self._session = session
                    await session.client.subscribe(f"{ROOT}/{BENCH}/#", qos=1)
                    await self._listen(session)
            except MqttError as error:
                self._session = None
                if "broker" not in self._done:
                    raise BrokerError(f"the shift lost its broker: {error}") from error
                await asyncio.sleep(_RETRY_WAIT_S)

    async def _listen(self, session: Session) -> None:
        async for message in session.client.messages:
            for task in [task for task in self._tasks if task.done()]:
                self._tasks.remove(task)
                task.result()  # an act that failed ends the shift
            payload = message.payload
            if isinstance(payload, bytes | bytearray) and payload:
                self._hear(message.topic.value.split("/")[1:], bytes(payload))
            if self.closed is not None:
                return

    def _hear(self, topic: list[str], payload: bytes) -> None:
        self.teller.hear(topic, payload)
        match topic[1:]:
            case ["event", _]:
                event = Event.model_validate_json(payload)
                if event.id not in self._seen:
                    self._seen.add(event.id)
                    self._act_on(event)
            case ["lot"]:
                lot = self.teller.benches[BENCH].lot
                if lot is not None and lot.order_state == "filled-check-due":
                    self._do("taper", self._drop_chip)
                if self.teller.is_done(self.teller.benches[BENCH]):
                    self._do("close", self._close)
            case ["reply"]:
                reply = Reply.model_validate_json(payload)
                self._replies[reply.id] = reply
            case _:
                pass

    # --- what is done when -------------------------------------------------------------------

    def _act_on(self, event: Event) -> None:
        match event.data:
            case ClampingData(piece=None) as data:
                self._say(f"not counted: {data.reason}")
            case ClampingData(piece=int(piece)) as data:
                if data.result == "invalid":
                    self._say(f"piece {piece}, no result: {data.reason}")
                if data.clamping == 1:
                    self._first_clamping(piece)
            case VerdictData(piece=piece, cycle_kind="first") if piece == CHIP:
                self._do("retry", self._retry)
            case AlarmData() as data:
                self._say(f"alarm {data.code} {data.state}: {data.text}".removesuffix(": "))
            case MasterCheckData() as data:
                self._check(data)
            case LotData(what="order-reopened") as data:
                self._say(f"the order is open again: {data.reason}")
            case PutAwayData(right=False) as data:
                self._say(f"bin {data.bin} is not where piece {data.piece} belongs")
            case _:
                pass

    def _check(self, data: MasterCheckData) -> None:
        if data.what == "checked":
            self._say(f"{data.kind} check {data.result}: {data.reason}")
            self._good_checks += data.kind == "sensitivity" and data.result == "good"
        elif data.what == "cause":
            self._say(f"a check is due: {data.cause}")
        elif data.pieces:
            verb = "on hold" if data.what == "span-held" else "released"
            self._say(f"{verb}: piece {', '.join(map(str, data.pieces))}")

    def _first_clamping(self, piece: int) -> None:
        acts = {UNPLUGGED: ("cable", self._unplug), KILLED: ("kill", self._kill)}
        acts[BROKER_GONE] = ("broker", self._take_broker_away)
        if piece in acts:
            self._do(*acts[piece])

    def _do(self, name: str, act: Callable[[], Awaitable[None]]) -> None:
        """Do something once; what fails in it is raised with the next message."""
        if name not in self._done:
            self._done.add(name)
            self._tasks.add(asyncio.ensure_future(act()))

    async def _unplug(self) -> None:
        self._say("the cable is pulled")
        bench = self.stage.child(f"simulated-{BENCH}")
        bench.send_signal(signal.SIGUSR1)
        await asyncio.sleep(_UNPLUGGED_BENCH_S / self.speed)
        bench.send_signal(signal.SIGUSR2)
        self._say("and plugged in again")

    async def _kill(self) -> None:
        self._say("the service is killed")
        await asyncio.to_thread(self.stage.take_out, "service", signal.SIGKILL)
        start_service(self.stage, self.speed)
        self._say("and started anew")

    async def _take_broker_away(self) -> None:
        self._say("the broker is gone")
        await asyncio.to_thread(self.stage.take_out, "broker", signal.SIGTERM)
        await asyncio.sleep(_GONE_BENCH_S / self.speed)
        text = await asyncio.to_thread(self._change_box)
        self._say(f"meanwhile, over the local socket: {text}")
        self.waiting = self.count_waiting()
        await asyncio.to_thread(start_broker, self.stage)
        self._say(f"and back; {self.waiting} events waited for it")

    def _change_box(self) -> str:
        """Change a box as somebody at the machine: it needs no broker."""
        words = ["box", "change", "2", NEW_BOX, "--role", "operator", "--config", "bench.toml"]
        done = subprocess.run(
            [sys.executable, "-m", "daemon.cli", *words],
            cwd=self.stage.folder, capture_output=True, text=True, check=False,
        )  # fmt: skip
        return (done.stdout or done.stderr).strip()

    async def _retry(self) -> None:
        reply = await self._ask("piece-retry", reason="a chip on the taper", role="lead")
        self._say(f"the lead asks for the whole set again: {reply.text}")

    async def _drop_chip(self) -> None:
        self._say("a chip falls into the holder's taper")
        self.stage.child(f"simulated-{BENCH}").send_signal(signal.SIGHUP)

    async def _check_at_the_end(self) -> None:
        """Have the span of the last pieces closed: an open one keeps the lot open."""
        before = self._good_checks
        reply = await self._ask("master-check", role="lead")
        self._say(f"the lead asks for the last check: {reply.text}")
        for _ in range(round(_CHECK_WAIT_S / self.speed / 0.05)):
            if self._good_checks > before:
                return
            await asyncio.sleep(0.05)
        raise BrokerError("the last master check did not come to a good end")

    async def _close(self) -> None:
        await self._check_at_the_end()
        lot = self.teller.benches[BENCH].lot
        proved = ("proved", "accepted", "nothing-left")
        is_proved = lot is not None and lot.rest is not None and lot.rest.outcome in proved
        more = {} if is_proved else {"unproved": "it is measured piece by piece"}
        self.closed = await self._ask("lot-close", reason="shift ended", role="lead", **more)
        self._say(f"the lead closes the lot: {self.closed.text}")

    async def _ask(self, command: str, **values: str) -> Reply:
        """Send a command as anybody may, and wait for its reply.

        Raises:
            BrokerError: If none comes.
        """
        name = f"shift-{next(self._ids)}"
        expires = rfc3339(SystemClock().utc() + _EXPIRES_AFTER)
        body = json.dumps({"id": name, "command": command, "expires": expires, **values})
        if self._session is not None:
            with contextlib.suppress(MqttError):
                await self._session.publish(f"{ROOT}/{BENCH}/command", body)
        for _ in range(round(_REPLY_WAIT_S / 0.02)):
            if name in self._replies:
                return self._replies[name]
            await asyncio.sleep(0.02)
        raise BrokerError(f"no reply to {command}")

    def _say(self, text: str) -> None:
        self.write(f"{BENCH}  --- {text}")


def lay_out_shift(stage: Stage) -> None:
    """Leave one bench in the file, with a small lot and a small order."""
    path = stage.folder / "bench.toml"
    text = path.read_text(encoding="utf-8")
    head, _, rest = text.partition("[[line]]")
    tables = [f"[[{part}" for part in f"[[line]]{rest}".split("\n[[")]
    tables[0] = tables[0].removeprefix("[[")
    kept, is_ours = [head], True
    for table in tables:
        if table.startswith(("[[line]]", "[[bench]]")):
            is_ours = 'id = "usb1"' in table or f'id = "{BENCH}"' in table
        if is_ours:
            kept.append(table + "\n")
    small = "".join(kept)
    for old, new in (
        ("quantity = 120", f"quantity = {QUANTITY}"),
        ("cells = 120", f"cells = {QUANTITY}"),
        ('{ "grade-1" = 36 }', f'{{ "grade-1" = {ORDERED} }}'),
        # Slower than this a sensitivity check believes 120 %; the drive takes 2.4 s a turn.
        ("fastest_turn_s = 2.0", "fastest_turn_s = 2.2\nsamples_min = 12"),
        (FIRST_BIN, f'{CHECK}[bench.put_away]\nidentity = "tray"\n\n{FIRST_BIN}'),
    ):
        if old not in small:
            raise AssertionError(f"the scenario's bench file has no {old!r}")
        small = small.replace(old, new)
    path.write_text(small, encoding="utf-8")


def start_shift(stage: Stage, seed: int, speed: float) -> None:
    """Start the one bench with its planned mistakes, and the service.

    Raises:
        PortError: If the bench doesn't come up.
    """
    planned = (
        f"three-quarter-turn@{CUT_SHORT}", f"no-loosening@{NOT_LOOSENED}", f"chip@{CHIP}",
        f"wrong-bin@{WRONG_BIN}",
    )  # fmt: skip
    mistakes = [word for text in planned for word in ("--mistake", text)]
    more = [*mistakes, "--inch-check", str(IN_INCH)]
    start_bench(stage, BENCH, QUANTITY, seed, speed, more)
    wait_for_lines(stage, (BENCH,))
    start_service(stage, speed)
