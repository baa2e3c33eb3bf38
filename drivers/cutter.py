"""Cuts a stream of bytes into frames, the same way wherever the chunks are cut."""

from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.contract import MAX_FRAME_BYTES, BadFrame
from drivers.parity import parity_mismatch
from rules.reading import Reading

Result = Reading | BadFrame
ReadFrame = Callable[[bytes], Result | None]
"""Reads a whole frame; None where a good frame is no reading (an answer at start-up)."""

OnBad = Callable[[], None]
"""Called for each bad frame, in the order of the bytes."""


def nobody_minds() -> None:
    """Do nothing about a bad frame: the driver only listens."""


class Cutter(Protocol):
    """Takes bytes as they come and hands whole frames to a reader."""

    def feed(self, chunk: bytes) -> Sequence[Result]:
        """Return what the frames that ended in this chunk say."""

    def is_pending(self) -> bool:
        """Return True if bytes of an unfinished frame are held."""

    def reset(self) -> None:
        """Drop the unfinished frame."""


class MarkCutter:
    """Ends a frame at a mark, or a counted number of bytes behind one.

    Args:
        mark: What ends a frame; at least one byte.
        read: What reads a whole frame, mark included.
        after: How many bytes of the frame follow the mark.
        start: What begins a frame; "" if nothing does.
        joins_midway: True if the first frame may lack its head unnoticed.
        on_bad: Called for each bad frame.
    """

    def __init__(
        self,
        mark: bytes,
        read: ReadFrame,
        *,
        after: int = 0,
        start: bytes = b"",
        joins_midway: bool = False,
        on_bad: OnBad = nobody_minds,
    ) -> None:
        self._mark = mark
        self._read = read
        self._after = after
        self._start = start
        self._lacks_head = joins_midway
        self._on_bad = on_bad
        self._pending = b""

    def is_pending(self) -> bool:
        """Return True if bytes of an unfinished frame are held."""
        return bool(self._pending)

    def reset(self) -> None:
        """Drop the unfinished frame."""
        self._pending = b""
        self._lacks_head = False

    def feed(self, chunk: bytes) -> Sequence[Result]:
        """Return what the frames that ended in this chunk say."""
        data = self._pending + chunk
        results: list[Result] = []
        start = 0
        while True:
            stop = self._end_of_frame(data, start)
            if stop > 0:
                self._add_frame(data[start:stop], results)
            elif len(data) - start >= MAX_FRAME_BYTES:
                stop = self._end_of_overlong(data, start)
                self._add_overlong(data[start:stop], results)
            else:
                break
            start = stop
        self._pending = data[start:]
        return results

    def _end_of_frame(self, data: bytes, start: int) -> int:
        """Return where the frame ends, 0 if that can't be told yet (or is too far)."""
        limit = start + MAX_FRAME_BYTES
        at = data.find(self._mark, start, limit)
        if at < 0:
            return 0
        stop = at + len(self._mark) + self._after
        return stop if stop <= min(limit, len(data)) else 0

    def _end_of_overlong(self, data: bytes, start: int) -> int:
        """Return where to cut, so that a mark at the border still ends the tail."""
        limit = start + MAX_FRAME_BYTES
        at = data.find(self._mark, start, limit)
        return at if at > start else limit - len(self._mark) + 1

    def _add_bad(self, raw: bytes, reason: str, results: list[Result]) -> None:
        results.append(BadFrame(raw, reason))
        self._on_bad()

    def _add_overlong(self, raw: bytes, results: list[Result]) -> None:
        reason = f"no end of a frame in {MAX_FRAME_BYTES} bytes"
        mismatch = parity_mismatch(raw)
        self._add_bad(raw, f"{reason}; {mismatch}" if mismatch else reason, results)
        self._lacks_head = not self._start

    def _add_frame(self, frame: bytes, results: list[Result]) -> None:
        if self._lacks_head:
            self._lacks_head = False
            self._add_bad(frame, "may be the tail of a frame whose head is missing", results)
            return
        if self._start:
            at = frame.rfind(self._start, 0, len(frame) - self._after)
            if at > 0:
                self._add_bad(frame[:at], "bytes before the start mark", results)
                frame = frame[at:]
        found = self._read(frame)
        if isinstance(found, BadFrame):
            self._add_bad(found.raw, found.reason, results)
        elif found is not None:
            results.append(found)


class LengthCutter:
    """Takes every window of the right length that reads well; the rest is noise.

    Where a frame is expected and none stands, the bad frame is told at once; from there on
    each further window is tried. Only for frames that no other window of a stream can be
    taken for: with a start mark, a sign at the head, or a nibble that only stands at the end.

    Args:
        length: How many bytes a frame has, at most half of ``MAX_FRAME_BYTES``.
        read: What reads a window.
        start: What begins a frame; "" if nothing does.
        on_bad: Called for each bad frame; for noise in front of a good one, after it.
    """

    def __init__(
        self,
        length: int,
        read: ReadFrame,
        *,
        start: bytes = b"",
        on_bad: OnBad = nobody_minds,
    ) -> None:
        self._length = length
        self._read = read
        self._start = start
        self._on_bad = on_bad
        self.reset()

    def is_pending(self) -> bool:
        """Return True if bytes of an unfinished frame are held."""
        return bool(self._pending or self._noise)

    def reset(self) -> None:
        """Drop the unfinished frame."""
        self._noise = self._pending = b""
        self._in_step = True
        self._told = 0  # how many of the next bytes a bad frame has shown already

    def feed(self, chunk: bytes) -> Sequence[Result]:
        """Return what the frames that ended in this chunk say."""
        data = self._pending + chunk
        results: list[Result] = []
        start = 0
        while len(data) - start >= self._length:
            window = data[start : start + self._length]
            found = self._read(window) if window.startswith(self._start) else None
            if isinstance(found, Reading):
                self._flush_noise(results)
                results.append(found)
                self._in_step, self._told = True, 0
                start += self._length
            else:
                self._skip_byte(window, results)
                start += 1
        self._pending = data[start:]
        return results

    def _skip_byte(self, window: bytes, results: list[Result]) -> None:
        if self._in_step:
            self._in_step, self._told = False, self._length
            self._add_bad(window, results)
        if self._told:
            self._told -= 1
            return
        self._noise += window[:1]
        if len(self._noise) == self._length:
            self._flush_noise(results)

    def _flush_noise(self, results: list[Result]) -> None:
        if self._noise:
            noise, self._noise = self._noise, b""
            self._add_bad(noise, results)

    def _add_bad(self, raw: bytes, results: list[Result]) -> None:
        found = self._read(raw)
        reason = found.reason if isinstance(found, BadFrame) else "out of step"
        results.append(BadFrame(raw, reason))
        self._on_bad()
