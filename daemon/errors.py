"""What can go wrong at the edges.

ReclampError
├── ConfigError         a bench or rule file is wrong: every fault, each with its key
├── UnknownDriverError  a driver name nobody brings
├── DriverMakeError     a driver's factory fails, or makes something else
├── PortError           a port can't be opened
├── StoreError          the record can't be kept: nothing may be graded
├── BrokerError         a broker can't be reached where one is needed at once
├── PictureError        a picture can't be written
├── ExportError         an export can't be written
└── RecordingError      a recording can't be read
"""

from collections.abc import Sequence
from pathlib import Path


class ReclampError(Exception):
    """Base of all errors a command reports in one line."""


class ConfigError(ReclampError):
    """A bench or rule file that is wrong.

    Attributes:
        faults: One line each, ``FILE: KEY: what was wrong, what is accepted``.
    """

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("\n".join(faults))
        self.faults = tuple(faults)


class UnknownDriverError(ReclampError):
    """No driver of that name.

    Attributes:
        name: What was asked for.
        known: What there is.
    """

    def __init__(self, name: str, known: Sequence[str], why: str = "") -> None:
        text = f"no driver {name!r}{why}; accepted are {', '.join(known)} or FILE.py:NAME"
        super().__init__(text)
        self.name = name
        self.known = tuple(known)


class DriverMakeError(ReclampError):
    """A driver's factory that fails in a way of its own, or makes what is no driver."""


class PortError(ReclampError):
    """A port can't be opened; the message names it and what to look at."""


class StoreError(ReclampError):
    """The store can't keep a record.

    Attributes:
        path: Its file.
    """

    def __init__(self, path: Path, why: str) -> None:
        super().__init__(f"{path}: {why}")
        self.path = path


class BrokerError(ReclampError):
    """No broker where a command needs one at once."""


class PictureError(ReclampError):
    """A picture that can't be written; the message names the file and what to do."""


class ExportError(ReclampError):
    """An export that can't be written; the message names the file."""


class RecordingError(ReclampError):
    """A recording that can't be read; the message names file and line."""
