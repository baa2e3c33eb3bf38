"""The Crane bench's part of the demo's shift: a whole box on hold, measured again.

Its pieces can't be told apart once they lie in a box. No foot switch is wired there, so that
checks are begun by command.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from daemon.demo.shift_lead import Lead
from daemon.demo.shift_north import told_of_check
from daemon.demo.shift_plan import BOX_BEFORE, CRANE
from daemon.demo.stage import Stage
from daemon.demo.teller import Teller
from daemon.errors import BrokerError
from daemon.messages import (
    AlarmData,
    ClampingData,
    Event,
    MasterCheckData,
    PutAwayData,
    Reply,
)

_WAIT_S = 600.0
"""Bench seconds for a whole master check, and one more if it has to be made again."""
_OTHERS_GO = "the customer takes what is in it for roughing"
_IN_NO_BOX = "not worth measuring again"


@dataclass(slots=True)
class BoxScene:
    """Does what the plan has for the Crane bench.

    Attributes:
        stage: The processes.
        teller: Writes the lines a piece.
        lead: Who asks.
        speed: Bench seconds a real second.
        closed: The reply to the lot's closing; None as long as it is open.
    """

    stage: Stage
    teller: Teller
    lead: Lead
    speed: float
    closed: Reply | None = None
    _pieces: int = 0
    _lies: dict[int, str | None] = field(default_factory=dict)
    _good_checks: int = 0
    _prompt: str = ""

    def hear_event(self, event: Event) -> None:
        """Take one event of the bench, each once."""
        match event.data:
            case PutAwayData(right=True, piece=int(piece)) as data:
                self._lies[piece] = data.box
                if len(self._lies) == BOX_BEFORE:
                    self.lead.do("box-check", self._fail_a_check)
            case MasterCheckData() as data:
                for text in told_of_check(data):
                    self.lead.say(CRANE, text)
                self._check(data)
            case ClampingData(result="invalid") as data:
                self.lead.say(CRANE, f"no result: {data.reason}")
            case AlarmData() as data if data.code != "order-short":
                text = f"alarm {data.code} {data.state}: {data.text}".removesuffix(": ")
                self.lead.say(CRANE, text)
            case _:
                pass

    def hear_prompt(self, text: str) -> None:
        """Begin a check that is asked for: there is no foot switch to do it with."""
        self._prompt = text
        if self._asks_for_check():
            self.lead.do(f"begin-check-{self._good_checks}", self._begin_check)

    def hear_lot(self) -> None:
        """Close the lot when its last piece was measured."""
        lot = self.teller.benches[CRANE].lot
        is_over = lot is not None and lot.unmeasured == 0
        if is_over and lot is not None and not lot.pending and not lot.open_pieces:
            self.lead.do("box-close", self._close)

    def _check(self, data: MasterCheckData) -> None:
        self._good_checks += data.kind == "sensitivity" and data.result == "good"
        if data.what == "span-held":
            self.lead.do("box-decide", lambda: self._decide(data.pieces, data.boxes))

    def _asks_for_check(self) -> bool:
        return "press the foot switch to begin it" in self._prompt

    async def _begin_check(self) -> None:
        """Begin a check, and another one when it failed or came to nothing."""
        good = self._good_checks
        while self._good_checks == good:
            if self._asks_for_check():
                await self.lead.ask(CRANE, "master-check", role="operator")
            await asyncio.sleep(0.1)

    async def _fail_a_check(self) -> None:
        self.lead.say(
            CRANE, "a chip falls into the holder's taper, and the lead has it checked"
        )
        self.stage.tell(f"simulated-{CRANE}", "drop-chip")
        reply = await self.lead.ask(CRANE, "master-check", role="lead")
        if not reply.ok:
            raise BrokerError(f"no check at {CRANE}: {reply.text}")

    async def _decide(self, pieces: list[int], boxes: list[str]) -> None:
        """Have the last of the held boxes measured again whole; others go as they are."""
        good = self._good_checks
        await self._until(lambda: self._good_checks > good)
        for box in boxes[-1:]:
            await self._measure_again(box)
        for box in boxes[:-1]:
            await self._box(box, "concession", "quality", _OTHERS_GO)
        for piece in pieces:
            if self._lies[piece] is None:
                reply = await self.lead.ask(
                    CRANE, "piece-dispose", piece=piece, action="scrap", role="quality",
                    reason=_IN_NO_BOX,
                )  # fmt: skip
                self.lead.say(CRANE, f"quality, scrap of piece {piece}: {reply.text}")

    async def _measure_again(self, box: str) -> None:
        await self._box(box, "re-measure", "lead", "the bench was not fit")
        _, bin_id, _ = box.split("-")
        new = f"B-{bin_id}-002"
        reply = await self.lead.ask(CRANE, "box-change", bin=bin_id, box=new, role="operator")
        self.lead.say(CRANE, f"the box is poured back into the tray; {reply.text}")
        self.stage.tell(f"simulated-{CRANE}", f"pour-back {bin_id}")

    async def _box(self, box: str, action: str, role: str, reason: str) -> None:
        reply = await self.lead.ask(
            CRANE, "box-dispose", box=box, action=action, role=role, reason=reason
        )
        self.lead.say(CRANE, f"{role}, {action} of box {box} ({reason}): {reply.text}")
        if not reply.ok:
            raise BrokerError(f"box {box}: {reply.text}")

    async def _close(self) -> None:
        good = self._good_checks
        reply = await self.lead.ask(CRANE, "master-check", role="lead")
        self.lead.say(CRANE, f"the lead asks for the last check: {reply.text}")
        await self._until(lambda: self._good_checks > good)
        self.closed = await self.lead.ask(
            CRANE, "lot-close", reason="no piece is left", role="lead"
        )
        self.lead.say(CRANE, f"the lead closes the lot: {self.closed.text}")

    async def _until(self, holds: Callable[[], bool]) -> None:
        for _ in range(round(_WAIT_S / self.speed / 0.05)):
            if holds():
                return
            await asyncio.sleep(0.05)
        raise BrokerError(f"nothing came of a check at {CRANE} in time")
