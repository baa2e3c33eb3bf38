"""What stands around a frame's content: start, end and checksum, proved where it can be."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from daemon.recognise.proposal import Doubt
from daemon.recognise.text_cut import LEAST_CONSTANT, Bodies, most_common
from drivers.checksum import CHECKSUMS
from drivers.options import MARKS

_NAMES = {mark: name for name, mark in MARKS.items() if mark}
_FORMS = ("hex", "hex-lower", "bytes", "bytes-low-first")
_COVERS = ("content+end", "content", "start+content+end")
_ENOUGH_DIFFERENT = 4
_NO_START = b"+-., \t\r\n"


@dataclass(frozen=True, slots=True)
class Wrapped:
    """Contents, and the options that unwrap them.

    Attributes:
        contents: What stands between the marks, in the order of the frames.
        options: start, end, terminator, length and checksum, as far as they are needed.
        merit: How much the wrapping proves.
        around_bytes: How many bytes of a frame are no content.
        doubts: What it assumes.
    """

    contents: Sequence[bytes]
    options: Mapping[str, object]
    merit: int
    around_bytes: int
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class _Ending:
    mark: bytes
    size: int


@dataclass(frozen=True, slots=True)
class _Sum:
    kind: str
    form: str
    covers: str


def wrappings(cut: Bodies) -> Iterator[Wrapped]:
    """Yield the contents of a cut's bodies under each wrapping that fits them."""
    for start, bodies in _starts(cut):
        is_summed = False
        for ending in _endings(bodies):
            for wrapped in _summed(cut, start, bodies, ending):
                is_summed = True
                yield wrapped
        if is_summed:
            continue
        for ending in _endings(bodies):
            if not ending.size:
                yield _wrapped(cut, start, bodies, ending, None)


def _starts(cut: Bodies) -> Iterator[tuple[bytes, Sequence[bytes]]]:
    if cut.start:
        yield cut.start, cut.bodies
        return
    head = most_common(body[0] for body in cut.bodies if body)
    if head is not None and head < 0x80 and not chr(head).isalnum() and head not in _NO_START:
        start = bytes([head])
        yield start, [body[1:] for body in cut.bodies if body.startswith(start)]
        if head < 0x20:
            return
    yield b"", cut.bodies


def _endings(bodies: Sequence[bytes]) -> Iterator[_Ending]:
    for size in (0, 1, 2, 4):
        mark = most_common(body[-1 - size] for body in bodies if len(body) > size + 1)
        is_control = mark is not None and mark < 0x20 and mark not in b"\r\n\t"
        if mark is not None and (is_control or (size and _may_end(mark))):
            yield _Ending(bytes([mark]), size)
        if not (is_control and size == 0):
            yield _Ending(b"", size)


def _may_end(mark: int) -> bool:
    return mark < 0x80 and not chr(mark).isalnum() and mark not in _NO_START


def _summed(
    cut: Bodies, start: bytes, bodies: Sequence[bytes], ending: _Ending
) -> Iterator[Wrapped]:
    """Yield the wrapping with the first checksum that fits, if one does."""
    if not ending.size:
        return
    long_enough = [body for body in bodies if len(body) > ending.size + len(ending.mark)]
    for found in _sums(ending.size):
        fits = [_fits(body, start, ending, found) for body in long_enough]
        if fits and sum(fits) >= LEAST_CONSTANT * len(fits):
            yield _wrapped(cut, start, long_enough, ending, found)
            return


def _sums(size: int) -> Iterator[_Sum]:
    for kind, (_, width) in CHECKSUMS.items():
        for form in _FORMS:
            if size == (width if form.startswith("bytes") else 2 * width):
                for covers in _COVERS:
                    yield _Sum(kind, form, covers)


def _fits(body: bytes, start: bytes, ending: _Ending, found: _Sum) -> bool:
    covered = body[: -ending.size]
    if not covered.endswith(ending.mark):
        return False
    content = covered[: len(covered) - len(ending.mark)]
    whole = {
        "content+end": covered,
        "content": content,
        "start+content+end": start + covered,
    }[found.covers]
    compute, width = CHECKSUMS[found.kind]
    return body[-ending.size :] == _written(compute, width, found.form, whole)


def _written(compute: Callable[[bytes], int], width: int, form: str, data: bytes) -> bytes:
    number = compute(data)
    if form.startswith("bytes"):
        return number.to_bytes(width, "little" if "low" in form else "big")
    text = f"{number:0{2 * width}X}"
    return (text.lower() if form == "hex-lower" else text).encode("ascii")


def _wrapped(
    cut: Bodies, start: bytes, bodies: Sequence[bytes], ending: _Ending, found: _Sum | None
) -> Wrapped:
    options: dict[str, object] = {"terminator": name_of(cut.terminator)}
    if start:
        options["start"] = name_of(start)
    if ending.mark:
        options["end"] = name_of(ending.mark)
    tail = ending.size + len(ending.mark)
    doubts: list[Doubt] = []
    if found is not None:
        options["checksum"] = {"kind": found.kind, "form": found.form, "covers": found.covers}
        if len(set(bodies)) < _ENOUGH_DIFFERENT:
            text = f"fits {len(set(bodies))} different frames; by chance one in 256 does"
            doubts.append(Doubt("checksum", text))
    length = cut.length or _needed_length(cut, start, bodies, found, has_end=bool(ending.mark))
    if length is not None:
        options["length"] = length
    contents = [body[: len(body) - tail] for body in bodies]
    merit = cut.merit + (8 if found else 0) + (1 if start else 0) + (1 if ending.mark else 0)
    around = tail + len(start) + len(cut.terminator)
    return Wrapped(contents, options, merit, around, tuple(doubts))


def _needed_length(
    cut: Bodies, start: bytes, bodies: Sequence[bytes], found: _Sum | None, *, has_end: bool
) -> int | None:
    """Return the length that a raw checksum needs where no marks stand around it."""
    if found is None or not found.form.startswith("bytes") or (start and has_end):
        return None
    alike = most_common(len(body) for body in bodies)
    return None if alike is None else alike + len(start) + len(cut.terminator)


def name_of(mark: bytes) -> str:
    """Return a mark as a bench file names it."""
    return _NAMES.get(mark, mark.decode("ascii")) or "none"
