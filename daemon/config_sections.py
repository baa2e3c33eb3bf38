"""The tables of a bench file, one pydantic model each; numbers carry units in their names."""

from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from daemon.broker import parse_url
from daemon.capture_section import CaptureSection
from daemon.check_section import CheckSection
from daemon.modem_lines import ModemLine
from daemon.toml_values import (
    KeyFaultError,
    Micrometres,
    Number,
    Seconds,
    Section,
    SignedSeconds,
    Text,
    Torque,
    Word,
    matching,
)
from rules.capture_model import Signal
from rules.lot_instruments import LotInstruments
from rules.put_away import Confirmation
from rules.rotation import Along, Sense
from rules.separation import PinMoves

_TOPIC = "[^+#$\\x00-\\x1f/][^+#\\x00-\\x1f]{0,199}"
_A_TOPIC = 'is a whole topic of at most 200 characters, without "+" and "#"'


class SiteSection(Section):
    """Whose benches these are."""

    name: Word
    timezone: str = "UTC"

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (KeyError, ValueError, OSError) as error:
            text = f"got {value!r}; accepted is a zone's name, such as UTC or Europe/Berlin"
            raise ValueError(text) from error
        return value


class StoreSection(Section):
    """Where the record is kept; a relative path is relative to the bench file."""

    path: Text


class MqttSection(Section):
    """The broker. Secrets stand in files of their own."""

    url: str = "mqtt://127.0.0.1:1883"
    root: Annotated[
        str,
        matching(
            "[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*",
            'is a topic of letters, digits, "-" and "_", its levels parted by "/"',
        ),
    ] = "reclamp"
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    password_file: Text | None = None
    ca_file: Text | None = None
    cert_file: Text | None = None
    key_file: Text | None = None

    @field_validator("url")
    @classmethod
    def _is_a_broker(cls, value: str) -> str:
        parse_url(value)
        return value

    @model_validator(mode="after")
    def _files_fit(self) -> "MqttSection":
        if (self.cert_file is None) != (self.key_file is None):
            raise KeyFaultError("cert_file", "accepted is cert_file and key_file, or neither")
        if self.ca_file is not None and self.url.startswith("mqtt://"):
            raise KeyFaultError(
                "ca_file", "mqtt:// is not encrypted; accepted is url mqtts://…"
            )
        return self


class LineSection(Section):
    """One serial line: a port, how it is spoken, who decodes it, what its modem lines say.

    A line without ``driver`` has no indicator: only its ``signals`` speak. Signals belong to
    the bench whose indicators sit on the line; where that is none or several, ``bench`` says
    which. A signal that is wired so is not read from flags in a frame.
    """

    id: Word
    port: Text
    driver: Text | None = None
    options: dict[str, object] = {}
    baud: Annotated[int, Field(ge=50, le=4_000_000)] | None = None
    framing: (
        Annotated[
            str, matching("[78][NEO][12]", 'are "8N1", "7E1", "7O1", "8N2" and their like')
        ]
        | None
    ) = None
    dtr: bool = True
    rts: bool = True
    low_latency: bool = True
    signals: dict[ModemLine, Signal] = {}
    bench: str | None = None
    idle_on: list[ModemLine] = []
    debounce_s: Annotated[Seconds, Field(ge=0.005, le=0.5)] = 0.03
    held_s: Annotated[Seconds, Field(ge=3)] = 30.0
    open_wait_s: Seconds = 0.3
    request_every_s: Annotated[Seconds, Field(gt=0)] = 0.05
    answer_wait_s: Annotated[Seconds, Field(gt=0)] = 0.5
    silent_s: Seconds | None = None
    """None: 1.5 s under sweeps, never under single values, which come when a key is pressed."""

    @model_validator(mode="after")
    def _idle_lines_say_something(self) -> "LineSection":
        extra = [line for line in self.idle_on if line not in self.signals]
        if extra:
            accepted = ", ".join(self.signals) or "none: there are no signals"
            text = f"{extra[0]!r} is no key of signals; accepted are {accepted}"
            raise KeyFaultError("idle_on", text)
        return self


class IndicatorSection(Section):
    """One indicator of a bench."""

    id: Word
    line: str
    channel: str = ""
    position: Word = "far"
    projection_mm: Annotated[Number, Field(gt=0, le=1000)] | None = None
    step_um: Annotated[Micrometres, Field(gt=0)]
    delay_s: Annotated[SignedSeconds, Field(ge=-2, le=2)] = 0.0
    """By how much it speaks later than what marks the angle; only directions need it."""

    window_um: Annotated[list[Micrometres], Field(min_length=2, max_length=2)] | None = None

    @model_validator(mode="after")
    def _in_order(self) -> "IndicatorSection":
        if self.window_um is not None and self.window_um[0] >= self.window_um[1]:
            raise KeyFaultError("window_um", "accepted is [low, high] with low below high")
        return self


class PutAwaySection(Section):
    """How a piece is known to lie in its bin."""

    by: Annotated[list[Confirmation], Field(min_length=1)] = ["bin"]
    identity: Literal["box", "tray"] = "box"
    confirm_within_s: Annotated[Seconds, Field(ge=5)] = 60.0
    """Nothing moved for so long and nobody confirmed: an alarm."""


class FootSwitchSection(Section):
    """How a press of the foot switch is read."""

    long_press_s: Annotated[Seconds, Field(ge=0.5, le=2.5)] = 1.5


class RotationSection(Section):
    """Which way things turn, as seen by somebody who looks at the collet's face."""

    spindle: Sense | None = None
    """None: nobody said so; the prompt then names the spindle's way."""

    collet: Along = "with-spindle"
    """How the collet is rotated by a third between two clampings."""


class HolderSection(Section):
    """What the holder, spindle and nut may add to the run-out."""

    share_limit_um: Annotated[Micrometres, Field(gt=0)] | None = None
    """As TIR. None: what the rule file's grades from one clamping can bear."""


class BenchBinSection(Section):
    """One bin: letter and shape tell it apart; the words its lamp takes may be set."""

    id: Word
    shape: Literal["ring", "square", "pentagon", "bar", "triangle", "cross", "diamond"]
    box: Text | None = None
    capacity: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """Pieces its first box holds."""

    lamp_words: dict[Literal["off", "on", "slow", "fast"], Text] = {}
    lamp_topic: Annotated[Text, matching(_TOPIC, _A_TOPIC)] | None = None
    """A dumb lamp's own topic, whole: the words go there, ROOT/BENCH/lamp/BIN keeps ours."""

    @model_validator(mode="after")
    def _lamp_can_tell(self) -> "BenchBinSection":
        words = {"off": "off", "on": "on", "slow": "slow", "fast": "fast", **self.lamp_words}
        if len(set(words.values())) < len(words):
            got = ", ".join(f"{what} = {word!r}" for what, word in words.items())
            raise KeyFaultError("lamp_words", f"got {got}; accepted are four different words")
        return self


class LotSection(Section):
    """A lot that is opened at start, if none is open."""

    code: Annotated[Text, Field(max_length=80)]
    article: Annotated[Text, Field(max_length=80)]
    quantity: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    order: dict[str, Annotated[int, Field(ge=1, le=1_000_000)]] = {}
    cells: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    """Numbered cells of the tray, from 1; None: they are not numbered."""

    seed: Annotated[Text, Field(max_length=200)] | None = None
    """Of the draws; None makes one, which is the better record."""

    holder: str = ""
    pins: list[Text] = []
    pin_moves: PinMoves | None = None
    """None: nobody said so; what the pin itself adds then counts for nobody knows whom."""

    torque_tool: str = ""
    """What the nut is tightened with, as the register has it."""

    torque_nmm: Torque | None = None
    """What that is set to; None: nobody said."""

    role: Text = "operator"

    @property
    def instruments(self) -> LotInstruments:
        """Return what it is measured with."""
        return LotInstruments(self.holder, tuple(self.pins), self.torque_tool, self.torque_nmm)

    @model_validator(mode="after")
    def _pieces_have_cells(self) -> "LotSection":
        if self.cells is not None and (self.quantity is None or self.cells < self.quantity):
            text = f"got {self.cells}; accepted is quantity or more, with a quantity"
            raise KeyFaultError("cells", text)
        return self


class BenchSection(Section):
    """One bench: its indicators, capture, bins, and the rule file in force."""

    id: Annotated[
        str,
        matching("[a-z0-9][a-z0-9-]{0,39}", 'are 1 to 40 lower-case letters, digits and "-"'),
    ]
    title: str = ""
    rules: Text
    takt_s: Annotated[Seconds, Field(gt=0)] | None = None
    """Time that demand allows a piece; shown beside the time it really takes."""

    indicator: Annotated[list[IndicatorSection], Field(min_length=1)]
    capture: CaptureSection
    put_away: PutAwaySection = PutAwaySection()
    foot_switch: FootSwitchSection = FootSwitchSection()
    rotation: RotationSection = RotationSection()
    holder: HolderSection = HolderSection()
    check: CheckSection = CheckSection()
    bin: Annotated[list[BenchBinSection], Field(min_length=1)]
    lot: LotSection | None = None


class BenchFile(Section):
    """The whole bench file."""

    site: SiteSection
    store: StoreSection
    mqtt: MqttSection = MqttSection()
    line: Annotated[list[LineSection], Field(min_length=1)]
    bench: Annotated[list[BenchSection], Field(min_length=1)]


SIGNALS: tuple[Signal, ...] = ("index", "foot", "torque", "run")
