"""The local socket: commands of the command line to the running service.

One JSON object a line, the same objects as over MQTT, plus ``bench``. Who may use it is a
matter of file permissions: owner and group of the service.
"""

import asyncio
import contextlib
import hashlib
import json
import logging
import os
import socket
from collections.abc import Callable
from pathlib import Path

from pydantic import ValidationError

from daemon.commands import faults_text
from daemon.errors import PortError
from daemon.messages import Command, Reply

log = logging.getLogger(__name__)

_LONGEST_PATH = 100
"""A Unix socket's name holds 108 bytes."""

_ANSWER_WAIT_S = 10.0
_LINE_WAIT_S = 10.0
MAX_LINE = 65_536


def socket_path(store_path: Path) -> Path:
    """Return where the socket of a store lies: beside it, or for long paths in /tmp."""
    beside = store_path.resolve().with_name(store_path.name + ".socket")
    if len(os.fsencode(beside)) <= _LONGEST_PATH:
        return beside
    # The same for whoever asks: the service and the lead are seldom one user.
    digest = hashlib.sha256(os.fsencode(beside)).hexdigest()[:16]
    return Path("/tmp") / f"reclamp-{digest}.socket"


class ControlServer:
    """Listens on the local socket while the service runs."""

    def __init__(self, path: Path, carry_out: Callable[[str | None, Command], Reply]) -> None:
        """Prepare; ``start`` listens.

        Args:
            path: Where the socket lies.
            carry_out: Takes bench id (None: the only one) and command, returns the reply.
        """
        self._path = path
        self._carry_out = carry_out
        self._server: asyncio.Server | None = None
        self._callers: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    async def start(self) -> None:
        """Listen; a socket that a killed service left behind is replaced.

        Raises:
            PortError: If it can't listen there.
        """
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._path.unlink(missing_ok=True)
            listener.bind(str(self._path))
            self._path.chmod(0o660)  # before anybody can connect
            self._server = await asyncio.start_unix_server(
                self._serve, sock=listener, limit=MAX_LINE
            )
        except OSError as error:
            listener.close()
            raise PortError(f"{self._path}: can't listen: {error.strerror}") from error

    async def stop(self) -> None:
        """Stop listening, let nobody hang, and take the socket away."""
        if self._server is not None:
            self._server.close()
            for writer in self._callers.values():
                writer.close()
            if self._callers:
                await asyncio.wait(self._callers, timeout=1)
            try:
                self._path.unlink(missing_ok=True)
            except OSError as error:  # a disk gone read-only: the next start replaces it
                log.warning("%s: left behind: %s", self._path, error.strerror)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None  # the server runs this as one
        self._callers[task] = writer
        try:
            await self._serve_one(reader, writer)
        finally:
            del self._callers[task]

    async def _serve_one(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter
    ) -> None:
        with contextlib.suppress(ConnectionError, TimeoutError):
            reply = await self._reply(reader)
            if reply is not None:
                writer.write(reply.model_dump_json().encode() + b"\n")
                await writer.drain()
        with contextlib.suppress(ConnectionError):
            writer.close()
            await writer.wait_closed()

    async def _reply(self, reader: asyncio.StreamReader) -> Reply | None:
        """Return the answer to the line that comes; None when none comes."""
        try:
            async with asyncio.timeout(_LINE_WAIT_S):
                line = await reader.readline()
        except ValueError:  # asyncio's way to say that the limit is passed
            return Reply(id="", ok=False, text=f"a line is at most {MAX_LINE} bytes long")
        return self._answer(line) if line else None

    def _answer(self, line: bytes) -> Reply:
        try:
            raw = json.loads(line)
            bench = raw.pop("bench", None) if isinstance(raw, dict) else None
            command = Command.model_validate(raw)
        except ValidationError as error:
            return Reply(id="", ok=False, text=faults_text(error))
        except (ValueError, RecursionError) as error:
            return Reply(id="", ok=False, text=f"no JSON: {error}")
        if bench is not None and not isinstance(bench, str):
            return Reply(id=command.id, ok=False, text="bench: accepted is a bench's id")
        return self._carry_out(bench, command)


def ask(path: Path, bench: str | None, command: Command) -> Reply:
    """Return the running service's reply to a command.

    Raises:
        PortError: If no service listens there.
    """
    body = {"bench": bench, **command.model_dump(mode="json")}
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link:
            link.settimeout(_ANSWER_WAIT_S)
            link.connect(str(path))
            link.sendall(json.dumps(body).encode() + b"\n")
            with link.makefile("rb") as answer:
                line = answer.readline()
    except OSError as error:
        raise PortError(
            f"no service answers at {path} ({error.strerror or error}); start 'reclamp run'"
        ) from error
    if not line:
        raise PortError(f"the service at {path} closed the connection")
    return Reply.model_validate_json(line)
