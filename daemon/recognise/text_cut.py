"""Every way in which a stream could be cut into frames of text."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daemon.recognise.characters import is_text
from daemon.recognise.sample import Sample

_USUAL_MARKS = (b"\r\n", b"\n\r", b"\n", b"\r", b"\x03", b"\x04")
_NO_MARKS = b"+-., \t"
_ONLY_STARTS = b"\x01\x02"
_FEWEST_BODIES = 2
_LENGTHS = range(5, 65)
_LEAST_ALIKE = 0.93
_LOOKED_AT_BYTES = 4096
LEAST_CONSTANT = 0.9


@dataclass(frozen=True, slots=True)
class Bodies:
    """Frames without what cut them.

    Attributes:
        bodies: In their order; the first and last may be parts of frames.
        start: The start mark that was cut off.
        terminator: What ended them, empty if nothing did.
        length: Their whole length where it is what cuts them.
        merit: How well the cut is founded.
    """

    bodies: Sequence[bytes]
    start: bytes = b""
    terminator: bytes = b""
    length: int | None = None
    merit: int = 0


def cuts(sample: Sample) -> Iterator[Bodies]:
    """Yield every cut that gives several frames."""
    answers = [turn.answer for turn in sample.turns if turn.answer]
    streams = answers if sample.is_polled else [sample.heard]
    data = b"".join(streams)
    for mark in _marks_in(data):
        found = _ended_by(mark, streams, is_whole=sample.is_polled)
        if len(found) >= _FEWEST_BODIES or sample.is_polled:
            yield Bodies(found, terminator=mark)
    for byte in sorted(set(data) - set(b"\r\n\x03\x04")):
        if _may_be_mark(byte):
            yield from _begun_by(bytes([byte]), data)
    yield from _cut_by_length(data[:_LOOKED_AT_BYTES])


def _marks_in(data: bytes) -> list[bytes]:
    bytes_of_it = sorted(set(data) - set(_ONLY_STARTS))
    others = [bytes([byte]) for byte in bytes_of_it if _may_be_mark(byte)]
    marks = [*_USUAL_MARKS, *(mark for mark in others if mark not in _USUAL_MARKS)]
    return [mark for mark in marks if mark in data]


def _may_be_mark(byte: int) -> bool:
    return byte < 0x80 and not chr(byte).isalnum() and byte not in _NO_MARKS


def _ended_by(mark: bytes, streams: Sequence[bytes], *, is_whole: bool) -> list[bytes]:
    if is_whole:
        return [body for stream in streams for body in stream.split(mark)[:-1]]
    return streams[0].split(mark)[1:-1]


def _begun_by(mark: bytes, data: bytes) -> Iterator[Bodies]:
    """Frames that nothing but their start tells apart, or an end within."""
    bodies = data.split(mark)[1:-1]
    may_be_raw = mark in _ONLY_STARTS
    if len(bodies) < _FEWEST_BODIES or not (may_be_raw or all(map(is_text, data))):
        return
    merit = 0 if may_be_raw or data.startswith(mark) else -2
    yield Bodies(bodies, start=mark, merit=merit)
    if alike := most_common(len(body) for body in bodies):
        whole = [body for body in bodies if len(body) == alike]
        yield Bodies(whole, start=mark, length=alike + len(mark), merit=merit)


def _cut_by_length(data: bytes) -> Iterator[Bodies]:
    """Frames without any mark: the columns show their length, a sign shows their head."""
    if any(mark in data for mark in _USUAL_MARKS):
        return
    classes = bytes(map(_class_of, data))
    for length in _LENGTHS:
        if len(data) < 3 * length:
            return
        pairs = zip(classes, classes[length:], strict=False)
        alike = sum(left == right for left, right in pairs)
        if alike >= _LEAST_ALIKE * (len(data) - length):
            yield from _rotations(data, length)
            return


def _rotations(data: bytes, length: int) -> Iterator[Bodies]:
    for head in range(length):
        column = data[head::length]
        if set(column) <= set(b"+-"):
            count = (len(data) - head) // length
            bodies = [data[head + at * length :][:length] for at in range(count)]
            yield Bodies(bodies, length=length)


def _class_of(byte: int) -> int:
    if chr(byte).isdigit():
        return ord("0")
    return ord("+") if byte in b"+-" else byte


def most_common(items: Iterator[int]) -> int | None:
    """Return the item that comes most often, if it comes nearly always."""
    counted = Counter(items)
    if not counted:
        return None
    (item, count) = counted.most_common(1)[0]
    return item if count >= LEAST_CONSTANT * counted.total() else None
