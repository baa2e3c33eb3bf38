"""What a bench retains of itself: about, state, prompt."""

from typing import Literal

from daemon.messages.clamping import ClampingBrief
from daemon.messages.words import CheckKind, InboundFault, Payload, Um, Utc
from rules.signals import PromptWord, StateWord, WaitsFor


class About(Payload):
    """ROOT/BENCH/about, retained: what runs here."""

    software: str
    contract: str
    site: str
    timezone: str = "UTC"
    """The site's time zone, for clocks on a wall; all times on the wire are UTC."""
    bench: str
    title: str
    bench_sha256: str
    boot: str
    started: Utc
    speed: float = 1.0
    """Rate of the intervals' clock: above 1 only in the demo and in tests."""
    bins: list["BinAbout"]
    checks: list["CheckKind"] = []
    """Master checks asked for; none: nobody checks whether the bench is fit to judge."""
    unregistered: list[str] = []
    """Instruments in use that are in no register: nobody is told when they are overdue."""


class BinAbout(Payload):
    """One bin of the bench: letter and shape tell bins apart, never a hue."""

    id: str
    shape: str
    holds: str
    """grade id, ``hold`` or ``nonconforming``"""


class CheckStatus(Payload):
    """Whether the bench is fit to judge: when it was last checked, when it will be."""

    asked: list[CheckKind]
    """Kinds that make one good check together; none: the bench file asks for no checks."""
    level: Literal["off", "good", "soon", "due"]
    reasons: list[str] = []
    last_good: Utc | None = None
    pieces_left: int | None = None
    """Pieces until the next one is due; None where pieces make none due."""
    minutes_left: int | None = None
    kind: CheckKind | None = None
    """The check that is being made."""
    seat: int | None = None
    """Its seat, from 1."""
    span: Literal["none", "open"] = "none"
    """``open``: a good check was made, and what was graded since waits for the next one."""
    open_pieces: int = 0
    """Pieces of the lot graded since the last check, on hold or not: the next judges them."""
    held: int = 0
    """Pieces of the lot that a failed check or a decision keeps on hold."""


class State(Payload):
    """ROOT/BENCH/state, retained."""

    state: StateWord
    since: Utc
    waits_for: WaitsFor
    reason: str = ""
    """For people: why it is blocked or in fault, and what to do."""
    lot: str | None = None
    piece: int | None = None
    cycle: int | None = None
    clamping: int | None = None
    """Number of the clamping in work, from 1."""
    clampings: int | None = None
    """How many the best grade still in reach needs."""
    bin: str | None = None
    """Where the piece in hand belongs, in ``put-away``."""
    cell: int | None = None
    """Tray cell the next piece is taken from, while one is wanted."""
    tirs: list["ClampingBrief"] = []
    """Clampings of the cycle so far."""
    alarms: list[str] = []
    """Codes of those that stand and are not shelved."""
    refused: dict[InboundFault, int] = {}
    """Messages to this bench that were refused since the service started, by reason."""
    speed: float = 1.0
    check: CheckStatus | None = None
    """Whether the bench is fit to judge."""


class Prompt(Payload):
    """ROOT/BENCH/prompt, retained: what the operator does next."""

    word: PromptWord
    text: str
    cell: int | None = None
    """Tray cell the next piece is taken from, where the cells are numbered."""


class MasterAbout(Payload):
    """A thing of known run-out, or of known height."""

    id: str
    subject: Literal[
        "solid-mandrel", "taper-seat", "reference-collet", "eccentric-master", "gauge-block"
    ]
    tir_um: Um
    """0 of a gauge block."""
    uncertainty_um: Um
    """U (k = 2) by its certificate."""
    height_um: Um | None = None
    """Of a gauge block; null for others."""
