"""The ASCII frame that ascii-line and ascii-poll share: marks, length and checksum.

    frame = start, content, end, checksum, terminator

Described by these options of a bench file, besides those of the content
(``drivers.ascii_content``). A mark is a control character's name (CRLF, CR, LF, STX, ETX),
"none", or a text that stands for itself:

    terminator  "line" (default: LF, with or without CR before it) or a mark.
    start       A mark at the head of each frame; default "none".
    end         A mark behind the content, before the checksum; default "none".
    length      How many bytes a frame has from its first to its last; shows a lost one.
                With terminator "none" it is what cuts the stream into frames.
    checksum    { kind = "xor-8" | "lrc-7" | "sum-8" | "crc-16",
                  form = "hex" (default) | "hex-lower" | "bytes" | "bytes-low-first",
                  covers = "content+end" (default) | "content" | "start+content+end" }
"""

from collections.abc import Callable
from dataclasses import dataclass

from drivers.ascii_content import ContentForm, content_form, read_content
from drivers.ascii_reasons import why_no_reading
from drivers.checksum import CHECKSUMS, guard_of
from drivers.contract import MAX_FRAME_BYTES, BadFrame, Guard
from drivers.cutter import Cutter, LengthCutter, MarkCutter, OnBad, ReadFrame, nobody_minds
from drivers.options import OptionReader
from drivers.parity import parity_mismatch
from rules.reading import Reading

_FORMS = ("hex", "hex-lower", "bytes", "bytes-low-first")
_COVERS = ("content+end", "content", "start+content+end")


@dataclass(frozen=True, slots=True)
class ChecksumForm:
    """Which checksum a frame carries, how it is written and what it covers."""

    kind: str
    compute: Callable[[bytes], int]
    width: int
    form: str
    covers: str

    @property
    def is_raw(self) -> bool:
        """True if any byte value may stand in the checksum, a terminator's too."""
        return self.form.startswith("bytes")

    @property
    def size(self) -> int:
        """How many bytes of the frame it takes."""
        return self.width if self.is_raw else 2 * self.width

    def written(self, covered: bytes) -> bytes:
        """Return the checksum as the frame must carry it."""
        number = self.compute(covered)
        if self.is_raw:
            return number.to_bytes(self.width, "little" if "low" in self.form else "big")
        text = f"{number:0{2 * self.width}X}"
        return (text.lower() if self.form == "hex-lower" else text).encode("ascii")


@dataclass(frozen=True, slots=True)
class FrameForm:
    """How a frame is written; made by :func:`frame_form`."""

    content: ContentForm
    start: bytes
    end: bytes
    terminator: bytes
    drops_cr: bool
    length: int | None
    checksum: ChecksumForm | None

    @property
    def guard(self) -> Guard:
        """What a frame carries against damage."""
        return guard_of(self.checksum.kind if self.checksum else None)

    @property
    def starts_marked(self) -> bool:
        """True if a frame that lost its head can't be taken for a whole one."""
        whole = self.start or self.length or self.checksum
        return bool(whole) or self.content.expression.starts_marked

    @property
    def has_raw_checksum(self) -> bool:
        """True if the checksum may hold any byte value, a mark's too."""
        return self.checksum is not None and self.checksum.is_raw

    @property
    def is_cut_by_length(self) -> bool:
        """True if no mark ends a frame for certain, so that its length must."""
        return not self.end and (self.has_raw_checksum or not self.terminator)

    @property
    def mark_and_tail(self) -> tuple[bytes, int]:
        """The mark that ends a frame and how many bytes follow it."""
        if self.end and (self.has_raw_checksum or not self.terminator):
            size = self.checksum.size if self.checksum else 0
            return self.end, size + len(self.terminator)
        return self.terminator, 0


def frame_form(options: OptionReader) -> FrameForm:
    """Return the form that the options describe.

    Raises:
        OptionError: For the first option that is wrong.
    """
    terminator = options.mark("terminator", "line", also=("line",))
    drops_cr = terminator == b"line"
    form = FrameForm(
        content=content_form(options),
        start=options.mark("start", "none"),
        end=options.mark("end", "none"),
        terminator=b"\n" if drops_cr else terminator,
        drops_cr=drops_cr,
        length=options.whole_or_none("length", 2, MAX_FRAME_BYTES),
        checksum=_checksum_form(options),
    )
    _check_cutting(options, form)
    return form


def _check_cutting(options: OptionReader, form: FrameForm) -> None:
    """Refuse a form whose frames can't be told apart in a stream of bytes."""
    if form.has_raw_checksum and not form.length and not (form.start and form.end):
        raise options.wrong("length", "the frame's length, or start and end (raw checksum)")
    if form.has_raw_checksum and form.drops_cr:
        raise options.wrong("terminator", "an exact terminator or none (raw checksum)")
    if not form.terminator and not form.length and not form.end:
        raise options.wrong(
            "length", 'the frame\'s length, or an end mark (terminator is "none")'
        )
    if form.is_cut_by_length:
        if not form.start and not form.content.starts_signed:
            raise options.wrong("start", 'a mark, or sign = "+-" (cut by length alone)')
        if (form.length or 0) > MAX_FRAME_BYTES // 2:
            raise options.wrong(
                "length", f"at most {MAX_FRAME_BYTES // 2} (cut by length alone)"
            )


def _checksum_form(options: OptionReader) -> ChecksumForm | None:
    table = options.table("checksum", "a table with kind, form, covers")
    if not table:
        return None
    inner = OptionReader(table, inside="checksum")
    kind = inner.choice("kind", CHECKSUMS)
    compute, width = CHECKSUMS[kind]
    form = inner.choice("form", _FORMS, "hex")
    covers = inner.choice("covers", _COVERS, "content+end")
    inner.finish()
    return ChecksumForm(kind, compute, width, form, covers)


def make_cutter(
    form: FrameForm,
    read: ReadFrame,
    *,
    joins_midway: bool = False,
    on_bad: OnBad = nobody_minds,
) -> Cutter:
    """Return what cuts a stream into frames of this form.

    Args:
        form: How a frame is written.
        read: What reads a whole frame.
        joins_midway: True if the first bytes may be the tail of a frame.
        on_bad: Called for each bad frame.
    """
    if form.is_cut_by_length:
        length = form.length or MAX_FRAME_BYTES // 2
        return LengthCutter(length, read, start=form.start, on_bad=on_bad)
    mark, after = form.mark_and_tail
    return MarkCutter(
        mark,
        read,
        after=after,
        start=form.start,
        joins_midway=joins_midway and not form.starts_marked,
        on_bad=on_bad,
    )


def read_frame(frame: bytes, form: FrameForm) -> Reading | BadFrame:
    """Return what a whole frame says, from its first byte to its terminator."""
    content, reason = _unwrap(frame, form)
    if reason is None:
        found = read_content(content, form.content)
        if isinstance(found, Reading):
            return found
        reason = found or why_no_reading(content, form.content)
    return BadFrame(frame, parity_mismatch(frame) or reason)


def _unwrap(frame: bytes, form: FrameForm) -> tuple[bytes, str | None]:
    """Return the content, and why the frame around it is wrong."""
    if form.length is not None and len(frame) != form.length:
        return b"", f"{len(frame)} bytes, {form.length} are expected"
    if not frame.endswith(form.terminator):
        return b"", "no terminator where the frame ends"
    body = frame[: len(frame) - len(form.terminator)]
    if form.drops_cr:
        body = body.removesuffix(b"\r")
    if not body.startswith(form.start):
        return b"", "no start mark"
    reason = None
    if form.checksum is not None:
        body, reason = _take_checksum(body, form, form.checksum)
    if reason is None and not body.endswith(form.end):
        reason = "no end mark"
    return body[len(form.start) : len(body) - len(form.end)], reason


def _take_checksum(
    body: bytes, form: FrameForm, checksum: ChecksumForm
) -> tuple[bytes, str | None]:
    body, sent = body[: -checksum.size], body[-checksum.size :]
    first = 0 if checksum.covers.startswith("start") else len(form.start)
    last = len(body) if checksum.covers.endswith("end") else len(body) - len(form.end)
    expected = checksum.written(body[first:last])
    if sent == expected:
        return body, None
    if checksum.is_raw:
        return body, f"checksum is {sent.hex().upper()} hex, should be {expected.hex().upper()}"
    return body, f"checksum is {sent!r}, should be {expected!r}"
