"""The answering side of Modbus RTU: units with an indicator's value in their registers.

Takes the options of a bench file that the driver takes, and nothing from the driver.
"MODBUS Application Protocol Specification V1.1b3", sections 6.3, 6.4 and 7.
"""

import struct
from collections.abc import Callable, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import cast

from rules.length import NM_PER_INCH, NM_PER_MM
from rules.reading import Reading
from simulators.checksum import checksum

_NM_PER_UNIT = {"mm": NM_PER_MM, "inch": NM_PER_INCH, "um": NM_PER_MM // 1000}
_REQUEST_BYTES = 8
_MOST_REGISTERS = 125
_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3


class ModbusRtuResponder:
    """Answers requests for registers, with exceptions where they ask for none of its own.

    The options are taken to be right: a driver's ``make`` tells a person what is wrong.
    """

    def __init__(self, options: Mapping[str, object]) -> None:
        self._options = options
        unit_ids = options["unit_id"]
        self._unit_ids = [unit_ids] if isinstance(unit_ids, int) else cast(list[int], unit_ids)
        self._function = int(str(options["function"]))
        base = int(str(options["address_base"]))
        self._value_address = int(str(options["address"])) - base
        status = cast(Mapping[str, object], options.get("status", {}))
        self._status_address = int(str(status["address"])) - base if status else None
        self._bits = cast(Mapping[str, str], status.get("bits", {}))
        self._pending = b""

    def encode(self, reading: Reading) -> bytes:
        """Return the answer to a request for all its registers.

        Raises:
            ValueError: If the registers can't say the reading.
        """
        registers = self._registers(reading)
        unit_id = int(reading.channel or self._unit_ids[0])
        first = min(registers)
        return self._data(unit_id, registers, first, max(registers) - first + 1)

    def respond(self, chunk: bytes, indication: Callable[[str], Reading]) -> bytes:
        """Return what to send back for these bytes; empty while no request is whole.

        Args:
            chunk: The next bytes that came from the host.
            indication: Called with the unit id of each request; returns what that unit's
                indicator shows now.
        """
        self._pending += chunk
        answers = b""
        while len(self._pending) >= _REQUEST_BYTES:
            request = self._pending[:_REQUEST_BYTES]
            if request[0] in self._unit_ids and request == _with_crc(request[:-2]):
                self._pending = self._pending[_REQUEST_BYTES:]
                answers += self._answer(request, indication)
            else:
                self._pending = self._pending[1:]
        return answers

    def _answer(self, request: bytes, indication: Callable[[str], Reading]) -> bytes:
        unit_id, function, address, count = struct.unpack(">BBHH", request[:6])
        if function != self._function:
            return _with_crc(bytes((unit_id, function | 0x80, _ILLEGAL_FUNCTION)))
        if not 1 <= count <= _MOST_REGISTERS:
            return _with_crc(bytes((unit_id, function | 0x80, _ILLEGAL_VALUE)))
        channel = str(unit_id)
        registers = self._registers(replace(indication(channel), channel=channel))
        if address < min(registers) or address + count - 1 > max(registers):
            return _with_crc(bytes((unit_id, function | 0x80, _ILLEGAL_ADDRESS)))
        return self._data(unit_id, registers, address, count)

    def _data(
        self, unit_id: int, registers: Mapping[int, bytes], first: int, count: int
    ) -> bytes:
        data = b"".join(registers.get(first + place, b"\0\0") for place in range(count))
        return _with_crc(bytes((unit_id, self._function, len(data))) + data)

    def _registers(self, reading: Reading) -> dict[int, bytes]:
        """Return address → the register's two bytes, in the order of the wire."""
        raw = self._number(reading)
        order = str(self._options.get("byte_order", "AB"))
        wire = bytes(raw["ABCD".index(letter)] for letter in order)
        registers = {
            self._value_address + place // 2: wire[place : place + 2]
            for place in range(0, len(wire), 2)
        }
        if self._status_address is not None:
            registers[self._status_address] = self._status(reading)
        return registers

    def _number(self, reading: Reading) -> bytes:
        unit = str(self._options["unit"])
        if reading.unit != unit.replace("um", "mm"):
            raise ValueError(f"the registers can't say the unit {reading.unit}")
        scale = Decimal(str(self._options.get("scale", "1")))
        number_format = str(self._options["format"])
        if reading.value_nm is None:
            return self._over_range(number_format)
        exact = Decimal(reading.value_nm) / _NM_PER_UNIT[unit] / scale
        if number_format == "float32":
            return struct.pack(">f", float(exact))
        if exact != round(exact):
            raise ValueError(f"{reading.value_nm} nm is no whole number of steps")
        return round(exact).to_bytes(2 if number_format == "int16" else 4, signed=True)

    def _over_range(self, number_format: str) -> bytes:
        numbers = self._options.get("over_range", [])
        listed = [numbers] if isinstance(numbers, int) else cast(list[int], numbers)
        if number_format == "float32":
            if "over-range" not in self._bits.values():
                raise ValueError("the registers can't say over-range")
            return struct.pack(">f", 99.0)
        if not listed and "over-range" not in self._bits.values():
            raise ValueError("the registers can't say over-range")
        number = listed[0] if listed else 0
        return number.to_bytes(2 if number_format == "int16" else 4, signed=True)

    def _status(self, reading: Reading) -> bytes:
        wanted: set[str] = set(reading.flags)
        if reading.mode == "max-min" and self._options.get("mode") != "max-min":
            wanted.add("max-min")
        if unsaid := wanted - set(self._bits.values()):
            raise ValueError(f"the status can't say {', '.join(sorted(unsaid))}")
        set_bits = (1 << int(bit) for bit, name in self._bits.items() if name in wanted)
        return sum(set_bits).to_bytes(2)


def _with_crc(body: bytes) -> bytes:
    number, _ = checksum("crc-16", body)
    return body + bytes((number & 0xFF, number >> 8))
