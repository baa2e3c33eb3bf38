"""Cases of damage: noise, cut frames, wrong parity, endless noise, late answers."""

from collections.abc import Callable, Iterator
from random import Random

from drivers.conformance.book import Book
from drivers.conformance.memory import held_bytes
from drivers.conformance.specimen import Specimen
from drivers.conformance.trial import MOST_TIMEOUTS, Trial
from drivers.contract import MAX_FRAME_BYTES
from rules.reading import Reading

_SEED = 20
_NOISE_LENGTHS = (1, 2, 3, 5, 8, 13, 21, 34, 55, 89, 144, 233, 255, 256, 257, 377, 610)
_ENDLESS_BYTES = 40_000
_CHUNK_BYTES = 100
MOST_HELD_BYTES = 8 * MAX_FRAME_BYTES
"""What a driver may hold in all: the unfinished input in a few forms, and its state."""


def _noises(specimen: Specimen) -> Iterator[bytes]:
    rng = Random(_SEED)
    for length in _NOISE_LENGTHS:
        yield rng.randbytes(length)
        yield b"\x00" * length
        yield b"\xff" * length
    longest = max(len(frame.raw) for frame in specimen.good)
    for length in range(MAX_FRAME_BYTES - longest - 2, MAX_FRAME_BYTES + 3):
        yield b"\xff" * length
    for frame in specimen.good:
        for cut in (1, len(frame.raw) // 2, len(frame.raw) - 1):
            yield frame.raw[:cut]
            yield frame.raw[cut:]
            yield frame.raw[cut:] + frame.raw[:cut]


def noise_is_survived(specimen: Specimen, book: Book) -> None:
    """Noise before, between and after frames gives no reading of its own.

    The second good frame after it is read, and every one from there on.
    """
    first, second, third = specimen.three()
    passed = 0
    for noise in _noises(specimen):
        if any(noise == frame.raw for frame in specimen.golden):
            continue
        trial = Trial.primed(specimen)
        trial.answer(first.raw, noise + first.raw, second.raw, third.raw, noise, first.raw)
        trial.answer(second.raw, third.raw)
        expected = [
            [first.says, *between, second.says, third.says, *after, second.says, third.says]
            for between in ([], [first.says])
            for after in ([], [first.says])
        ]
        invented = trial.readings not in expected
        if invented and specimen.noise_reads and _ends_well(trial.readings, specimen):
            passed += 1
            invented = False
        what = f"noise {noise!r} between frames gave {trial.readings}"
        book.expect(not invented, what, trial.stream)
    if specimen.noise_reads:
        book.notes.append(
            f"{passed} of {book.tried} noises read as values: {specimen.noise_reads}"
        )


def _ends_well(readings: list[Reading], specimen: Specimen) -> bool:
    _, second, third = specimen.three()
    tail = [second.says, third.says]
    return readings[-2:] == tail and tail in [
        readings[at : at + 2] for at in range(len(readings) - 3)
    ]


def a_cut_frame_gives_nothing(specimen: Specimen, book: Book) -> None:
    """A frame that ends early gives no reading, and the second frame after it is read."""
    _, second, third = specimen.three()
    for frame in specimen.good:
        for cut in range(1, len(frame.raw)):
            trial = Trial.primed(specimen)
            trial.answer(frame.raw[:cut])
            early = list(trial.readings)
            trial.answer(second.raw, third.raw, second.raw)
            late = trial.readings
            holds = not early and late in (
                [third.says, second.says],
                [second.says, third.says, second.says],
            )
            what = f"the first {cut} bytes gave {early}, then {late}"
            book.expect(holds, what, trial.stream)


def _even(byte: int) -> int:
    return (byte & 0x7F) | (byte & 0x7F).bit_count() % 2 << 7


def _odd(byte: int) -> int:
    return _even(byte) ^ 0x80


def _mark(byte: int) -> int:
    return byte | 0x80


_PARITIES: tuple[tuple[str, Callable[[int], int]], ...] = (
    ("7E1", _even),
    ("7O1", _odd),
    ("7N2", _mark),
)


def a_wrong_parity_is_not_masked(specimen: Specimen, book: Book) -> None:
    """Seven-bit characters read as eight give no reading; the top bit is never masked."""
    if any(byte & 0x80 for frame in specimen.golden for byte in frame.raw):
        book.lacking = "frames of bytes can't be sent as seven-bit characters"
        return
    for name, parity in _PARITIES:
        trial = Trial.primed(specimen)
        sent = [bytes(map(parity, frame.raw)) for frame in specimen.good]
        same = [
            frame.says
            for frame, raw in zip(specimen.good, sent, strict=True)
            if raw == frame.raw
        ]
        trial.answer(*sent, *sent)
        invented = [reading for reading in trial.readings if reading not in same]
        what = f"a {name} line read as 8N1 gave {invented[:3]}"
        book.expect(not invented, what, trial.stream)


def _endless(specimen: Specimen) -> Iterator[tuple[str, bytes]]:
    rng = Random(_SEED)
    plain = specimen.three()[0].raw
    yield "random bytes", rng.randbytes(_ENDLESS_BYTES)
    yield "seven-bit random bytes", bytes(rng.randrange(128) for _ in range(_ENDLESS_BYTES))
    for byte in (*sorted(set(plain)), 0x00, 0xFF):
        yield f"bytes {byte:02X} hex", bytes([byte]) * _ENDLESS_BYTES
    yield "heads of frames", plain[:-1] * (_ENDLESS_BYTES // len(plain))
    yield "tails of frames", plain[1:] * (_ENDLESS_BYTES // len(plain))
    letters = bytes(sorted(set(plain)))
    yield "the frame's bytes in disorder", bytes(rng.choices(letters, k=_ENDLESS_BYTES))


def endless_noise_is_held_in_bounds(specimen: Specimen, book: Book) -> None:
    """Noise without end never piles up, and frames are read again after it."""
    first, second, third = specimen.three()
    for name, noise in _endless(specimen):
        trial = Trial.primed(specimen)
        before = held_bytes(trial.driver)
        grown = 0
        for at in range(0, len(noise), _CHUNK_BYTES):
            trial.feed(noise[at : at + _CHUNK_BYTES])
            if at % (20 * _CHUNK_BYTES) == 0:
                grown = max(grown, held_bytes(trial.driver) - before)
        what = f"{name}: {grown} bytes more are held, {MOST_HELD_BYTES} are allowed"
        book.expect(grown <= MOST_HELD_BYTES, what, noise[:MAX_FRAME_BYTES])
        trial.results.clear()
        trial.time_out()
        trial.answer(first.raw, second.raw, third.raw)
        holds = trial.readings[-2:] == [second.says, third.says]
        what = f"after {name} the frames gave {trial.readings}"
        book.expect(holds, what, noise[:MAX_FRAME_BYTES])


def endless_frames_are_not_kept(specimen: Specimen, book: Book) -> None:
    """Thousands of good frames leave nothing behind."""
    trial = Trial.primed(specimen)
    frames = specimen.good
    before = held_bytes(trial.driver)
    for number in range(2000):
        trial.answer(frames[number % len(frames)].raw)
        trial.results.clear()
        trial.stream = b""
    grown = held_bytes(trial.driver) - before
    book.expect(grown <= MOST_HELD_BYTES, f"{grown} bytes are kept after 2000 frames")


def a_late_answer_answers_nothing(specimen: Specimen, book: Book) -> None:
    """After a timeout the late answer gives no reading, whole or in parts."""
    first, second, third = specimen.three()
    if not Trial(specimen).is_polled:
        book.lacking = "this driver only listens"
        return
    for cut in range(len(first.raw)):
        trial = Trial.primed(specimen)
        trial.ask()
        trial.feed(first.raw[:cut])
        trial.time_out()
        request = trial.driver.next_request()
        trial.feed(first.raw[cut:])
        what = f"asked {request!r} at once; the late answer gave {trial.readings}"
        book.expect(not trial.readings, what, trial.stream)
        trial.time_out()
        trial.answer(second.raw, third.raw)
        holds = trial.readings == [second.says, third.says]
        book.expect(holds, f"then gave {trial.readings}", trial.stream)


def silence_is_survived(specimen: Specimen, book: Book) -> None:
    """After any number of timeouts a polled driver asks again, and a listener listens."""
    first, second, _ = specimen.three()
    for count in (1, 2, 3, MOST_TIMEOUTS, 100):
        trial = Trial.primed(specimen)
        trial.ask()
        for _ in range(count):
            trial.time_out()
            trial.driver.next_request()
        trial.time_out()
        trial.answer(first.raw, second.raw)
        what = f"after {count} timeouts gave {trial.results}"
        book.expect(trial.results == [first.says, second.says], what, trial.stream)
