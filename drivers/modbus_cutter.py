"""Finds the answers in a Modbus RTU stream by head, length and CRC."""

from collections.abc import Callable, Sequence

from drivers.checksum import crc_16
from drivers.contract import BadFrame
from rules.reading import Reading

_EXCEPTION_BYTES = 5
_BYTES_AROUND_REGISTERS = 5  # unit id, function, byte count and two of CRC


class ModbusCutter:
    """Hands whole answers to the request that is due, from the unit that was asked.

    Args:
        count: How many registers an answer has.
        read: What reads an answer whose head and CRC are right.
        on_bad: Called for each bad frame the cutter finds itself.
    """

    def __init__(
        self,
        count: int,
        read: Callable[[bytes], Reading | BadFrame],
        on_bad: Callable[[], None],
    ) -> None:
        self._data_bytes = 2 * count
        self._length = self._data_bytes + _BYTES_AROUND_REGISTERS
        self._read = read
        self._on_bad = on_bad
        self._good_head = self._fault_head = b""
        self._pending = b""
        self._noise = b""

    def expect(self, unit_id: int, function: int) -> None:
        """Say whose answer comes next."""
        self._good_head = bytes((unit_id, function, self._data_bytes))
        self._fault_head = bytes((unit_id, function | 0x80))

    def is_pending(self) -> bool:
        """Return True if bytes of an unfinished frame are held."""
        return bool(self._pending or self._noise)

    def reset(self) -> None:
        """Drop the unfinished frame."""
        self._pending = self._noise = b""

    def feed(self, chunk: bytes) -> Sequence[Reading | BadFrame]:
        """Return what the answers that ended in this chunk say."""
        data = self._pending + chunk
        results: list[Reading | BadFrame] = []
        start = 0
        while start < len(data):
            length = self._length_at(data, start)
            if length > len(data) - start:
                break
            if length:
                self._flush_noise(results)
                self._add_frame(data[start : start + length], results)
            else:
                length = 1
                self._noise += data[start : start + 1]
                if len(self._noise) == self._length:
                    self._flush_noise(results)
            start += length
        self._pending = data[start:]
        return results

    def _length_at(self, data: bytes, start: int) -> int:
        """Return how long the frame is that may begin here, 0 if none can.

        While the head is not whole yet, this is more than there are bytes.
        """
        head = data[start : start + 3]
        if head[:2] == self._fault_head:
            return _EXCEPTION_BYTES
        return (
            self._length
            if self._good_head.startswith(head)
            or (len(head) == 1 and self._fault_head.startswith(head))
            else 0
        )

    def _add_frame(self, frame: bytes, results: list[Reading | BadFrame]) -> None:
        sent = int.from_bytes(frame[-2:], "little")
        expected = crc_16(frame[:-2])
        if sent == expected:
            results.append(self._read(frame))
        else:
            results.append(BadFrame(frame, f"CRC is {sent:04X}, should be {expected:04X} hex"))
            self._on_bad()

    def _flush_noise(self, results: list[Reading | BadFrame]) -> None:
        if self._noise:
            results.append(BadFrame(self._noise, "no answer of the unit and registers asked"))
            self._noise = b""
            self._on_bad()
