"""What the demo tells on the terminal: a plain MQTT subscriber like any other."""

import asyncio
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.broker import Broker, connected
from daemon.demo.lot_story import of_the_lot, wants_proof
from daemon.messages import About, AlarmData, Event, Lot, LotData, PutAwayData, VerdictData
from rules.length import um_text, um_to_nm

SHAPES: Mapping[str, str] = {
    "ring": "○", "square": "□", "pentagon": "⬠", "bar": "▬",
    "triangle": "△", "cross": "✕", "diamond": "◇",
}  # fmt: skip


@dataclass(slots=True)
class BenchTold:
    """What was heard of one bench."""

    about: About | None = None
    lot: Lot | None = None
    verdicts: int = 0
    clampings: int = 0
    put_away: int = 0
    wrong_bins: int = 0
    seen: set[str] = field(default_factory=set)


class Teller:
    """Follows the benches of the demo and writes a line a piece.

    Attributes:
        benches: What was heard, by bench id.
    """

    def __init__(
        self,
        pieces: int | None,
        write: Callable[[str], None],
        *,
        as_json: bool,
        wanted: tuple[str, ...],
    ) -> None:
        """Prepare; ``follow`` connects.

        Args:
            pieces: Pieces taken from each tray: the demo ends when all are in their bins.
                None: whole lots; instead of the pieces it tells what becomes of the lots.
            write: Takes a line of text.
            as_json: Write JSON lines instead of text for people.
            wanted: Benches to wait for.
        """
        self._pieces = pieces
        self._write = write
        self._as_json = as_json
        self.benches = {bench: BenchTold() for bench in wanted}

    async def follow(self, broker: Broker, root: str, ended: asyncio.Event) -> None:
        """Tell until every bench is done or ``ended`` is set.

        Raises:
            MqttError: If the broker is lost.
        """
        async with connected(broker, "reclamp-demo") as session:
            await session.client.subscribe(f"{root}/#", qos=1)
            async for message in session.client.messages:
                payload = message.payload
                if isinstance(payload, bytes | bytearray) and payload:
                    self.hear(message.topic.value.split("/")[1:], bytes(payload))
                if all(self.is_done(told) for told in self.benches.values()):
                    ended.set()

    def is_done(self, told: BenchTold) -> bool:
        """Return whether the order is filled and the rest looked at, or the tray empty."""
        lot = told.lot
        if lot is None or lot.pending or lot.open_pieces:
            return False
        if lot.order_state.startswith("filled") and not wants_proof(lot):
            return True
        if self._pieces is None:
            return lot.unmeasured == 0
        return told.put_away >= self._pieces

    def hear(self, topic: list[str], payload: bytes) -> None:
        """Take one message, its topic without the root."""
        told = self.benches.get(topic[0])
        if told is None:
            return
        match topic[1:]:
            case ["about"]:
                told.about = About.model_validate_json(payload)
            case ["lot"]:
                told.lot = Lot.model_validate_json(payload)
            case ["event", _]:
                event = Event.model_validate_json(payload)
                if event.id not in told.seen:
                    told.seen.add(event.id)
                    self._event(topic[0], told, event)
            case _:
                pass

    def _event(self, bench: str, told: BenchTold, event: Event) -> None:
        match event.data:
            case VerdictData():
                told.verdicts += 1
                told.clampings += len(event.data.clampings)
                if self._pieces is not None:
                    self._verdict(bench, told, event.data)
            case PutAwayData(right=True):
                told.put_away += 1
            case LotData() | AlarmData():
                text = of_the_lot(event.data)
                if text:
                    body = {"bench": bench, "put_away": told.put_away, "text": text}
                    self._say(body, f"{bench}  after piece {told.put_away:>3}  {text}")
            case PutAwayData() as data if data.piece is not None:
                told.wrong_bins += 1
                self._say(
                    {"bench": bench, "piece": data.piece, "wrong_bin": data.bin},
                    f"{bench}  piece {data.piece:>3}  put into {data.bin}, "
                    f"belongs in {data.expected}: the bench waits",
                )
            case _:
                pass

    def _verdict(self, bench: str, told: BenchTold, data: VerdictData) -> None:
        tirs = [
            "  –" if c.tir_um is None else um_text(um_to_nm(str(c.tir_um)))
            for c in data.clampings
        ]
        grade = data.grade or self._holds(told, data.bin)
        text = (
            f"{bench}  piece {data.piece:>3}  {'  '.join(f'{t:>4}' for t in tirs):<16} µm  "
            f"{grade:<14} {self._lamps(told, data.bin)}"
        )
        body = {
            "bench": bench, "piece": data.piece, "grade": data.grade, "bin": data.bin,
            "tir_um": [c.tir_um for c in data.clampings], "reason": data.reason,
        }  # fmt: skip
        self._say(body, text)

    def _lamps(self, told: BenchTold, lit: str) -> str:
        """Return the row of bin lamps, the lit one in brackets: a hue would tell nobody."""
        bins = told.about.bins if told.about is not None else []
        row = [(b.id == lit, f"{SHAPES.get(b.shape, '')} {b.id}") for b in bins]
        return "".join(f"[{lamp}]" if is_lit else f" {lamp} " for is_lit, lamp in row).rstrip()

    def _holds(self, told: BenchTold, bin_id: str) -> str:
        bins = told.about.bins if told.about is not None else []
        return next((b.holds for b in bins if b.id == bin_id), "no grade")

    def _say(self, body: Mapping[str, Any], text: str) -> None:
        self._write(json.dumps(body, ensure_ascii=False) if self._as_json else text)

    def summary(self) -> dict[str, Any]:
        """Return what came of it, by bench."""
        return {
            bench: {
                "lot": told.lot.model_dump(mode="json") if told.lot is not None else None,
                "verdicts": told.verdicts,
                "clampings": told.clampings,
                "put_away": told.put_away,
                "wrong_bins": told.wrong_bins,
            }
            for bench, told in self.benches.items()
        }

    def summary_text(self) -> list[str]:
        """Return the summary as lines for people."""
        lines = []
        for bench, told in self.benches.items():
            lot = told.lot
            if lot is None or lot.lot is None:
                lines.append(f"{bench}  no lot seen")
                continue
            grades = ", ".join(
                f"{g.grade} {g.put_away}" + (f" of {g.ordered}" if g.ordered else "")
                for g in lot.grades
            )
            lines.append(
                f"{bench}  lot {lot.lot} {lot.article}: {grades}, hold {lot.hold}, "
                f"nonconforming {lot.nonconforming}, unmeasured {lot.unmeasured}; "
                f"{told.clampings} clampings for {told.verdicts} verdicts"
            )
        return lines
