"""A port to hear samples from, at one setting after the other. Sends only when told to."""

import contextlib
import os
import termios
import time
from typing import Self

import serial

from daemon.errors import PortError
from daemon.recognise.sample import Piece, Sample
from daemon.serial_port import open_trouble
from drivers import LineSettings

_READ_WAIT_S = 0.05
_SETTLE_S = 0.1
_QUIET_S = 0.05
_PACE_S = 0.02
_MOST_TURNS = 400
_TROUBLE = (OSError, ValueError, TypeError, AttributeError, termios.error)
"""What pyserial raises for a port that is gone, closed or can't do what was asked."""


class PortSource:
    """One port, opened once; its settings change while it is open.

    Attributes:
        url: Device path or pyserial URL.
    """

    def __init__(self, url: str, *, dtr: bool = True, rts: bool = True) -> None:
        """Prepare; the port opens with the context."""
        self.url = url
        self._levels = (dtr, rts)
        self._port: serial.Serial | None = None

    @property
    def knows_speed(self) -> bool:
        """False for a pseudo-terminal or a plain socket: settings change nothing there."""
        if "://" in self.url:
            return self.url.startswith("rfc2217://") and "ign_set_control" not in self.url
        return not os.path.realpath(self.url).startswith("/dev/pts/")

    def __enter__(self) -> Self:
        """Open the port.

        Raises:
            PortError: If that can't be done.
        """
        try:
            port = serial.serial_for_url(self.url, do_not_open=True)
            port.timeout = _READ_WAIT_S
            port.dtr, port.rts = self._levels
            if "://" not in self.url:
                port.exclusive = True
            port.open()
        except _TROUBLE as error:
            raise PortError(open_trouble(self.url, error)) from error
        self._port = port
        return self

    def __exit__(self, *error: object) -> None:
        """Close the port."""
        if self._port is not None:
            with contextlib.suppress(*_TROUBLE):
                self._port.close()

    def hear(
        self, settings: LineSettings, seconds: float, most_bytes: int, first_byte_s: float
    ) -> Sample:
        """Return what comes.

        Args:
            settings: Speed and framing to read it with.
            seconds: How long, from the first byte.
            most_bytes: Stop when so many came.
            first_byte_s: How long to wait for the first byte.

        Raises:
            PortError: If the port is gone, or knows no such settings.
        """
        pieces: list[Piece] = []
        count = 0
        try:
            port = self._set(settings)
            end = time.monotonic() + first_byte_s
            while time.monotonic() < end and count < most_bytes:
                data = self._read(port)
                if data and not pieces:
                    end = time.monotonic() + seconds
                if data:
                    pieces.append(Piece(time.monotonic_ns(), False, data))
                    count += len(data)
        except _TROUBLE as error:
            raise PortError(f"{self.url} is gone: {error}") from error
        return Sample(tuple(pieces))

    def ask(
        self, settings: LineSettings, request: bytes, wait_s: float, seconds: float
    ) -> Sample:
        """Return requests and answers: one, and more as long as there is time.

        Args:
            settings: Speed and framing.
            request: What is sent.
            wait_s: How long an answer may take to begin.
            seconds: For how long it is asked again and again; 0: once.

        Raises:
            PortError: If the port is gone, or knows no such settings.
        """
        pieces: list[Piece] = []
        try:
            port = self._set(settings)
            end = time.monotonic() + seconds
            while not pieces or (time.monotonic() < end and len(pieces) < 2 * _MOST_TURNS):
                pieces.append(Piece(time.monotonic_ns(), True, request))
                port.write(request)
                answer = self._answer(port, wait_s)
                pieces.append(Piece(time.monotonic_ns(), False, answer))
                time.sleep(_PACE_S)
        except _TROUBLE as error:
            raise PortError(f"{self.url} is gone: {error}") from error
        return Sample(tuple(piece for piece in pieces if piece.data))

    def _answer(self, port: serial.Serial, wait_s: float) -> bytes:
        """Return what comes until the line is quiet again."""
        answer = b""
        end = time.monotonic() + wait_s
        while time.monotonic() < end:
            data = self._read(port)
            if data:
                answer += data
                end = time.monotonic() + _QUIET_S
        return answer

    def _set(self, settings: LineSettings) -> serial.Serial:
        """Return the port with these settings; what was read with others is thrown away."""
        port = self._port
        if port is None:
            raise PortError(f"{self.url} is not open")
        if self.knows_speed and self._is_other(port, settings):
            port.baudrate = settings.baud
            port.bytesize = settings.data_bits
            port.parity = settings.parity
            port.stopbits = settings.stop_bits
            time.sleep(_SETTLE_S)
            port.reset_input_buffer()
            while port.in_waiting:
                port.read(port.in_waiting)
        return port

    @staticmethod
    def _is_other(port: serial.Serial, settings: LineSettings) -> bool:
        now = (port.baudrate, port.bytesize, port.parity, port.stopbits)
        wanted = (settings.baud, settings.data_bits, settings.parity, settings.stop_bits)
        return now != wanted

    @staticmethod
    def _read(port: serial.Serial) -> bytes:
        data: bytes = port.read(1)
        if data and (waiting := port.in_waiting):
            data += port.read(waiting)
        return data
