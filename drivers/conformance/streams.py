"""Cases of good frames: what they say, however they are cut, repeated, glued or mixed."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import zip_longest
from random import Random

from drivers.conformance.book import Book
from drivers.conformance.specimen import ROLES, Golden, Role, Specimen
from drivers.conformance.trial import Result, Trial
from drivers.contract import LineSettings, OptionError
from rules.reading import Reading

_SEED = 20
_SPREAD_VALUES = 300
_SPEEDS_BAUD = (
    50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600,
    115200, 230400, 460800, 500000, 576000, 921600, 1000000, 1152000, 1500000, 2000000,
    2500000, 3000000, 3500000, 4000000,
)  # fmt: skip
"""The speeds pyserial 3.5 lists as ``SerialBase.BAUDRATES``."""


def specimen_is_complete(specimen: Specimen, book: Book) -> None:
    """Every role has a frame or a reason, and each frame is what its role says."""
    driver = specimen.make(dict(specimen.options))
    guard = getattr(driver, "guard", "none")
    said = f"the driver says its guard is {guard!r}, the specimen {specimen.guard!r}"
    book.expect(guard == specimen.guard, said)
    for role in ROLES:
        frame = specimen.of(role)
        if role != "further":
            has_one = (frame is not None) != (role in specimen.lacks)
            book.expect(has_one, f"the role {role} needs a frame, or a reason in lacks")
        if frame is not None:
            book.expect(_fits_role(frame, specimen), f"no {role} frame", frame.raw)


def _fits_role(frame: Golden, specimen: Specimen) -> bool:
    says = frame.says
    if frame.role in ("comma", "no-sign", "no-unit"):
        return says is None
    if frame.role == "further":
        return True
    if says is None:
        return False
    plus = specimen.of("plus")
    value_nm = says.value_nm
    return {
        "plus": value_nm is not None and value_nm > 0,
        "minus": value_nm is not None and value_nm < 0,
        "zero": value_nm == 0,
        "low-end": value_nm is not None and value_nm <= 0,
        "high-end": value_nm is not None and value_nm > 0,
        "over-range": value_nm is None and "over-range" in says.flags,
        "low-battery": "low-battery" in says.flags,
        "other-unit": plus is not None and says.unit != plus.reading.unit,
    }[frame.role]


def golden_frames_are_read(specimen: Specimen, book: Book) -> None:
    """Each golden frame gives its reading and nothing else, or no reading at all."""
    for frame in specimen.golden:
        trial = Trial.primed(specimen)
        trial.answer(frame.raw)
        if frame.says is None:
            holds = not trial.readings and len(trial.bad_frames) > 0
            book.expect(holds, f"{frame.role} gave {trial.results}", trial.stream)
        else:
            holds = trial.results == [frame.says]
            what = f"{frame.role} gave {trial.results}, should be {frame.says}"
            book.expect(holds, what, trial.stream)


def chunks_do_not_matter(specimen: Specimen, book: Book) -> None:
    """Whole, byte by byte and cut anywhere, a stream gives the same results."""
    frames = [frame.raw for frame in specimen.three()]
    damaged = [frames[0], frames[1][: len(frames[1]) // 2] + b"\x00\xff" + frames[2], *frames]
    for stream in (frames, damaged):
        whole = _results(specimen, stream, None)
        longest = max(len(frame) for frame in stream)
        for cut in range(longest):
            found = _results(specimen, stream, cut)
            how = f"cut after {cut} bytes" if cut else "byte by byte"
            book.expect(found == whole, f"{how}: {found}, whole: {whole}", b"".join(stream))
    _chunks_of_one_stream(specimen, book)


def _results(specimen: Specimen, frames: list[bytes], cut: int | None) -> list[Result]:
    trial = Trial.primed(specimen)
    trial.answer(*frames, cut=cut)
    return trial.results


def _chunks_of_one_stream(specimen: Specimen, book: Book) -> None:
    """Chunks that begin and end in different frames, for drivers that only listen."""
    if Trial(specimen).is_polled:
        return
    stream = b"".join(frame.raw for frame in specimen.good) * 3
    whole = Trial.primed(specimen)
    whole.feed(stream)
    for size in range(2, 60):
        trial = Trial.primed(specimen)
        trial.feed_all(stream[at : at + size] for at in range(0, len(stream), size))
        what = f"chunks of {size} bytes give other results than the whole stream"
        book.expect(trial.results == whole.results, what, trial.stream)


def glued_frames_are_each_read(specimen: Specimen, book: Book) -> None:
    """Frames in one chunk are each read; glued answers answer one request at most."""
    first, second, third = specimen.three()
    trial = Trial.primed(specimen)
    trial.answer(first.raw + second.raw + third.raw)
    if trial.is_polled:
        holds = trial.readings in ([], [first.says])
        book.expect(holds, f"three answers to one request gave {trial.readings}", trial.stream)
    else:
        expected = [first.says, second.says, third.says]
        book.expect(trial.results == expected, f"gave {trial.results}", trial.stream)


def a_tail_waits_for_its_rest(specimen: Specimen, book: Book) -> None:
    """The head of a frame behind a whole one gives nothing before its rest comes."""
    first, second, _ = specimen.three()
    for cut in range(1, len(second.raw)):
        trial = Trial.primed(specimen)
        trial.answer(first.raw)
        trial.ask()
        trial.feed(second.raw[:cut])
        early = trial.results[1:]
        trial.feed(second.raw[cut:])
        holds = not early and trial.results == [first.says, second.says]
        book.expect(holds, f"{cut} bytes gave {early}, then {trial.results}", trial.stream)


def nothing_is_held_over(specimen: Specimen, book: Book) -> None:
    """A frame sent again is read again, and no reading changes the next one."""
    first, second, third = specimen.three()
    order = (first, first, second, first, third, third, second, second, second, first)
    trial = Trial.primed(specimen)
    trial.answer(*(frame.raw for frame in order))
    expected = [frame.says for frame in order]
    book.expect(trial.results == expected, f"gave {trial.results}", trial.stream)
    book.expect(list(trial.feed(b"")) == [], "an empty chunk gave a result", trial.stream)


def status_does_not_stick(specimen: Specimen, book: Book) -> None:
    """Over-range, a low battery and a switched unit end with the frame that says them."""
    roles: tuple[Role, ...] = ("over-range", "low-battery", "other-unit", "minus")
    plain = specimen.three()[0]
    for role in roles:
        if (frame := specimen.of(role)) is not None:
            trial = Trial.primed(specimen)
            trial.answer(plain.raw, frame.raw, plain.raw, frame.raw, frame.raw, plain.raw)
            order = (plain, frame, plain, frame, frame, plain)
            holds = trial.results == [each.says for each in order]
            book.expect(holds, f"{role} in between gave {trial.results}", trial.stream)


def two_drivers_share_nothing(specimen: Specimen, book: Book) -> None:
    """Two drivers fed in turn, byte by byte, each read their own frames."""
    first, second, _ = specimen.three()
    left, right = Trial.primed(specimen), Trial.primed(specimen)
    for trial in (left, right):
        trial.ask()
    for one, other in zip_longest(first.raw, second.raw):
        left.feed(b"" if one is None else bytes([one]))
        right.feed(b"" if other is None else bytes([other]))
    book.expect(left.results == [first.says], f"one gave {left.results}", left.stream)
    book.expect(right.results == [second.says], f"the other gave {right.results}", right.stream)


def a_sweep_through_zero_keeps_its_signs(specimen: Specimen, book: Book) -> None:
    """Every step from minus to plus is read exactly, zero and both ends too."""
    sweep = [(frame.raw, frame.reading) for frame in specimen.good]
    if specimen.encode is not None:
        sweep += [(specimen.encode(reading), reading) for reading in _swept(specimen)]
    for raw, reading in [*sweep, *reversed(sweep)]:
        trial = Trial.primed(specimen)
        trial.answer(raw)
        what = f"{reading} gave {trial.results}"
        book.expect(trial.results == [reading], what, trial.stream)


def _swept(specimen: Specimen) -> Iterator[Reading]:
    """Yield each step near zero, then values all over the range."""
    plain = specimen.three()[0].reading
    ends = [frame.reading.value_nm or 0 for frame in specimen.good]
    lowest, highest = min(ends) // specimen.step_nm, max(ends) // specimen.step_nm
    rng = Random(_SEED)
    counts = [count for count in range(-25, 26) if lowest <= count <= highest]
    counts += [rng.randint(lowest, highest) for _ in range(_SPREAD_VALUES)]
    for count in counts:
        yield replace(plain, value_nm=count * specimen.step_nm)


def line_settings_can_be_opened(specimen: Specimen, book: Book) -> None:
    """The line settings are ones that a port can be opened with."""
    line = specimen.make(dict(specimen.options)).line
    book.expect(isinstance(line, LineSettings), f"{line!r} are no line settings")
    holds = (
        line.baud in _SPEEDS_BAUD
        and line.data_bits in (7, 8)
        and line.parity in ("N", "E", "O")
        and line.stop_bits in (1, 2)
    )
    book.expect(holds, f"no port opens with {line!r}")


def a_wrong_option_is_refused(specimen: Specimen, book: Book) -> None:
    """An option nobody knows is refused by its name."""
    key = "an-option-that-nobody-knows"
    try:
        specimen.make({**specimen.options, key: 1})
    except OptionError as error:
        book.expect(error.key == key, f"the error names {error.key!r} instead of {key!r}")
    except Exception as error:
        book.expect(False, f"raised {error!r} instead of an OptionError")
    else:
        book.expect(False, f"took the option {key!r}")


def a_listener_stays_silent(specimen: Specimen, book: Book) -> None:
    """A driver that only listens never asks; one that polls asks once for each reading."""
    trial = Trial.primed(specimen)
    first, second, _ = specimen.three()
    for frame in (first, second):
        trial.answer(frame.raw)
        trial.ask()
        again = trial.driver.next_request()
        book.expect(again is None, f"asks {again!r} while an answer is due", trial.stream)
    says = [isinstance(result, Reading) for result in trial.results]
    book.expect(says == [True, True], f"gave {trial.results}", trial.stream)
