"""Candidates for packed decimals: half bytes that are digits, and one that is a sign."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from daemon.recognise.characters import is_text
from daemon.recognise.proposal import Candidate, Doubt
from daemon.recognise.sample import Sample
from daemon.recognise.smooth import is_smooth
from daemon.recognise.text_cut import LEAST_CONSTANT, most_common
from drivers.checksum import CHECKSUMS

_LENGTHS = range(2, 25)
_MOST_DIGIT_BYTES = 7
_MOST_START_BYTES = 4
_FEWEST_FRAMES = 4
_FEWEST_VALUES = 3
_TEXT_SHARE = 0.9
_PLUS, _MINUS = "ACEF", "BD"
"""Signs of packed decimals as they are commonly used; from memory, no source."""

_UNIT = Doubt("unit", "the frame has none: mm is assumed; prove it with a known step")
_SCALE = Doubt("decimals", "the frame shows no decimal mark: the place of it is assumed")


@dataclass(frozen=True, slots=True)
class _Layout:
    """Frames of one length, taken apart into columns.

    Attributes:
        frames: From the first start byte to the last checksum byte.
        start: How many bytes the start has.
        has_status: True if one byte of flags follows.
        digit_bytes: How many bytes hold two digits; the sign's byte holds one more.
        check: How many checksum bytes follow the sign.
    """

    frames: Sequence[bytes]
    start: int
    has_status: bool
    digit_bytes: int
    check: int


def bcd_candidates(sample: Sample) -> Iterator[Candidate]:
    """Yield every description of the sample as packed decimals."""
    heard = sample.heard
    if not heard or sum(map(is_text, heard)) >= _TEXT_SHARE * len(heard):
        return
    requests = {turn.request for turn in sample.turns if turn.answer}
    if len(requests) > 1:
        return
    asked = {"request": requests.pop().hex(" ").upper()} if requests else {}
    for frames in _framings(sample):
        for layout in _layouts(frames):
            yield from _described(layout, asked)


def _framings(sample: Sample) -> Iterator[Sequence[bytes]]:
    """Yield frames of one length, turned so that each begins behind a possible end."""
    if sample.is_polled:
        answers = [turn.answer for turn in sample.turns if turn.answer]
        length = most_common(len(answer) for answer in answers)
        if length is not None and length > 1:
            yield [answer for answer in answers if len(answer) == length]
        return
    heard = sample.heard
    for length in _LENGTHS:
        for head in range(length):
            count = (len(heard) - head) // length
            frames = [heard[head + at * length :][:length] for at in range(count)]
            if count >= _FEWEST_FRAMES:
                yield frames


def _layouts(frames: Sequence[bytes]) -> Iterator[_Layout]:
    """Yield the layouts of frames that end in a sign, or in a checksum behind one."""
    for check in (0, 1, 2):
        sign_at = len(frames[0]) - 1 - check
        if sign_at < 1 or not _mostly(frames, sign_at, _ends_in_sign):
            continue
        constant = 0
        while constant < sign_at and _is_constant(frames, constant):
            constant += 1
        most = 0
        while most < min(sign_at, _MOST_DIGIT_BYTES) and _mostly(
            frames, sign_at - 1 - most, _is_two_digits
        ):
            most += 1
        for digits in range(1, most + 1):
            before = sign_at - digits
            for has_status in (False, True):
                if 0 <= before - has_status <= min(constant, _MOST_START_BYTES):
                    yield _Layout(frames, before - has_status, has_status, digits, check)


def _mostly(frames: Sequence[bytes], at: int, holds: Callable[[int], bool]) -> bool:
    return sum(bool(holds(frame[at])) for frame in frames) >= LEAST_CONSTANT * len(frames)


def _ends_in_sign(byte: int) -> bool:
    return byte & 0x0F > 9 and byte >> 4 <= 9


def _is_two_digits(byte: int) -> bool:
    return byte & 0x0F <= 9 and byte >> 4 <= 9


def _is_constant(frames: Sequence[bytes], at: int) -> bool:
    return most_common(frame[at] for frame in frames) is not None


def _described(layout: _Layout, asked: dict[str, str]) -> Iterator[Candidate]:
    options: dict[str, object] = {**asked, "unit": "mm", "digits": 2 * layout.digit_bytes + 1}
    options["decimals"] = min(4, 2 * layout.digit_bytes)
    doubts = [_UNIT, _SCALE]
    sums = list(_sums(layout)) if layout.check else [{}]
    if not _moves(layout):
        return  # any bytes that repeat could be these
    for checksum in sums:
        options |= checksum
        signs, sign_doubts = _signs(layout)
        marks, mark_doubts = _start_and_status(layout)
        merit = _merit(layout) + 4 * bool(checksum)
        yield Candidate(
            "packed-bcd",
            {**options, **signs, **marks},
            merit,
            (*doubts, *sign_doubts, *mark_doubts),
        )


def _moves(layout: _Layout) -> bool:
    at = layout.start + layout.has_status
    values = {frame[at : at + layout.digit_bytes + 1] for frame in layout.frames}
    return len(values) >= _FEWEST_VALUES


def _merit(layout: _Layout) -> int:
    """Return how plausible the layout is: digits move, a status seldom does, a start never."""
    status = [frame[layout.start] for frame in layout.frames]
    first = [frame[layout.start + layout.has_status] for frame in layout.frames]
    merit = layout.digit_bytes + 2 * layout.start
    if layout.has_status:
        merit += 2 if len(set(status)) > 1 and most_common(iter(status)) == 0 else -2
    if len(set(first)) > 1 and most_common(iter(first)) == 0:
        merit -= 4  # a digit that is nearly always zero is a flag
    if len(set(first)) == 1 and first[0]:
        merit -= 3  # a number does not begin with the same digits all the time
    if layout.start and layout.frames[0][layout.start - 1] == 0:
        merit -= 8  # a zero is a leading digit sooner than a start
    merit += 3 if _seen_signs(layout) <= set("CD") else 0
    return merit + (3 if is_smooth(_counts(layout)) else 0)


def _counts(layout: _Layout) -> list[int]:
    """Return the digits as numbers, those with the sign D below zero."""
    at = layout.start + layout.has_status
    texts = [frame[at : at + layout.digit_bytes + 1].hex() for frame in layout.frames]
    whole = [text for text in texts if text[:-1].isdecimal()]
    return [-int(text[:-1]) if text[-1] in "bd" else int(text[:-1]) for text in whole]


def _sums(layout: _Layout) -> Iterator[dict[str, object]]:
    for kind, (compute, width) in CHECKSUMS.items():
        if width != layout.check:
            continue
        for form, order in (("bytes", "big"), ("bytes-low-first", "little")):
            for covers, first in (("content", layout.start), ("start+content", 0)):
                fits = [
                    frame[-width:] == compute(frame[first:-width]).to_bytes(width, order)  # type: ignore[arg-type]
                    for frame in layout.frames
                ]
                if sum(fits) >= LEAST_CONSTANT * len(fits):
                    yield {"checksum": {"kind": kind, "form": form, "covers": covers}}
                    return


def _seen_signs(layout: _Layout) -> set[str]:
    at = layout.start + layout.has_status + layout.digit_bytes
    return {f"{frame[at] & 0x0F:X}" for frame in layout.frames} - set("0123456789")


def _signs(layout: _Layout) -> tuple[dict[str, object], list[Doubt]]:
    seen = sorted(_seen_signs(layout))
    plus = [sign for sign in seen if sign in _PLUS]
    minus = [sign for sign in seen if sign in _MINUS]
    options: dict[str, object] = {}
    if set(seen) - set("CD"):
        options = {"plus": plus or ["C"], "minus": minus or ["D"]}
    doubts = []
    if set(seen) - set("CD"):
        text = f"half bytes {', '.join(seen)} came; {', '.join(plus)} is taken for plus"
        doubts.append(Doubt("plus", f"{text}, {', '.join(minus) or 'D'} for minus"))
    if not minus:
        doubts.append(Doubt("sign", "a minus was never seen: send values below zero"))
    return options, doubts


def _start_and_status(layout: _Layout) -> tuple[dict[str, object], list[Doubt]]:
    options: dict[str, object] = {}
    doubts = []
    if layout.start:
        head = bytes(
            most_common(frame[at] for frame in layout.frames) or 0 for at in range(layout.start)
        )
        options["start"] = head.hex(" ").upper()
    zeros = _leading_zero_bytes(layout)
    if layout.has_status:
        bits = [
            bit for bit in range(8) if any(f[layout.start] >> bit & 1 for f in layout.frames)
        ]
        options["status"] = {}
        named = ", ".join(map(str, bits)) or "none"
        text = f"a byte of flags; bits {named} were set, and what they mean is not known"
        doubts.append(Doubt("status", f"{text}: frames with one are bad until it has a name"))
    elif zeros:
        text = f"the first {2 * zeros} digits were 0 in every frame; they may be a status"
        doubts.append(Doubt("status", text))
    return options, doubts


def _leading_zero_bytes(layout: _Layout) -> int:
    zeros = 0
    first = layout.start + layout.has_status
    while zeros < layout.digit_bytes and all(
        frame[first + zeros] == 0 for frame in layout.frames
    ):
        zeros += 1
    return zeros
