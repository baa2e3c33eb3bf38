"""A simulated serial port behind RFC 2217: speed, framing and modem lines as the client asks.

The protocol is pyserial's own ``PortManager``. Behind it stands no port but this module's
:class:`StandIn`, with a UART at either end of the wire: the indicator sends at its own speed
and parity, and the bytes the client gets are what its own settings make of the bits.
"""

from typing import Any, Literal

from serial import rfc2217

from daemon.modem_lines import ModemLine
from daemon.simulate.far_end import TcpEnd
from drivers import LineSettings
from simulators.uart import through_the_wire

_PARITIES: dict[str, Literal["N", "E", "O"]] = {"N": "N", "E": "E", "O": "O"}


class StandIn:
    """What ``PortManager`` takes for a serial port.

    A plain object: the attributes have the names pyserial gives them.
    """

    def __init__(self) -> None:
        self.baudrate = 9600
        self.bytesize = 8
        self.parity = "N"
        self.stopbits: float = 1
        self.xonxoff = False
        self.rtscts = False
        self.break_condition = False
        self.dtr = False
        self.rts = False
        self.cts = False
        self.dsr = False
        self.ri = False
        self.cd = False

    def reset_input_buffer(self) -> None:
        """Do nothing: what was sent is on its way."""

    def reset_output_buffer(self) -> None:
        """Do nothing."""

    @property
    def asked(self) -> LineSettings | None:
        """Return the settings asked for; None for those no UART of ours has."""
        parity = _PARITIES.get(self.parity)
        if parity is None or self.bytesize not in (7, 8):
            return None
        return LineSettings(
            self.baudrate, 7 if self.bytesize == 7 else 8, parity, 2 if self.stopbits > 1 else 1
        )


class Rfc2217End(TcpEnd):
    """A serial port server for one client.

    Attributes:
        port: The port as the client set it.
    """

    scheme = "rfc2217"

    def __init__(self, host: str, port: int, own: LineSettings) -> None:
        """Prepare.

        Args:
            host: Where to listen.
            port: The port; 0 for any free one.
            own: How the indicator sends.
        """
        super().__init__(host, port)
        self.port = StandIn()
        self._own = own
        self._manager: rfc2217.PortManager | None = None

    def write(self, data: bytes) -> bytes:
        """Send bytes from the indicator; return what the client's settings make of them."""
        asked = self.port.asked
        if asked is None:
            return b""
        alike = asked == self._own
        arriving = data if alike else through_the_wire(data, self._own, asked)
        if self._manager is not None:
            self._send(b"".join(self._manager.escape(arriving)))
        else:
            self.lost_bytes += len(arriving)
        return arriving

    def set_line(self, line: ModemLine, is_on: bool) -> None:
        """Set a modem line; a client that is there is told at once."""
        setattr(self.port, "cd" if line == "dcd" else line, is_on)
        if self._manager is not None:
            self._manager.check_modem_lines()

    # --- PortManager's connection ---

    def _connected(self) -> None:
        port: Any = self.port  # the stubs ask for a whole Serial; a few attributes do
        connection: Any = _Sender(self)
        self._manager = rfc2217.PortManager(port, connection)

    def _take(self, chunk: bytes) -> None:
        if self._manager is None:
            return
        heard = b"".join(self._manager.filter(chunk))
        asked = self.port.asked
        if heard and asked is not None:
            alike = asked == self._own
            self._heard(heard if alike else through_the_wire(heard, asked, self._own))

    def _drop(self) -> None:
        self._manager = None
        super()._drop()

    def send_raw(self, data: bytes) -> None:
        """Send bytes of the protocol."""
        self._send(data)


class _Sender:
    """The connection ``PortManager`` writes to."""

    def __init__(self, end: Rfc2217End) -> None:
        self._end = end

    def write(self, data: bytes) -> None:
        """Send bytes of the protocol."""
        self._end.send_raw(data)
