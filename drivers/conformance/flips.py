"""What damage to a single bit or byte makes of a frame, counted."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from drivers.conformance.book import Book
from drivers.conformance.specimen import Golden, Specimen
from drivers.conformance.trial import Trial
from rules.reading import Reading

Damage = Callable[[bytes], Iterator[bytes]]


@dataclass(frozen=True, slots=True)
class FlipTable:
    """How many damaged frames came to what.

    Attributes:
        tried: Damaged frames in all.
        caught: Gave no reading.
        unchanged: Gave the reading of the whole frame.
        other: Gave another reading with the same value (a flag, a channel).
        wrong: Gave a wrong value.
        examples: Some of those that gave a reading: the bytes and what they gave.
    """

    tried: int
    caught: int
    unchanged: int
    other: int
    wrong: int
    examples: tuple[tuple[bytes, Reading], ...]


def count_flips(specimen: Specimen) -> FlipTable:
    """Return what every single flipped bit of every good golden frame comes to."""
    return _count(specimen, _flipped)


def no_flipped_bit_passes_a_crc(specimen: Specimen, book: Book) -> None:
    """A flipped bit never raises; with a CRC none gives a reading, else they are counted."""
    _judge(specimen, book, count_flips(specimen), "flipped bits")


def no_lost_byte_passes_a_crc(specimen: Specimen, book: Book) -> None:
    """A lost byte never raises; with a CRC none gives a reading, else they are counted."""
    _judge(specimen, book, _count(specimen, _shortened), "lost bytes")


def _judge(specimen: Specimen, book: Book, table: FlipTable, what: str) -> None:
    book.tried += table.tried
    if specimen.guard == "crc":
        for raw, reading in table.examples:
            book.fail(f"{what}: a damaged frame gave {reading}", raw)
        return
    book.notes.append(
        f"{what}: of {table.tried}, {table.caught} caught, {table.unchanged} without effect, "
        f"{table.other} with other flags, {table.wrong} gave a wrong value"
    )
    if specimen.guard == "weak":
        book.notes += [f"{raw.hex(' ')} gave {reading}" for raw, reading in table.examples]


def _flipped(raw: bytes) -> Iterator[bytes]:
    for bit in range(8 * len(raw)):
        at, place = divmod(bit, 8)
        yield raw[:at] + bytes([raw[at] ^ 1 << place]) + raw[at + 1 :]


def _shortened(raw: bytes) -> Iterator[bytes]:
    for at in range(len(raw)):
        shorter = raw[:at] + raw[at + 1 :]
        if shorter != raw:
            yield shorter


def _count(specimen: Specimen, damage: Damage) -> FlipTable:
    tried = caught = unchanged = other = wrong = 0
    examples: list[tuple[bytes, Reading]] = []
    for frame in specimen.good:
        for damaged in damage(frame.raw):
            tried += 1
            gave = _readings_of(specimen, damaged)
            caught += not gave
            if not gave:
                continue
            examples.append((damaged, gave[0]))
            if gave == [frame.says]:
                unchanged += 1
            elif [reading.value_nm for reading in gave] == [frame.reading.value_nm]:
                other += 1
            else:
                wrong += 1
    return FlipTable(tried, caught, unchanged, other, wrong, tuple(examples))


def _readings_of(specimen: Specimen, damaged: bytes) -> list[Reading]:
    """Return the readings that a damaged frame gives, those of the next frames left out."""
    after = _after(specimen, damaged)
    trial = Trial.primed(specimen)
    trial.answer(damaged, *(frame.raw for frame in after))
    gave = trial.readings
    for frame in reversed(after):
        if gave and gave[-1] == frame.says:
            gave = gave[:-1]
    return gave


def _after(specimen: Specimen, damaged: bytes) -> tuple[Golden, ...]:
    return tuple(frame for frame in specimen.three() if frame.raw != damaged)[:2]
