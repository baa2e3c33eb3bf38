"""The North bench's part of the demo's shift: mistakes, troubles, a failed check."""

import asyncio
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass

from daemon.demo.lot_story import wants_proof
from daemon.demo.shift_decisions import Decisions
from daemon.demo.shift_lead import Lead
from daemon.demo.shift_plan import BROKER_GONE, CHIP, KILLED, NEW_BOX, NORTH, UNPLUGGED
from daemon.demo.stage import Stage, start_broker, start_service
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

_UNPLUGGED_BENCH_S = 20.0
_GONE_BENCH_S = 60.0
_CHECK_WAIT_S = 600.0
"""Bench seconds for a whole master check, and one more if it has to be made again."""


@dataclass(slots=True)
class NorthScene:
    """Does what the plan has for each piece of the North bench.

    Attributes:
        stage: The processes.
        teller: Writes the lines a piece.
        lead: Who asks.
        speed: Bench seconds a real second.
        count_waiting: Returns how many events wait for the broker.
        when_back: Called when the broker is back.
        decisions: On the pieces that were taken back.
        waiting: Most events that waited for the broker while it was gone.
        closed: The reply to the lot's closing; None as long as it is open.
    """

    stage: Stage
    teller: Teller
    lead: Lead
    speed: float
    count_waiting: Callable[[], int]
    when_back: Callable[[], None]
    decisions: Decisions
    waiting: int = 0
    closed: Reply | None = None
    _good_checks: int = 0

    def hear_event(self, event: Event) -> None:
        """Take one event of the bench, each once."""
        self.decisions.hear(event)
        match event.data:
            case ClampingData() as data:
                self._clamping(data)
            case VerdictData(piece=piece, cycle_kind="first") if piece == CHIP:
                self.lead.do("retry", self._retry)
            case AlarmData() as data:
                self._say(f"alarm {data.code} {data.state}: {data.text}".removesuffix(": "))
            case MasterCheckData() as data:
                self._good_checks += data.kind == "sensitivity" and data.result == "good"
                for text in told_of_check(data):
                    self._say(text)
            case LotData(what="order-reopened") as data:
                self._say(f"the order is open again: {data.reason}")
            case PutAwayData(right=False) as data:
                self._say(f"bin {data.bin} is not where piece {data.piece} belongs")
            case _:
                pass

    def hear_lot(self) -> None:
        """Act on where the lot stands."""
        lot = self.teller.benches[NORTH].lot
        if lot is None:
            return
        if lot.order_state == "filled-check-due":
            self.lead.do("taper", self._drop_chip)
        is_filled = lot.order_state.startswith("filled") and not wants_proof(lot)
        if (is_filled or lot.unmeasured == 0) and not lot.pending and not lot.open_pieces:
            self.lead.do("close", self._close)

    def _clamping(self, data: ClampingData) -> None:
        if data.piece is None:
            self._say(f"not counted: {data.reason}")
            return
        if data.result == "invalid":
            self._say(f"piece {data.piece}, no result: {data.reason}")
        if data.clamping == 1:
            self._first_clamping(data.piece)

    def _first_clamping(self, piece: int) -> None:
        acts = {UNPLUGGED: ("cable", self._unplug), KILLED: ("kill", self._kill)}
        acts[BROKER_GONE] = ("broker", self._take_broker_away)
        if piece in acts:
            self.lead.do(*acts[piece])

    async def _unplug(self) -> None:
        self._say("the cable is pulled")
        bench = self.stage.child(f"simulated-{NORTH}")
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
        self.when_back()

    def _change_box(self) -> str:
        """Change a box as somebody at the machine: it needs no broker."""
        words = ["box", "change", "2", NEW_BOX, "--role", "operator", "--config", "bench.toml"]
        done = subprocess.run(
            [sys.executable, "-m", "daemon.cli", *words, "--bench", NORTH],
            cwd=self.stage.folder, capture_output=True, text=True, check=False,
        )  # fmt: skip
        return (done.stdout or done.stderr).strip()

    async def _retry(self) -> None:
        reply = await self._ask("piece-retry", reason="a chip on the taper", role="lead")
        self._say(f"the lead asks for the whole set again: {reply.text}")

    async def _drop_chip(self) -> None:
        self._say("a chip falls into the holder's taper")
        self.stage.child(f"simulated-{NORTH}").send_signal(signal.SIGHUP)

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
        await self.decisions.made()
        lot = self.teller.benches[NORTH].lot
        top = [g.put_away for g in lot.grades if g.grade == "grade-1"] if lot else [0]
        await self.decisions.regrade(top[0])
        await self._check_at_the_end()
        lot = self.teller.benches[NORTH].lot
        proved = ("proved", "accepted", "nothing-left")
        is_proved = lot is not None and lot.rest is not None and lot.rest.outcome in proved
        more = {} if is_proved else {"unproved": "it is measured piece by piece"}
        self.closed = await self._ask("lot-close", reason="shift ended", role="lead", **more)
        self._say(f"the lead closes the lot: {self.closed.text}")

    async def _ask(self, command: str, **values: str) -> Reply:
        return await self.lead.ask(NORTH, command, **values)

    def _say(self, text: str) -> None:
        self.lead.say(NORTH, text)


def told_of_check(data: MasterCheckData) -> list[str]:
    """Return the line of a check's event, or none."""
    if data.what == "checked":
        return [f"{data.kind} check {data.result}: {data.reason}"]
    if data.what == "cause":
        return [f"a check is due: {data.cause}"]
    if not data.pieces:
        return []
    verb = "on hold" if data.what == "span-held" else "released"
    boxes = f", in box {', '.join(data.boxes)}" if data.boxes else ""
    return [f"{verb}: piece {', '.join(map(str, data.pieces))}{boxes}"]
