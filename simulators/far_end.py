"""The simulated far end of each wire pattern, by the name of its driver."""

from collections.abc import Callable, Mapping
from typing import Protocol

from rules.reading import Reading
from simulators.ascii_line import AsciiLineEncoder
from simulators.ascii_poll import AsciiPollResponder
from simulators.modbus_rtu import ModbusRtuResponder
from simulators.packed_bcd import PackedBcdResponder
from simulators.scpi import ScpiResponder


class FarEnd(Protocol):
    """An indicator's side of the wire: says readings, and answers requests."""

    def encode(self, reading: Reading) -> bytes:
        """Return the frame, or the answer, that says this reading.

        Raises:
            ValueError: If no frame of the pattern can say it.
        """

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return what to send back for these bytes, which may hold any part of a request.

        Args:
            chunk: The next bytes that came from the host.
            indication: Called with the channel of each request ("" where there is one
                indicator); returns what that indicator shows now.
        """


FAR_ENDS: Mapping[str, Callable[[Mapping[str, object]], FarEnd]] = {
    "ascii-line": AsciiLineEncoder,
    "ascii-poll": AsciiPollResponder,
    "modbus-rtu": ModbusRtuResponder,
    "packed-bcd": PackedBcdResponder,
    "scpi": ScpiResponder,
}
"""Driver name → the far end for the driver's options."""
