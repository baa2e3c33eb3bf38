"""What all payloads are made of: the base model, units, words, limits of size."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

CONTRACT = "1"
"""Version of the topics and payloads; told in ``about``."""


CLAMPING_POINTS_MAX = 200
"""A clamping's event carries its sweep thinned to at most this many points."""


RECENT_PIECES = 30


RECENT_CHECKS = 30


HOLDER_POINTS_MAX = 60
"""The holder's share over time is thinned to at most so many points."""


ResultWord = Literal["within", "beyond", "invalid"]


EventKind = Literal[
    "clamping", "verdict", "put-away", "correction", "lot", "master-check", "alarm"
]


CheckKind = Literal["run-out", "sensitivity", "static-step"]


CheckResult = Literal["good", "failed", "invalid"]


Um = Annotated[float, Field(description="micrometres, at most three decimals")]


Utc = Annotated[str, Field(description="RFC 3339, UTC, milliseconds, Z")]


Exact = Annotated[Decimal, Field(ge=0, le=10_000, decimal_places=3)]


InstrumentKind = Literal[
    "indicator",
    "pin",
    "holder",
    "mandrel",
    "reference-collet",
    "eccentric-master",
    "gauge-block",
    "torque-tool",
]


InboundFault = Literal["retained", "oversize", "unknown-bin", "wrong-json", "repeated", "stale"]
"""Why a message that came in was refused."""


class Payload(BaseModel):
    """Base of all payloads: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")
