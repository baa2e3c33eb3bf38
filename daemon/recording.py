"""Recordings: what came in, as it came, before anything was made of it.

One line an entry, UTF-8 text, "#" starts a comment::

    AT_NS LINE < HEX           bytes from the line
    AT_NS LINE > HEX           bytes sent
    AT_NS LINE timed-out       the driver was told that no answer came in time
    AT_NS LINE opened
    AT_NS LINE lost REASON
    AT_NS LINE silent LIMIT_NS                  no reading for longer than this was noticed
    AT_NS LINE edge CONTACT on|off SINCE_NS     a modem line changed; debounced, so told later
    AT_NS LINE doubt CONTACT WHY                a modem line can't be believed; no WHY: it can
    AT_NS BENCH placed BIN
    AT_NS BENCH command JSON                    a command that acts, as its payload says it
    AT_NS BENCH rules JSON                      its rule file, read anew: its text or faults
    AT_NS BENCH tick                            the bench looked at the time

Times are monotonic nanoseconds. Entries stand in the order in which the service took them:
ports are read side by side, so their times may be a task switch out of order. A recording
with its bench and rule files gives the same verdicts every time: a complaint from the floor
becomes a file in the tests.
"""

import contextlib
import json
import logging
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Literal, get_args

from daemon.errors import RecordingError
from daemon.modem_lines import MODEM_LINES, ModemDoubt, ModemEdge, ModemEvent, ModemLine

log = logging.getLogger(__name__)

What = Literal[
    "<", ">", "timed-out", "opened", "lost", "silent", "edge", "doubt", "placed", "command",
    "rules", "tick",
]  # fmt: skip
OF_A_BENCH = frozenset({"placed", "command", "rules", "tick"})
"""Entries whose place is a bench; the place of all others is a line."""

_KNOWN: tuple[What, ...] = get_args(What)
_OUT_OF_ORDER_NS = 1_000_000_000
_EDGE = re.compile(r"(cts|dsr|dcd|ri) (on|off) ([0-9]+)")
_DIGITS_MAX = 20
_LIMIT = re.compile(r"[0-9]{1,20}")
_DOUBT = re.compile(r"(cts|dsr|dcd|ri)(?: (.*))?")


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: ``what`` happened on line (or bench) ``where``."""

    at_ns: int
    where: str
    what: What
    text: str = ""

    @property
    def data(self) -> bytes:
        """Return the bytes of a ``<`` or ``>`` entry."""
        return bytes.fromhex(self.text)

    def modem_event(self) -> ModemEvent | None:
        """Return what an ``edge`` or ``doubt`` entry says of a modem line; None for others."""
        if self.what == "edge" and (found := _EDGE.fullmatch(self.text)):
            return ModemEdge(self.at_ns, _line(found[1]), found[2] == "on", int(found[3]))
        if self.what == "doubt" and (found := _DOUBT.fullmatch(self.text)):
            return ModemDoubt(self.at_ns, _line(found[1]), found[2] or "")
        return None


def _line(name: str) -> ModemLine:
    return next(line for line in MODEM_LINES if line == name)


class Recorder:
    """Writes entries to a file as they come."""

    def __init__(self, path: Path) -> None:
        """Open the file; an existing one is not overwritten.

        Raises:
            RecordingError: If it exists or can't be written.
        """
        try:
            self._file: IO[str] | None = path.open("x", encoding="utf-8")
        except OSError as error:
            raise RecordingError(f"{path}: {error.strerror}") from error
        self._path = path

    def note(self, at_ns: int, where: str, what: What, text: str = "") -> None:
        """Write one entry; a full disk ends the recording, never the measuring."""
        if self._file is None:
            return
        text = " ".join(text.splitlines())  # an entry is a line, whatever a system says
        try:
            self._file.write(f"{at_ns} {where} {what} {text}".rstrip() + "\n")
        except OSError as error:
            log.error("%s: the recording ends here: %s", self._path, error.strerror)
            self._let_go()

    def note_modem(self, where: str, event: ModemEvent) -> None:
        """Write what a modem line said."""
        if isinstance(event, ModemEdge):
            text = f"{event.line} {'on' if event.is_on else 'off'} {event.since_ns}"
            self.note(event.at_ns, where, "edge", text)
        else:
            self.note(event.at_ns, where, "doubt", f"{event.line} {event.why}")

    def close(self) -> None:
        """Close the file."""
        try:
            if self._file is not None:
                self._file.close()
        except OSError as error:
            log.error("%s: its last entries are lost: %s", self._path, error.strerror)
            self._let_go()

    def _let_go(self) -> None:
        """Close without writing what is still to be written: it can't be."""
        file, self._file = self._file, None
        with contextlib.suppress(OSError):
            if file is not None:
                file.close()


def read_recording(path: Path) -> Iterator[Entry]:
    """Return the entries of a recording, in order.

    Raises:
        RecordingError: With file and line number, what was wrong and what is accepted.
    """
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except OSError as error:
        raise RecordingError(f"{path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise RecordingError(f"{path}: no UTF-8 text: {error.reason}") from error
    last_ns = 0
    for number, line in enumerate(lines, start=1):
        if not line.strip() or line.startswith("#"):
            continue
        entry = _parse(line, f"{path}:{number}")
        if entry.at_ns < last_ns - _OUT_OF_ORDER_NS:
            raise RecordingError(
                f"{path}:{number}: time runs backwards; accepted is {last_ns} or later, "
                "give or take a second"
            )
        last_ns = max(last_ns, entry.at_ns)
        yield entry


def _parse(line: str, place: str) -> Entry:
    parts = line.split(" ", 3)
    if len(parts) < 3 or not parts[0].isdecimal() or len(parts[0]) > _DIGITS_MAX:
        raise RecordingError(f"{place}: {line[:40]!r}; accepted is AT_NS LINE WHAT [TEXT]")
    what = next((known for known in _KNOWN if known == parts[2]), None)
    if what is None:
        raise RecordingError(f"{place}: {parts[2]!r}; accepted are {', '.join(_KNOWN)}")
    entry = Entry(int(parts[0]), parts[1], what, parts[3] if len(parts) > 3 else "")
    if what in "<>":
        try:
            bytes.fromhex(entry.text)
        except ValueError as error:
            raise RecordingError(f"{place}: no hex: {error}; accepted is e.g. 2b30") from error
    if what == "silent" and not _LIMIT.fullmatch(entry.text):
        raise RecordingError(f"{place}: {entry.text!r}; accepted is silent LIMIT_NS")
    if what == "placed" and not entry.text:
        raise RecordingError(f"{place}: accepted is placed BIN")
    if what in ("command", "rules"):
        _check_json(entry.text, place)
    if what in ("edge", "doubt") and entry.modem_event() is None:
        accepted = "CONTACT on|off SINCE_NS" if what == "edge" else "CONTACT WHY"
        raise RecordingError(f"{place}: {entry.text!r}; accepted is {what} {accepted}")
    return entry


def _check_json(text: str, place: str) -> None:
    try:
        found = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise RecordingError(f"{place}: {error}; accepted is command JSON") from error
    if not isinstance(found, dict):
        raise RecordingError(f"{place}: {text[:40]!r}; accepted is a JSON object")
