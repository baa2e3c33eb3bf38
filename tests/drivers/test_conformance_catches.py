"""The kit fails each of these drivers, every one broken in one way; the plain ones pass."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from drivers.ascii_line_specimens import PLAIN
from drivers.checksum import xor_8
from drivers.conformance import Specimen, count_flips, run
from drivers.contract import Driver, Guard
from simulators.ascii_line import AsciiLineEncoder
from tests.drivers import broken_drivers as broken


def specimen_of(driver: type[broken.Plain]) -> Specimen:
    def make(options: Mapping[str, object]) -> Driver:
        return driver(options)

    encode = AsciiLineEncoder(PLAIN.options).encode
    specimen = replace(PLAIN, name=driver.__name__, make=make, encode=encode)
    return guarded(specimen, "crc") if issubclass(driver, broken.Checked) else specimen


def guarded(specimen: Specimen, guard: Guard) -> Specimen:
    """Return the specimen with an exclusive-or behind the flags, held to the CRC's rule."""

    def with_check(raw: bytes) -> bytes:
        content = raw.removesuffix(b"\r\n")
        return b"%b%02X\r\n" % (content, xor_8(content))

    encode = AsciiLineEncoder(PLAIN.options).encode
    return replace(
        specimen,
        golden=tuple(replace(frame, raw=with_check(frame.raw)) for frame in specimen.golden),
        encode=lambda reading: with_check(encode(reading)),
        guard=guard,
    )


def failed_cases(driver: type[broken.Plain]) -> set[str]:
    return {result.name for result in run(specimen_of(driver)) if result.failures}


@pytest.mark.parametrize("driver", [broken.Plain, broken.Polite, broken.Checked])
def test_a_driver_without_a_fault_passes_every_case(driver: type[broken.Plain]) -> None:
    assert failed_cases(driver) == set()


CAUGHT_BY: list[tuple[type[broken.Plain], str]] = [
    (broken.GuessesTheUnit, "golden frames are read"),
    (broken.GuessesTheSign, "golden frames are read"),
    (broken.RoundsToMicrometres, "golden frames are read"),
    (broken.GoesThroughAFloat, "a sweep through zero keeps its signs"),
    (broken.FoldsTheSign, "a sweep through zero keeps its signs"),
    (broken.LosesTheSignBelowOne, "a sweep through zero keeps its signs"),
    (broken.DropsZero, "a sweep through zero keeps its signs"),
    (broken.TakesACommaForAPoint, "golden frames are read"),
    (broken.StopsAtTheComma, "golden frames are read"),
    (broken.MasksTheTopBit, "a wrong parity is not masked"),
    (broken.RaisesOnJunk, "noise is survived"),
    (broken.RaisesOnHighBytes, "noise is survived"),
    (broken.HoldsTheValueOver, "noise is survived"),
    (broken.KeepsTheLastValueInOverRange, "status does not stick"),
    (broken.SaysZeroInOverRange, "golden frames are read"),
    (broken.DropsOverRange, "golden frames are read"),
    (broken.DropsRepeats, "nothing is held over"),
    (broken.Averages, "nothing is held over"),
    (broken.FlagsStick, "status does not stick"),
    (broken.IgnoresTheBattery, "golden frames are read"),
    (broken.UnitSticks, "status does not stick"),
    (broken.NeverForgetsNoise, "endless noise is held in bounds"),
    (broken.KeepsEveryReading, "endless frames are not kept"),
    (broken.TakesAChunkForAFrame, "chunks do not matter"),
    (broken.ReadsOneFrameAChunk, "glued frames are each read"),
    (broken.SharesItsBuffer, "two drivers share nothing"),
    (broken.ReadsBeforeTheEnd, "a cut frame gives nothing"),
    (broken.StaysLostAfterNoise, "noise is survived"),
    (broken.TakesAnyOption, "a wrong option is refused"),
    (broken.WantsAnOddSpeed, "line settings can be opened"),
    (broken.HoldsHugeBadFrames, "golden frames are read"),
    (broken.CleansItsBadFrames, "golden frames are read"),
    (broken.ClaimsAGuard, "specimen is complete"),
    (broken.SaysNothingAboutJunk, "golden frames are read"),
    (broken.AsksWithoutNeed, "a listener stays silent"),
    (broken.TakesALateAnswer, "a late answer answers nothing"),
    (broken.AsksTwice, "a listener stays silent"),
    (broken.TakesGluedAnswers, "glued frames are each read"),
    (broken.NeverAsksAgain, "silence is survived"),
    (broken.IgnoresTheChecksum, "no flipped bit passes a crc"),
]


@pytest.mark.parametrize(
    ("driver", "case"), CAUGHT_BY, ids=[driver.__name__ for driver, _ in CAUGHT_BY]
)
def test_a_broken_driver_is_caught(driver: type[broken.Plain], case: str) -> None:
    assert case in failed_cases(driver)


def test_every_broken_driver_is_tried() -> None:
    sound = {broken.Plain, broken.Polite, broken.Checked}
    written = {
        item
        for item in vars(broken).values()
        if isinstance(item, type) and issubclass(item, broken.Plain)
    }
    assert written - sound == {driver for driver, _ in CAUGHT_BY}


def test_a_failure_shows_the_bytes_that_caused_it() -> None:
    results = run(specimen_of(broken.TakesACommaForAPoint))
    failures = [failure for result in results for failure in result.failures]
    assert any(b"+012,3456 mm" in failure.stream for failure in failures)


def test_without_a_checksum_the_flipped_bits_that_change_the_value_are_counted() -> None:
    table = count_flips(PLAIN)
    assert table.tried == sum(8 * len(frame.raw) for frame in PLAIN.good)
    assert table.caught + table.unchanged + table.other + table.wrong == table.tried
    # Each of the seven digits has flips that make another digit, and a sign has none:
    # "+" and "-" differ in two bits.
    assert table.wrong > 100


def test_a_role_without_a_frame_or_a_reason_fails() -> None:
    frames = tuple(frame for frame in PLAIN.golden if frame.role != "low-battery")
    result = next(iter(run(replace(PLAIN, golden=frames))))
    assert result.failures[0].what == "the role low-battery needs a frame, or a reason in lacks"


def test_a_frame_that_is_not_what_its_role_says_fails() -> None:
    frames = tuple(
        replace(frame, role="minus" if frame.role == "zero" else frame.role)
        for frame in PLAIN.golden
        if frame.role != "minus"
    )
    result = next(iter(run(replace(PLAIN, golden=frames, lacks={"zero": "left out"}))))
    assert [failure.what for failure in result.failures] == ["no minus frame"]
