"""Modbus RTU: a value from registers, with its status read in the same request.

    request   unit id, function 03 or 04, address, count, CRC
    answer    unit id, function, byte count, registers, CRC
    fault     unit id, function + 80 hex, exception code, CRC

"MODBUS Application Protocol Specification V1.1b3", sections 6.3, 6.4 and 7; "MODBUS over
Serial Line Specification and Implementation Guide V1.02", section 2.5.1. The silent gaps of
section 2.5.1.1 can't be seen through a USB adapter, so frames are told by their head, their
length and their CRC.

Line settings: 19200 8E1 (the guide's default) unless the bench file says otherwise. Sample:
request 01 03 00 00 00 02 C4 0B, answer 01 03 04 3B 89 A0 27 1E E7: 0.0042 mm as a float in
the order ABCD.

Options:

    unit_id       The indicator's unit id, 1 to 247, or a list of them, asked in turn. The
                  reading's channel is the unit id. Required.
    function      3 (holding registers) or 4 (input registers). Required.
    address       The first register of the value. Required.
    address_base  0 if ``address`` is what the request carries, 1 if the registers are
                  numbered from 1. Required: makers' tables differ.
    format        "float32" | "int16" | "int32". Required.
    byte_order    The order in which the bytes come, A the highest: "ABCD" | "CDAB" | "BADC"
                  | "DCBA"; for int16 "AB" (default) | "BA". Required for four bytes; prove
                  it with a value that is not zero.
    unit          "mm" | "inch" | "um". Required.
    scale         The number times this is the value in ``unit``. Required for integers.
    step_um       The indicator's digital step in micrometres; required for float32, to
                  refuse values so large that a float can't carry the last digit.
    over_range    Integers that mean over-range: [32767, -32768]. None by default.
    status        { address = 104, bits = { "0" = "over-range", "1" = "low-battery" } }: a
                  register read in the same request; bits without a name don't matter.
    mode          "live" (default) or "max-min".
    quiet_timeouts  As in ascii-poll; default 1.
"""

from collections.abc import Mapping, Sequence

from drivers.checksum import crc_16
from drivers.contract import BadFrame, Guard, LineSettings
from drivers.modbus_cutter import ModbusCutter
from drivers.modbus_value import RegisterForm, read_registers, register_form
from drivers.options import OptionReader
from drivers.turn_taking import TurnTaking
from rules.reading import Reading

_EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target failed to respond",
}


class ModbusRtu:
    """Asks one unit after the other for its registers and reads the answers."""

    def __init__(
        self, form: RegisterForm, unit_ids: Sequence[int], function: int, quiet_timeouts: int
    ) -> None:
        self.line = LineSettings(baud=19200, parity="E")
        self.guard: Guard = "crc"
        self._form = form
        self._unit_ids = tuple(unit_ids)
        self._function = function
        self._turn = 0
        self._talk = TurnTaking(quiet_timeouts)
        self._requests = tuple(self._request(unit_id) for unit_id in unit_ids)
        self._cutter = ModbusCutter(form.count, self._read, self._lose_step)
        self._cutter.expect(unit_ids[0], function)

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return what the answers that ended in this chunk say."""
        if chunk:
            self._talk.heard()
        return self._cutter.feed(chunk)

    def next_request(self) -> bytes | None:
        """Return the next request; None while an answer or a quiet line is waited for."""
        if not self._talk.take(is_pending=self._cutter.is_pending()):
            return None
        self._cutter.expect(self._unit_ids[self._turn], self._function)
        return self._requests[self._turn]

    def timed_out(self) -> None:
        """Give up the answer; ask again when the line was quiet."""
        self._next_turn()
        self._talk.timed_out()
        self._cutter.reset()

    def _request(self, unit_id: int) -> bytes:
        address = self._form.address.to_bytes(2, "big")
        count = self._form.count.to_bytes(2, "big")
        body = bytes((unit_id, self._function)) + address + count
        return body + crc_16(body).to_bytes(2, "little")

    def _next_turn(self) -> None:
        if self._talk.is_asked:
            self._turn = (self._turn + 1) % len(self._unit_ids)

    def _lose_step(self) -> None:
        self._next_turn()
        self._talk.lose_step()

    def _read(self, frame: bytes) -> Reading | BadFrame:
        """Return what a frame with the right head and CRC says.

        An exception, or a number that is no length, is a whole answer: the next request can
        follow at once.
        """
        if refusal := self._talk.refusal:
            self._lose_step()
            return BadFrame(frame, refusal)
        unit_id = self._unit_ids[self._turn]
        self._next_turn()
        self._talk.answered()
        if frame[1] & 0x80:
            meaning = _EXCEPTIONS.get(frame[2], "unknown")
            return BadFrame(frame, f"unit {unit_id}: exception {frame[2]:02d}, {meaning}")
        found = read_registers(frame[3:-2], self._form, str(unit_id))
        return found if isinstance(found, Reading) else BadFrame(frame, found)


def make(options: Mapping[str, object]) -> ModbusRtu:
    """Return a driver for the registers that the options describe.

    Raises:
        OptionError: If an option is unknown, missing or wrong.
    """
    reader = OptionReader(options)
    unit_ids = reader.whole_list("unit_id", 1, 247)
    function = reader.whole("function", 3, 4)
    form = register_form(reader)
    quiet_timeouts = reader.whole("quiet_timeouts", 1, 100, default=1)
    reader.finish()
    return ModbusRtu(form, unit_ids, function, quiet_timeouts)
