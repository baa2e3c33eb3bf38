"""WHAT AN INDICATOR SAYS: sans-I/O drivers, one file a wire pattern."""

from drivers.contract import (
    MAX_FRAME_BYTES,
    BadFrame,
    Driver,
    Guard,
    LineSettings,
    MakeDriver,
    OptionError,
)
from rules.reading import Reading

__all__ = [
    "MAX_FRAME_BYTES",
    "BadFrame",
    "Driver",
    "Guard",
    "LineSettings",
    "MakeDriver",
    "OptionError",
    "Reading",
]
