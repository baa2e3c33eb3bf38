"""What comes in for one bench: bins that saw a piece, and commands. Everything else is refused.

Refused and counted: retained messages, ids seen before, expired ones, unknown bins, wrong
JSON, oversize. A command is answered all the same, wherever it has an id to answer to.
A press without an id can only repeat itself harmlessly: a second confirmation of a piece
finds nothing pending. A command that changes something has to say when it expires: a broker
that hung, or this service, would otherwise carry it out whenever it comes round.
"""

import json
import logging
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta

import aiomqtt
from pydantic import ValidationError

from daemon.bench import BenchRunner
from daemon.clock import rfc3339
from daemon.commands import carry_out, faults_text
from daemon.errors import StoreError
from daemon.messages import QUESTIONS, Command, InboundFault, Placed, Reply
from daemon.recording import What
from daemon.store import Store
from rules import bench

log = logging.getLogger(__name__)

MAX_BYTES = 4096

EXPIRES_WITHIN = timedelta(hours=1)
"""No command is valid for longer: an expiry next year is none."""

_TOLD_ONE_BY_ONE = 10
"""Refusals of a kind that the log tells singly; then each tenfold: a flood fills no disk."""


def _nothing(what: What, text: str) -> None:
    """No recording is made."""


@dataclass(slots=True)
class Inbound:
    """Takes inbound messages of one bench.

    Attributes:
        runner: The bench.
        store: Remembers ids.
        note: Told what comes in and is no refusal, for a recording.
        refused: How many were refused, by reason.
        on_refused: Told that the counts have changed.
    """

    runner: BenchRunner
    store: Store
    note: Callable[[What, str], None] = _nothing
    refused: Counter[InboundFault] = field(default_factory=Counter)
    on_refused: Callable[[], None] = lambda: None

    def take(self, base: str, message: aiomqtt.Message) -> Reply | None:
        """Take a message; return the reply of a command."""
        if not message.topic.value.startswith(base + "/"):
            return None  # some brokers send what nobody here subscribed to
        topic = message.topic.value.removeprefix(base + "/")
        payload = message.payload
        if message.retain:
            self._refuse("retained", topic)
        elif not isinstance(payload, bytes | bytearray) or len(payload) > MAX_BYTES:
            self._refuse("oversize", topic)
        elif topic.startswith("placed/"):
            self._placed(topic.removeprefix("placed/"), bytes(payload))
        elif topic == "command":
            return self._command(bytes(payload))
        return None

    def _refuse(self, why: InboundFault, topic: str) -> None:
        self.refused[why] += 1
        count = self.refused[why]
        if count <= _TOLD_ONE_BY_ONE or str(count).strip("0") == "1":
            log.warning(
                "%s: refused a message on %r: %s (%d so far)",
                self.runner.by.bench, topic[:80], why, count,
            )  # fmt: skip
        self.on_refused()

    def _placed(self, bin_id: str, payload: bytes) -> None:
        if bin_id not in self.runner.config.bin_holds():
            self._refuse("unknown-bin", f"placed/{bin_id}")
            return
        try:
            placed = Placed.model_validate_json(payload) if payload.strip() else Placed()
            if placed.id is not None and self.store.knows_inbound(
                self.runner.by.bench, placed.id
            ):
                self._refuse("repeated", f"placed/{bin_id}")
                return
            if placed.expires is not None and placed.expires <= self.runner.utc_now():
                self._refuse("stale", f"placed/{bin_id}")
                return
            self.note("placed", bin_id)
            self.runner.handle(bench.Placed(bin_id), inbound=placed.id)
        except ValidationError:
            self._refuse("wrong-json", f"placed/{bin_id}")
        except StoreError as error:
            log.error("%s: placed: %s", self.runner.by.bench, error)

    def _command(self, payload: bytes) -> Reply | None:
        try:
            command = Command.model_validate_json(payload)
        except ValidationError as error:
            self._refuse("wrong-json", "command")
            return Reply(id=_id_of(payload), ok=False, text=faults_text(error))
        untimely = self._untimely(command)
        if untimely:
            self._refuse("stale", "command")
            return Reply(id=command.id, ok=False, text=untimely)
        if self._is_repeated(command):
            self._refuse("repeated", "command")
        elif command.command not in QUESTIONS:
            self.note("command", command.model_dump_json(exclude_defaults=True))
        return carry_out(command, self.runner, self.store)

    def _is_repeated(self, command: Command) -> bool:
        """Return whether its id was taken; a store that can't say so refuses it anyway."""
        try:
            return self.store.knows_inbound(self.runner.by.bench, command.id)
        except StoreError:
            return False

    def _untimely(self, command: Command) -> str:
        """Return why a command comes too late or may come at any time; "" when it is timely."""
        now = self.runner.utc_now()
        if command.expires is None:
            if command.command in QUESTIONS:
                return ""
            return f"expires: missing; accepted is a moment after now, {rfc3339(now)}"
        if command.expires <= now:
            return f"expires: {rfc3339(command.expires)} is over, it is {rfc3339(now)}"
        if command.expires > now + EXPIRES_WITHIN:
            return f"expires: got {rfc3339(command.expires)}; accepted is within the hour"
        return ""


def _id_of(payload: bytes) -> str:
    """Return the id of a command that is none, as far as there is one; never raises."""
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):  # brackets without end
        return ""
    said = str(found.get("id", ""))[:200] if isinstance(found, dict) else ""
    return said.encode("utf-8", "replace").decode("utf-8")  # half a surrogate pair
