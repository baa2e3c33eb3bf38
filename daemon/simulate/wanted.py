"""What a simulated line shall be: the command's words, read and checked."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, get_args

from daemon.modem_lines import MODEM_LINES, ModemLine
from drivers import LineSettings
from simulators.bench import Contact
from simulators.faults import LineFaults

Word = Literal[
    "unplug", "plug", "freeze", "thaw", "switch-unit", "switch-back", "silence", "speak",
    "stop",
]  # fmt: skip
WORDS: tuple[Word, ...] = get_args(Word)

LOOPBACK = "127.0.0.1"
_NET = re.compile(r"(?P<kind>tcp|rfc2217):(?:(?P<host>[^:]+):)?(?P<port>[0-9]{1,5})")
_SETTINGS = re.compile(r"([0-9]+)[ ,-]([78])([NEO])([12])")
_CONTACTS: tuple[Contact, ...] = get_args(Contact)


@dataclass(frozen=True, slots=True)
class EndWanted:
    """Where the line shall be opened.

    Attributes:
        kind: What it is.
        host: Where to listen; "" for a pseudo-terminal.
        port: On which port, 0 for any free one.
        link: Name of the pseudo-terminal.
    """

    kind: Literal["pty", "tcp", "rfc2217"]
    host: str = ""
    port: int = 0
    link: Path = Path()


@dataclass(frozen=True, slots=True)
class Wanted:
    """A simulated line and the bench behind it.

    Attributes:
        pattern: Driver name of its wire pattern.
        options: The driver's options.
        own: How the indicator sends.
        sampled: How the reader's UART is set, where the line itself can't tell; None: alike.
        end: Where it is opened.
        wiring: Which modem line each wired contact is on.
        faults: What happens to frames by chance.
        plan: Bench seconds and what happens then.
        rate_hz: Frames a second of an indicator that sends by itself.
        seed: Of all chance.
        pieces: Pieces in the tray.
        lot: Demo bench whose lot lies in it.
    """

    pattern: str
    options: Mapping[str, object]
    own: LineSettings
    end: EndWanted
    sampled: LineSettings | None = None
    wiring: Mapping[Contact, ModemLine] = field(default_factory=dict)
    faults: LineFaults = field(default_factory=LineFaults)
    plan: Sequence[tuple[float, Word]] = ()
    rate_hz: int = 20
    seed: int = 1
    pieces: int = 120
    lot: str = "b1"


def read_end(text: str) -> EndWanted:
    """Return where a line is opened.

    Args:
        text: ``pty:NAME``, ``tcp:[HOST:]PORT`` or ``rfc2217:[HOST:]PORT``.

    Raises:
        ValueError: If it is written otherwise, with what is accepted.
    """
    found = _NET.fullmatch(text)
    if found and int(found["port"]) <= 65535:
        kind: Literal["tcp", "rfc2217"] = "tcp" if found["kind"] == "tcp" else "rfc2217"
        return EndWanted(kind, found["host"] or LOOPBACK, int(found["port"]))
    if text.startswith("pty:") and len(text) > len("pty:"):
        return EndWanted("pty", link=Path(text.removeprefix("pty:")))
    raise ValueError(
        f"--port {text}: accepted is pty:NAME, tcp:[HOST:]PORT or rfc2217:[HOST:]PORT, "
        "port 0 for any free one"
    )


def read_settings(text: str) -> LineSettings:
    """Return speed and framing written as ``9600-8N1``.

    Raises:
        ValueError: If it is written otherwise.
    """
    found = _SETTINGS.fullmatch(text)
    if found is None or int(found[1]) < 1:
        raise ValueError(f"--sampled {text}: accepted is e.g. 9600-8N1")
    parity: Literal["N", "E", "O"] = "N" if found[3] == "N" else "E" if found[3] == "E" else "O"
    return LineSettings(
        int(found[1]), 7 if found[2] == "7" else 8, parity, 1 if found[4] == "1" else 2
    )


def read_wiring(texts: Sequence[str]) -> dict[Contact, ModemLine]:
    """Return contacts wired to modem lines, each written as ``dsr=index``.

    Raises:
        ValueError: If one is written otherwise, or two share a line.
    """
    found: dict[Contact, ModemLine] = {}
    for text in texts:
        name, _, said = text.partition("=")
        line = next((known for known in MODEM_LINES if known == name), None)
        contact = next((known for known in _CONTACTS if known == said), None)
        if line is None or contact is None or contact in found or line in found.values():
            raise ValueError(
                f"--signal {text}: accepted is LINE=CONTACT, each once, with a LINE of "
                f"{', '.join(MODEM_LINES)} and a CONTACT of {', '.join(_CONTACTS)}"
            )
        found[contact] = line
    return found


def read_plan(texts: Sequence[str]) -> list[tuple[float, Word]]:
    """Return what happens when, each written as ``12.5=unplug``.

    Raises:
        ValueError: If one is written otherwise.
    """
    found: list[tuple[float, Word]] = []
    for text in texts:
        at, _, said = text.partition("=")
        word = next((known for known in WORDS if known == said), None)
        if word is None or not re.fullmatch(r"[0-9]+(\.[0-9]+)?", at):
            raise ValueError(
                f"--at {text}: accepted is SECONDS=WORD with a WORD of {', '.join(WORDS)}"
            )
        found.append((float(at), word))
    return found
