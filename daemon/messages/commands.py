"""What comes in over MQTT or the local socket, and its reply."""

from datetime import date
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field

from daemon.messages.words import Exact, InstrumentKind, Payload
from rules.separation import PinMoves


class Placed(Payload):
    """ROOT/BENCH/placed/BIN, inbound; an empty payload is taken as well."""

    id: Annotated[str, Field(min_length=1, max_length=200)] | None = None
    """Of this press: a second message of the same id is refused."""
    expires: AwareDatetime | None = None
    """Refused after this moment: a press that a queue kept confirms no later piece."""


class Command(Payload):
    """ROOT/BENCH/command, inbound, and a line on the local socket."""

    id: Annotated[str, Field(min_length=1, max_length=200)]
    """Of this command: taken once, and named in the reply."""
    expires: AwareDatetime | None = None
    """Refused after this moment. Over MQTT every command that changes something has it."""
    command: Literal[
        "lot-show",
        "lot-open",
        "lot-order",
        "lot-visual",
        "lot-rules",
        "lot-close",
        "lot-cell",
        "lot-resume-sampling",
        "box-change",
        "piece-show",
        "piece-retry",
        "piece-abandon",
        "piece-dispose",
        "box-dispose",
        "holder-moved",
        "master-check",
        "master-check-stop",
        "master-leaving",
        "master-changed",
        "master-status",
        "instrument-add",
        "instrument-withdraw",
        "instrument-list",
        "instrument-clock-right",
        "alarm-list",
        "alarm-ack",
        "alarm-shelve",
        "events",
    ]
    reason: Annotated[str, Field(max_length=500)] = ""
    role: Annotated[str, Field(max_length=100)] = ""
    piece: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    lot: Annotated[str, Field(max_length=80)] | None = None
    """``lot-open``: the code of the lot, used once a bench."""
    article: Annotated[str, Field(max_length=80)] | None = None
    quantity: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    """``lot-open``: pieces delivered; ``lot-order``: pieces ordered now."""
    order: dict[str, Annotated[int, Field(ge=1, le=1_000_000)]] = {}
    """``lot-open``: pieces ordered, by grade."""
    holder: Annotated[str, Field(max_length=80)] = ""
    pins: list[Annotated[str, Field(max_length=80)]] = []
    pin_moves: PinMoves | None = None
    """``lot-open``: what the pin goes along with when a collet is rotated."""
    torque_tool: Annotated[str, Field(max_length=80)] = ""
    """``lot-open``: what the nut is tightened with."""
    torque_nmm: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """``lot-open``: newton millimetres that it is set to; none: nobody said."""
    revision: Annotated[str, Field(max_length=60)] = ""
    """``lot-rules``: revision mark of the rule file as it is now."""
    bins_empty: bool = False
    """``lot-open``: somebody looked: the bins are empty or their boxes were changed."""
    grade: Annotated[str, Field(max_length=80)] | None = None
    finding: Literal["blemish", "surface", "burr", "other"] | None = None
    pieces: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    bin: Annotated[str, Field(max_length=80)] | None = None
    box: Annotated[str, Field(max_length=80)] = ""
    capacity: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    counted: Annotated[int, Field(ge=0, le=1_000_000)] | None = None
    """``lot-close``: unmeasured pieces counted in the tray."""
    mismatch: Annotated[str, Field(max_length=500)] = ""
    """``lot-close``: why the lot doesn't add up."""
    unproved: Annotated[str, Field(max_length=500)] = ""
    """``lot-close``: what becomes of a rest that is not proved."""
    cells: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """``lot-open``: numbered cells of the tray, from 1."""
    seed: Annotated[str, Field(max_length=200)] = ""
    """``lot-open``: of the draws; empty lets the service make one."""
    cell: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """``lot-cell``: found empty; ``lot-visual``: where the piece lay."""
    action: Literal["re-measure", "regrade", "scrap", "concession", "release"] | None = None
    """``piece-dispose``, ``box-dispose``: what is decided; with ``regrade`` its ``grade``."""
    instrument: "InstrumentEntry | None" = None
    """``instrument-add``; of ``instrument-withdraw`` its id alone."""
    changed: Literal["pin", "holder", "indicator"] | None = None
    """``master-changed``: what is another one now; ``master-leaving``: what will be."""
    code: Annotated[str, Field(max_length=80)] | None = None
    """``alarm-ack``, ``alarm-shelve``: which alarm."""
    for_min: Annotated[int, Field(ge=0, le=1440)] | None = None
    """``alarm-shelve``: minutes; 0 takes it off the shelf."""
    all: bool = False
    """``alarm-list``: the journal as well, newest first."""
    after_seq: Annotated[int, Field(ge=0, le=2**53)] | None = None
    """``events``: replay everything after this sequence number."""


class InstrumentEntry(Payload):
    """One entry of the register: a new instrument, or a new certificate of a known one.

    What is not given stays as the last certificate had it; ``due`` alone is always taken as
    it stands: none given, none due.
    """

    id: Annotated[str, Field(min_length=1, max_length=80)]
    kind: InstrumentKind | None = None
    """Needed the first time; the same ever after."""
    certificate: Annotated[str, Field(max_length=120)] = ""
    due: date | None = None
    """Last day on which the calibration is in date; none: it needs none."""
    form_um: Exact | None = None
    """Roundness of a pin."""
    tir_um: Exact | None = None
    """Run-out of a master."""
    uncertainty_um: Exact | None = None
    """U (k = 2) of ``tir_um`` or ``height_um``."""
    height_um: Exact | None = None
    """Height of a gauge block."""
    diameter_mm: Exact | None = None
    """Of a pin."""
    gripping_length_mm: Exact | None = None
    """How much of a pin is there for a collet to grip."""
    measuring_force_mn: Annotated[int, Field(ge=0, le=100_000)] | None = None
    """Of an indicator, in millinewtons."""


QUESTIONS = frozenset(
    {"lot-show", "piece-show", "instrument-list", "alarm-list", "events", "master-status"}
)
"""Commands that change nothing."""


class Reply(Payload):
    """ROOT/BENCH/reply, and a line back on the local socket."""

    id: str
    ok: bool
    text: str
    data: dict[str, object] | None = None
