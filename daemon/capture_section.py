"""The ``[bench.capture]`` table: what makes up one clamping, and what proves a turn."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field, model_validator

from daemon.toml_values import KeyFaultError, Micrometres, Seconds, Section
from rules.ruleset import Evidence
from rules.sweep import Proof


class CaptureSection(Section):
    """Which readings make up one clamping. Times in bench seconds, lengths in µm."""

    mode: Literal["sweep", "single-value"]
    turning: Literal["driven", "by-hand"] | None = None
    proof: Proof | None = None
    second_flag_deg: Annotated[int, Field(ge=20, le=340)] | None = None
    one_way_clutch: str | None = None
    run_contact: bool = False
    turn_s: Annotated[Seconds, Field(gt=0)] | None = None
    speed_tolerance_percent: Annotated[int, Field(ge=0, le=20)] = 5
    fastest_turn_s: Annotated[Seconds, Field(gt=0)] = 2.0
    slowest_turn_s: Annotated[Seconds, Field(gt=0)] = 12.0
    samples_min: Annotated[int, Field(ge=8, le=10_000)] = 24
    settle_s: Seconds = 0.5
    run_up_s: Seconds = 1.0
    moving_um: Annotated[Micrometres, Field(gt=0)] | None = None
    turn_wait_s: Annotated[Seconds, Field(gt=0)] = 120.0
    lift_s: Annotated[Seconds, Field(gt=0)] = 0.5
    removal_s: Annotated[Seconds, Field(gt=0)] = 2.0
    loosening_um: Annotated[Micrometres, Field(gt=0)] = Decimal(20)
    loosening_s: Annotated[Seconds, Field(gt=0)] = 0.4
    reclamp_min_s: Annotated[Seconds, Field(gt=0)] = 8.0
    loosening: Evidence | None = None

    @model_validator(mode="after")
    def _fits(self) -> "CaptureSection":
        if self.mode == "single-value":
            self._single_fits()
        elif self.loosening is not None:
            text = 'goes with mode = "single-value" only; sweeps see it themselves'
            raise KeyFaultError("loosening", text)
        elif self.turning == "by-hand":
            self._by_hand_fits()
        else:
            self._driven_fits()
        return self

    def _single_fits(self) -> None:
        if self.loosening != "not-observed":
            text = (
                "single values show no loosening; accepted is to say so openly with "
                'loosening = "not-observed"'
            )
            raise KeyFaultError("loosening", text)

    def _by_hand_fits(self) -> None:
        if self.proof not in ("index", "angle"):
            said = f"by hand nobody knows {self.proof or 'how it turns'}"
            text = f'{said}: a pin is rocked; accepted are "index" and "angle"'
            raise KeyFaultError("proof", text)
        if self.proof == "index" and not (self.one_way_clutch or self.second_flag_deg):
            text = (
                "by hand a pin is rocked about its high spot, and one index flag can't tell; "
                "accepted is the name of the one-way clutch that forbids it, or "
                "second_flag_deg, the angle of a second flag"
            )
            raise KeyFaultError("one_way_clutch", text)
        self._flags_fit()
        self._turns_fit()

    def _driven_fits(self) -> None:
        if self.turning is None:
            raise KeyFaultError("turning", 'a sweep needs it; accepted are "driven", "by-hand"')
        if self.proof is None:
            text = 'a sweep needs it; accepted are "index", "speed", "period", "angle"'
            raise KeyFaultError("proof", text)
        if self.proof == "speed" and self.turn_s is None:
            text = 'proof = "speed" needs it; accepted is the time of one turn in seconds'
            raise KeyFaultError("turn_s", text)
        self._flags_fit()
        self._turns_fit()
        if self.proof == "period" and self.slowest_turn_s >= 2 * self.fastest_turn_s:
            text = (
                'proof = "period": half the slowest turn would pass for a turn; accepted is '
                "less than twice fastest_turn_s"
            )
            raise KeyFaultError("slowest_turn_s", text)

    def _flags_fit(self) -> None:
        if self.second_flag_deg is None:
            return
        if self.proof != "index":
            raise KeyFaultError("second_flag_deg", 'goes with proof = "index" only')
        if 150 < self.second_flag_deg < 210:
            text = "the two ways round are too equal to tell; accepted are 20–150 and 210–340"
            raise KeyFaultError("second_flag_deg", text)

    def _turns_fit(self) -> None:
        if self.slowest_turn_s <= self.fastest_turn_s:
            raise KeyFaultError("slowest_turn_s", "accepted is more than fastest_turn_s")
        if self.turn_s is not None and not (
            self.fastest_turn_s <= self.turn_s <= self.slowest_turn_s
        ):
            text = "accepted is fastest_turn_s or more and slowest_turn_s or less"
            raise KeyFaultError("turn_s", text)
