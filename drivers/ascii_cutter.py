"""Cuts a stream of bytes into ASCII frames, the same way wherever the chunks are cut."""

from collections.abc import Callable, Sequence
from typing import Protocol

from drivers.ascii_frame import FrameForm
from drivers.ascii_reasons import parity_mismatch
from drivers.contract import MAX_FRAME_BYTES, BadFrame
from rules.reading import Reading

Result = Reading | BadFrame
ReadFrame = Callable[[bytes, FrameForm], Result]


class Cutter(Protocol):
    """Takes bytes as they come and hands whole frames to a reader."""

    def feed(self, chunk: bytes) -> Sequence[Result]:
        """Return what the frames that ended in this chunk say."""

    def is_pending(self) -> bool:
        """Return True if bytes of an unfinished frame are held."""

    def reset(self) -> None:
        """Drop the unfinished frame."""


def make_cutter(form: FrameForm, read: ReadFrame, *, joins_midway: bool) -> Cutter:
    """Return the cutter for a form.

    Args:
        form: How a frame is written.
        read: What reads a whole frame.
        joins_midway: True if the first bytes may be the tail of a frame.
    """
    if form.is_cut_by_length:
        return LengthCutter(form, read)
    return MarkCutter(form, read, joins_midway=joins_midway)


class MarkCutter:
    """Ends a frame at its terminator, or at its end mark and a counted checksum."""

    def __init__(self, form: FrameForm, read: ReadFrame, *, joins_midway: bool) -> None:
        self._mark, self._after = form.mark_and_tail
        self._form = form
        self._read = read
        self._pending = b""
        self._lacks_head = joins_midway and not form.starts_marked

    def is_pending(self) -> bool:
        """Return True if bytes of an unfinished frame are held."""
        return bool(self._pending)

    def reset(self) -> None:
        """Drop the unfinished frame."""
        self._pending = b""

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
                stop = start + MAX_FRAME_BYTES
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

    def _add_overlong(self, raw: bytes, results: list[Result]) -> None:
        reason = f"no end of a frame in {MAX_FRAME_BYTES} bytes"
        mismatch = parity_mismatch(raw)
        results.append(BadFrame(raw, f"{reason}; {mismatch}" if mismatch else reason))
        self._lacks_head = not self._form.start

    def _add_frame(self, frame: bytes, results: list[Result]) -> None:
        form = self._form
        if self._lacks_head:
            self._lacks_head = False
            results.append(BadFrame(frame, "may be the tail of a frame whose head is missing"))
            return
        if form.start:
            at = frame.rfind(form.start, 0, len(frame) - self._after)
            if at > 0:
                results.append(BadFrame(frame[:at], "bytes before the start mark"))
                frame = frame[at:]
        results.append(self._read(frame, form))


class LengthCutter:
    """Takes every window of the right length that reads well; the rest is noise.

    Only for frames whose head shows where they begin (a start mark or a sign).
    """

    def __init__(self, form: FrameForm, read: ReadFrame) -> None:
        self._form = form
        self._length = form.length or MAX_FRAME_BYTES
        self._read = read
        self._noise = b""
        self._pending = b""

    def is_pending(self) -> bool:
        """Return True if bytes of an unfinished frame are held."""
        return bool(self._pending or self._noise)

    def reset(self) -> None:
        """Drop the unfinished frame."""
        self._noise = self._pending = b""

    def feed(self, chunk: bytes) -> Sequence[Result]:
        """Return what the frames that ended in this chunk say."""
        data = self._pending + chunk
        results: list[Result] = []
        start = 0
        while len(data) - start >= self._length:
            found = self._read_window(data[start : start + self._length])
            if isinstance(found, Reading):
                self._flush_noise(results)
                results.append(found)
                start += self._length
            else:
                self._noise += data[start : start + 1]
                start += 1
                if len(self._noise) == self._length:
                    self._flush_noise(results)
        self._pending = data[start:]
        return results

    def _read_window(self, window: bytes) -> Result | None:
        """Return what the window says; None at once where no frame can begin."""
        if not window.startswith(self._form.start):
            return None
        return self._read(window, self._form)

    def _flush_noise(self, results: list[Result]) -> None:
        if not self._noise:
            return
        found = self._read(self._noise, self._form)
        reason = found.reason if isinstance(found, BadFrame) else "out of step"
        results.append(BadFrame(self._noise, reason))
        self._noise = b""
