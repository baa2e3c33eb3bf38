"""What the lead decides about the pieces that a failed check took back, piece by piece."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from daemon.demo.shift_lead import Lead
from daemon.demo.shift_plan import MEASURED_AGAIN, NORTH, ORDERED
from daemon.errors import BrokerError
from daemon.messages import Event, MasterCheckData, PutAwayData, Reply, VerdictData

__all__ = ["REGRADED_TO", "Decisions"]

REGRADED_TO = "grade-2"

_DECIDED = (
    ("scrap", "quality", "fell on the floor while it was on hold"),
    ("concession", "quality", "the customer takes it for roughing"),
    ("release", "quality", "measured on another bench, 1.9 um"),
)
"""Action, role and reason, for one piece each."""

_IN_VAIN = "it is good enough for grade 2"

_WAIT_S = 600.0
"""Bench seconds for one piece to be measured again and put away."""


@dataclass(slots=True)
class Decisions:
    """Decides once a good check has followed the failed one.

    Attributes:
        lead: Who asks.
        speed: Bench seconds a real second.
    """

    lead: Lead
    speed: float
    _held: list[int] = field(default_factory=list)
    _top: list[int] = field(default_factory=list)
    _put_away: dict[int, int] = field(default_factory=dict)
    _made: asyncio.Event = field(default_factory=asyncio.Event)

    def hear(self, event: Event) -> None:
        """Take one event of the bench."""
        match event.data:
            case VerdictData(grade="grade-1", piece=piece):
                self._top.append(piece)
            case PutAwayData(right=True, piece=int(piece)):
                self._put_away[piece] = self._put_away.get(piece, 0) + 1
            case MasterCheckData(what="span-held", pieces=pieces):
                self._held = list(pieces)
            case MasterCheckData(what="checked", kind="sensitivity", result="good"):
                if self._held:
                    self.lead.do("decide", self._decide)
            case _:
                pass

    async def made(self) -> None:
        """Wait until all is decided and measured; at once where nothing was taken back."""
        if self._held:
            await self._made.wait()

    async def regrade(self, put_away: int) -> None:
        """Have one piece regraded where so many of the top grade are more than ordered."""
        pieces = [piece for piece in self._top if piece not in self._held]
        if put_away <= ORDERED or not pieces:
            return
        piece, before = pieces[0], self._put_away.get(pieces[0], 0)
        reason = "more than ordered, and its face is scratched"
        reply = await self._dispose(piece, "regrade", "lead", reason, grade=REGRADED_TO)
        if reply.ok:
            await self._until_put_away(piece, before)

    async def _decide(self) -> None:
        again, others = self._held[:MEASURED_AGAIN], self._held[MEASURED_AGAIN:]
        taken = await self._take(again[0])  # before another piece comes onto the bench
        for piece, (action, role, reason) in zip(others, _DECIDED, strict=False):
            if action == "scrap":
                await self._dispose(piece, "regrade", "lead", _IN_VAIN, grade=REGRADED_TO)
            await self._dispose(piece, action, role, reason)
        for piece in again[1:]:
            await self._until_put_away(again[0], taken)
            taken = await self._take(piece)
        await self._until_put_away(again[-1], taken)
        self._made.set()

    async def _take(self, piece: int) -> int:
        """Have a piece measured again, as soon as the bench is between two pieces.

        Returns how often it was put away before.
        """
        before = self._put_away.get(piece, 0)
        while not (await self._dispose(piece, "re-measure", "lead", "doubted")).ok:
            await self._until_any_is_put_away()
        return before

    async def _until_any_is_put_away(self) -> None:
        so_far = sum(self._put_away.values())
        await self._until(lambda: sum(self._put_away.values()) > so_far)

    async def _until_put_away(self, piece: int, before: int) -> None:
        await self._until(lambda: self._put_away.get(piece, 0) > before)

    async def _dispose(
        self, piece: int, action: str, role: str, reason: str, **values: str
    ) -> Reply:
        reply = await self.lead.ask(
            NORTH, "piece-dispose", piece=piece, action=action, role=role, reason=reason,
            **values,
        )  # fmt: skip
        said = "" if reply.ok else "refused: "
        self.lead.say(
            NORTH, f"{role}, {action} of piece {piece} ({reason}): {said}{reply.text}"
        )
        return reply

    async def _until(self, holds: Callable[[], bool]) -> None:
        for _ in range(round(_WAIT_S / self.speed / 0.02)):
            if holds():
                return
            await asyncio.sleep(0.02)
        raise BrokerError("a piece was not put away in time")
