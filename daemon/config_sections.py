"""The tables of a bench file, one pydantic model each; numbers carry units in their names."""

from decimal import Decimal
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from daemon.broker import parse_url
from daemon.toml_file import Number, Seconds, Section, Word
from rules.capture_model import Signal
from rules.put_away import Confirmation
from rules.ruleset import Evidence


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
            raise ValueError(f"{value!r} is no time zone; accepted is e.g. UTC") from error
        return value


class StoreSection(Section):
    """Where the record is kept; a relative path is relative to the bench file."""

    path: Annotated[str, Field(min_length=1)]


class MqttSection(Section):
    """The broker. Secrets stand in files of their own."""

    url: str = "mqtt://127.0.0.1:1883"
    root: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$")] = "reclamp"
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    password_file: str | None = None
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None

    @field_validator("url")
    @classmethod
    def _is_a_broker(cls, value: str) -> str:
        parse_url(value)
        return value


class LineSection(Section):
    """One serial line: a port, how it is spoken, and who decodes it."""

    id: Word
    port: Annotated[str, Field(min_length=1)]
    driver: Annotated[str, Field(min_length=1)]
    options: dict[str, object] = {}
    baud: Annotated[int, Field(ge=50, le=4_000_000)] | None = None
    framing: Annotated[str, Field(pattern=r"^[78][NEO][12]$")] | None = None
    dtr: bool = True
    rts: bool = True
    open_wait_s: Seconds = 0.3
    request_every_s: Annotated[Seconds, Field(gt=0)] = 0.05
    answer_wait_s: Annotated[Seconds, Field(gt=0)] = 0.5
    silent_s: Seconds = 1.5


class IndicatorSection(Section):
    """One indicator of a bench."""

    id: Word
    line: str
    channel: str = ""
    position: Word = "far"
    projection_mm: Number | None = None
    step_um: Number
    window_um: Annotated[list[Number], Field(min_length=2, max_length=2)] | None = None

    @model_validator(mode="after")
    def _in_order(self) -> "IndicatorSection":
        if self.step_um <= 0:
            raise ValueError("step_um: accepted is a step above 0")
        if self.window_um is not None and self.window_um[0] >= self.window_um[1]:
            raise ValueError("window_um: accepted is [low, high] with low below high")
        return self


class CaptureSection(Section):
    """Which readings make up one clamping. Times in bench seconds, lengths in µm."""

    mode: Literal["sweep", "single-value"]
    turning: Literal["driven", "by-hand"] | None = None
    proof: Literal["index", "speed"] | None = None
    one_way_clutch: str | None = None
    run_contact: bool = False
    turn_s: Annotated[Seconds, Field(gt=0)] | None = None
    speed_tolerance_percent: Annotated[int, Field(ge=0, le=20)] = 5
    fastest_turn_s: Annotated[Seconds, Field(gt=0)] = 2.0
    slowest_turn_s: Annotated[Seconds, Field(gt=0)] = 12.0
    samples_min: Annotated[int, Field(ge=8, le=10_000)] = 24
    settle_s: Seconds = 0.5
    run_up_s: Seconds = 1.0
    moving_um: Number | None = None
    turn_wait_s: Annotated[Seconds, Field(gt=0)] = 120.0
    lift_s: Annotated[Seconds, Field(gt=0)] = 0.5
    removal_s: Annotated[Seconds, Field(gt=0)] = 2.0
    loosening_um: Number = Decimal(20)
    loosening_s: Annotated[Seconds, Field(gt=0)] = 0.4
    reclamp_min_s: Annotated[Seconds, Field(gt=0)] = 8.0
    loosening: Evidence | None = None

    @model_validator(mode="after")
    def _fits(self) -> "CaptureSection":
        fault = self._single_fault() if self.mode == "single-value" else self._sweep_fault()
        if fault is not None:
            raise ValueError(fault)
        return self

    def _single_fault(self) -> str | None:
        if self.loosening != "not-observed":
            return (
                "loosening: single values show no loosening; say so openly with "
                'loosening = "not-observed"'
            )
        return None

    def _sweep_fault(self) -> str | None:
        if self.loosening is not None:
            return 'loosening: goes with mode = "single-value" only; sweeps see it themselves'
        if self.turning is None or self.proof is None:
            return 'turning, proof: a sweep needs both, e.g. "driven" and "index"'
        if self.proof == "speed" and self.turn_s is None:
            return 'turn_s: proof = "speed" needs the time of a turn'
        if self.turning == "by-hand":
            return self._by_hand_fault()
        if self.slowest_turn_s <= self.fastest_turn_s:
            return "slowest_turn_s: accepted is more than fastest_turn_s"
        return None

    def _by_hand_fault(self) -> str | None:
        if self.proof == "speed":
            return 'proof: by hand nobody knows the speed; accepted is "index"'
        if not self.one_way_clutch:
            return (
                "one_way_clutch: by hand a pin is rocked about its high spot, and one index "
                "flag can't tell; name the one-way clutch that forbids it"
            )
        return None


class PutAwaySection(Section):
    """How a piece is known to lie in its bin."""

    by: Annotated[list[Confirmation], Field(min_length=1)] = ["bin"]
    identity: Literal["box", "tray"] = "box"


class BenchBinSection(Section):
    """One bin: letter and shape tell it apart; the words its lamp takes may be set."""

    id: Word
    shape: Literal["ring", "square", "pentagon", "bar", "triangle", "cross", "diamond"]
    box: str | None = None
    lamp_words: dict[Literal["off", "on", "slow", "fast"], str] = {}


class LotSection(Section):
    """A lot that is opened at start, if none is open."""

    code: Annotated[str, Field(min_length=1, max_length=80)]
    article: Annotated[str, Field(min_length=1, max_length=80)]
    quantity: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    order: dict[str, Annotated[int, Field(ge=1, le=1_000_000)]] = {}
    holder: str = ""
    pins: list[str] = []
    role: str = "operator"


class BenchSection(Section):
    """One bench: its indicators, capture, bins, and the rule file in force."""

    id: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", max_length=40)]
    title: str = ""
    rules: Annotated[str, Field(min_length=1)]
    indicator: Annotated[list[IndicatorSection], Field(min_length=1)]
    capture: CaptureSection
    put_away: PutAwaySection = PutAwaySection()
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
