"""What comes in for one bench: bins that saw a piece, and commands. Everything else is refused.

Refused and counted: retained messages, ids seen before, unknown bins, wrong JSON, oversize.
A command is answered all the same, wherever it has an id to answer to.
A message without an id can only repeat itself harmlessly: a second confirmation of a piece
finds nothing pending.
"""

import json
import logging
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import aiomqtt
from pydantic import ValidationError

from daemon.bench import BenchRunner
from daemon.commands import carry_out, faults_text
from daemon.errors import StoreError
from daemon.messages import QUESTIONS, Command, Placed, Reply
from daemon.recording import What
from daemon.store import Store
from rules import bench

log = logging.getLogger(__name__)

MAX_BYTES = 4096


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
    """

    runner: BenchRunner
    store: Store
    note: Callable[[What, str], None] = _nothing
    refused: Counter[str] = field(default_factory=Counter)

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

    def _refuse(self, why: str, topic: str) -> None:
        self.refused[why] += 1
        log.warning("%s: refused a message on %r: %s", self.runner.by.bench, topic[:80], why)

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
        if command.command not in QUESTIONS:
            self.note("command", command.model_dump_json(exclude_defaults=True))
        return carry_out(command, self.runner, self.store)


def _id_of(payload: bytes) -> str:
    """Return the id of a command that is none, as far as there is one; never raises."""
    try:
        found = json.loads(payload)
    except (ValueError, RecursionError):  # brackets without end
        return ""
    said = str(found.get("id", ""))[:200] if isinstance(found, dict) else ""
    return said.encode("utf-8", "replace").decode("utf-8")  # half a surrogate pair
